"""Cells: patches of paper between ink and every wall that might stand.

After an edit only those that its walls touch are looked for again; all come out as if the page
were looked at anew.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from inkclean.base.arrays import F32, F64, I32, I64, Bool, places
from inkclean.base.pieces import pieces_of
from inkclean.base.tiles import both, side_by_side, strips
from inkclean.flats.nearest import grown
from inkclean.flats.rasters import deepest, depth
from inkclean.flats.tiled.sides import touching
from inkclean.flats.tiled.windows import Box, boxes, whole, widened
from inkclean.flats.walls.parts import Parts

BAND_ROWS = 256
_serials = itertools.count(1)
_Label = TypeVar("_Label", np.int32, np.uint16)


@dataclass(frozen=True)
class Ground:
    """What parts paper whatever is laid across it: ``ink`` (H, W).

    ``room`` (H, W) is how deep paper is in px, ``deep`` how deep ink; from no pixel is paper
    further than ``reach`` px.
    """

    ink: Bool
    room: F32
    deep: F32
    reach: int

    @classmethod
    def of(cls, ink: Bool) -> Ground:
        """Measure the ink."""
        room, deep = both(lambda: depth(~ink), lambda: depth(ink))
        return cls(ink, room, deep, int(deep.max(initial=0)) + 3)


@dataclass(frozen=True)
class Touching:
    """Where cells meet: the smaller ``a`` and larger ``b`` (M,), their pixels ``where`` (M, 2)."""

    a: I64
    b: I64
    where: I64


@dataclass(frozen=True)
class Cells:
    """Cells 1..N, in the order that they are met from the top left.

    ``label`` (H, W) int32: 1..N on paper, grown under ink and walls so that it is never 0;
    ``open_`` (H, W) bool: paper inside a cell; ``wall`` (H, W) int32: number of the join + 1
    where one is laid across paper. Per cell (N + 1,), 0 unused: ``size`` px², ``inner`` radius
    px of the largest disc, ``first`` and ``last`` pixel of paper, and ``box`` (N + 1, 4): top,
    bottom, left, right of ``label``. ``was`` is which one it was before the latest edit, 0 if
    it is none of those, and ``heir`` the one that most of it was; ``window`` is all that changed
    since, ``altered`` all paper that did. ``ground`` is what they lie in.
    ``serial`` is a number of its own for each finding, ``after`` that of the one before;
    ``parts`` are kept to find the next ones.
    """

    ground: Ground
    label: I32
    open_: Bool
    wall: I32
    size: I64
    inner: F64
    first: I64
    last: I64
    box: I64
    touching: Touching
    was: I64
    heir: I64
    window: Box
    altered: Box
    after: int = 0
    serial: int = field(default_factory=lambda: next(_serials))
    parts: Parts | None = field(default=None, repr=False)

    @property
    def count(self) -> int:
        """Number of cells."""
        return len(self.size) - 1

    @cached_property
    def walled(self) -> tuple[I64, I32]:
        """The pixels, rising, on which a wall is laid across paper, and the number of each."""
        at = np.flatnonzero(self.wall)
        return at, self.wall.ravel()[at]


@dataclass(frozen=True)
class _Found:
    """Cells found in a piece of a page: ``cell`` (h, w), and what ``Cells`` tells of each."""

    cell: I32
    size: I64
    inner: F64
    first: I64
    last: I64


def find_cells(ground: Ground, wall: I32, before: Cells | None = None) -> Cells:
    """Return the cells between ink and walls; ``wall`` (H, W): number of the join + 1.

    ``before``: cells between other walls, or in a ground that was a little other, to save time.
    """
    across = (wall > 0) & ~ground.ink
    open_ = ~(ground.ink | across)
    through = np.where(across, wall, np.int32(0))
    if before is None:
        return _anew(ground, open_, through)
    return _again(ground, open_, through, before)


def _anew(ground: Ground, open_: Bool, wall: I32) -> Cells:
    found = _found(open_, ground.room, (0, 0), open_.shape[1])
    label = grown(found.cell)
    count = len(found.size) - 1
    return Cells(
        ground,
        label,
        open_,
        wall,
        found.size,
        found.inner,
        found.first,
        found.last,
        boxes(label, count),
        _meetings(label),
        np.zeros(count + 1, np.int64),
        np.zeros(count + 1, np.int64),
        whole(label.shape),
        whole(label.shape),
    )


def _found(mask: Bool, room: F32, corner: tuple[int, int], wide: int) -> _Found:
    """Return the cells of a mask (h, w), a piece of a page ``wide`` px wide from ``corner``."""
    cell, stats = pieces_of(mask, 4)
    count = len(stats)
    inner = deepest(cell, room, count)
    # the first and the last pixel of each begin and end a run
    ends = np.zeros((2, *mask.shape), bool)
    differs = cell[:, 1:] != cell[:, :-1]
    ends[0][:, 1:], ends[1][:, :-1] = differs, differs
    ends[0][:, 0] = ends[1][:, -1] = True
    first, last = np.full(count, -1), np.full(count, -1)
    for end, of in ((ends[1], last), (ends[0][::-1, ::-1], first)):
        row, column = places(end)
        if of is first:
            row, column = mask.shape[0] - 1 - row, mask.shape[1] - 1 - column
        of[cell[row, column]] = (row + corner[0]) * wide + column + corner[1]
    first[0] = last[0] = -1
    size = stats[:, cv2.CC_STAT_AREA].astype(np.int64)
    return _Found(cell, size, inner.astype(np.float64), first, last)


def _again(ground: Ground, open_: Bool, wall: I32, before: Cells) -> Cells:
    """Return the cells after some walls changed."""
    changed = open_ != before.open_
    if ground is not before.ground:  # cells that are deeper now, or less deep, are others too
        changed |= open_ & (ground.room != before.ground.room)
    row, column = places(changed)
    if not len(row):
        same, none = np.arange(before.count + 1), (slice(0, 0), slice(0, 0))
        return replace(
            before,
            ground=ground,
            wall=wall,
            was=same,
            heir=same,
            window=none,
            altered=none,
            after=before.serial,
            serial=next(_serials),
            parts=before.parts and before.parts.settled(),
        )
    touched = _touched(before, row, column)
    altered = _around(np.zeros((0, 4), np.int64), row, column)
    reach = max(ground.reach, before.ground.reach)
    parts = before.parts or Parts.of(before.open_, before.ground.room, before.label)
    parts = parts.after(open_, ground.room, before.label, (row, column), reach)
    # one that nothing touched is as it was
    of, count = parts.cell, parts.count
    first = np.full(count + 1, open_.size)
    np.minimum.at(first, of, parts.first)
    first[0] = -1
    own = np.ones(before.count + 1, bool)
    own[touched] = own[0] = False
    was = np.where(open_.ravel()[first], before.label.ravel()[first], np.int32(0)).astype(np.int64)
    was[~before.open_.ravel()[first] | ~own[was]] = 0
    was[0] = 0
    last, inner, box = np.full(count + 1, -1), np.zeros(count + 1), np.zeros((count + 1, 4), int)
    np.maximum.at(last, of, parts.last)
    np.maximum.at(inner, of, parts.inner)
    last[0], inner[0] = -1, 0
    box[:, 0::2] = max(open_.shape)
    for k, most in enumerate((np.minimum, np.maximum, np.minimum, np.maximum)):
        most.at(box[:, k], of, parts.pieces.box[:, k])
    box[0] = 0
    label = renumbered(parts.near, of.astype(np.int32))
    return Cells(
        ground,
        label,
        open_,
        wall,
        parts.sizes,
        inner,
        first,
        last,
        _widely(box, reach, open_.shape),
        _meetings(label),
        was,
        np.where(was > 0, was, parts.heirs(before.count)),
        widened(_around(before.box[touched], row, column), reach, open_.shape),
        altered,
        before.serial,
        parts=parts,
    )


def _widely(box: I64, by: int, shape: tuple[int, ...]) -> I64:
    """Return boxes (N, 4) that hold all that lies ``by`` px around, but for the first."""
    wide = np.clip(box + np.array([-by, by, -by, by]), 0, np.repeat(shape, 2))
    wide[0] = 0
    return np.asarray(wide, np.int64)


def _touched(before: Cells, row: I64, column: I64) -> I64:
    """Return the cells that pixels lie in or beside."""
    high, wide = before.label.shape
    found = []
    for down, right in ((0, 0), (0, 1), (0, -1), (1, 0), (-1, 0)):
        at = (row + down).clip(0, high - 1), (column + right).clip(0, wide - 1)
        found.append(before.label[at][before.open_[at]])
    return np.unique(np.concatenate(found)).astype(np.int64)


def _around(box: I64, row: I64, column: I64) -> Box:
    """Return the box around some boxes (N, 4) and pixels."""
    rows, columns = (
        slice(
            int(min(at.min(), box[:, k].min(initial=at.min()))),
            int(max(at.max() + 1, box[:, k + 1].max(initial=0))),
        )
        for at, k in ((row, 0), (column, 2))
    )
    return rows, columns


def renumbered(label: NDArray[_Label], number: NDArray[_Label]) -> NDArray[_Label]:
    """Return a map with its labels looked up in a table: the map itself if none changes."""
    if (number == np.arange(len(number))).all():
        return label
    out = np.empty_like(label)

    def look_up(band: slice) -> None:
        np.take(number, label[band], out=out[band], mode="clip")

    side_by_side(look_up, strips(len(label), BAND_ROWS))
    return out


def _meetings(label: I32) -> Touching:
    one, other, a, b = touching(label)
    return Touching(a, b, np.array([one, other]).T)
