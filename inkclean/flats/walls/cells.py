"""Cells: patches of paper between ink and every wall that might stand.

After an edit only those that its walls touch are looked for again; all come out as if the page
were looked at anew.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from inkclean.base.arrays import F32, F64, I32, I64, Bool
from inkclean.base.tiles import both, side_by_side, strips
from inkclean.flats.nearest import grown
from inkclean.flats.rasters import deepest, depth

Box = tuple[slice, slice]
BAND_ROWS = 256
SAMPLED = 3  # every so many pixels of every so many rows tell what a cell was
FEW = 2000  # cells up to which every pair of them has a place in a table
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
    ``serial`` is a number of its own for each finding, ``after`` that of the one before.
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
    serial: int = field(default_factory=itertools.count(1).__next__)

    @property
    def count(self) -> int:
        """Number of cells."""
        return len(self.size) - 1


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
        touching(label),
        np.zeros(count + 1, np.int64),
        np.zeros(count + 1, np.int64),
        whole(label.shape),
        whole(label.shape),
    )


def _found(mask: Bool, room: F32, corner: tuple[int, int], wide: int) -> _Found:
    """Return the cells of a mask (h, w), a piece of a page ``wide`` px wide from ``corner``."""
    count, cells, stats, _ = cv2.connectedComponentsWithStats(mask.view(np.uint8), connectivity=4)
    cell = np.asarray(cells, np.int32)
    inner = deepest(cell, room, count)
    # the first and the last pixel of each begin and end a run
    ends = np.zeros((2, *mask.shape), bool)
    differs = cell[:, 1:] != cell[:, :-1]
    ends[0][:, 1:], ends[1][:, :-1] = differs, differs
    ends[0][:, 0] = ends[1][:, -1] = True
    first, last = np.full(count, -1), np.full(count, -1)
    for end, of in ((ends[1], last), (ends[0][::-1, ::-1], first)):
        row, column = np.nonzero(end)
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
    row, column = np.nonzero(changed)
    if not len(row):
        same = np.arange(before.count + 1)
        return Cells(
            ground,
            before.label,
            open_,
            wall,
            before.size,
            before.inner,
            before.first,
            before.last,
            before.box,
            before.touching,
            same,
            same,
            (slice(0, 0), slice(0, 0)),
            (slice(0, 0), slice(0, 0)),
            before.serial,
        )
    touched = _touched(before, row, column)
    box = _around(before.box[touched], row, column)
    reach = max(ground.reach, before.ground.reach)
    inner = widened(box, reach, open_.shape)
    # their cells anew
    own = np.zeros(before.count + 1, bool)
    own[touched] = True
    fresh = np.zeros(open_.shape, bool)
    fresh[row, column] = True
    mask = open_[box] & (own[before.label[box]] | fresh[box])
    found = _found(mask, ground.room[box], (box[0].start, box[1].start), open_.shape[1])
    outer = widened(inner, reach, open_.shape)
    cell = np.where(open_[outer], before.label[outer], np.int32(0))
    part = cell[within(box, outer)]
    part[mask] = found.cell[mask] + before.count
    label = before.label.copy()
    label[inner] = grown(cell)[within(inner, outer)]
    # and all in order
    left = np.flatnonzero(~own[1:]) + 1
    ids = np.concatenate([left, before.count + np.arange(1, len(found.size))])
    ids = ids[np.argsort(np.concatenate([before.first[left], found.first[1:]]))]
    number = np.zeros(before.count + len(found.size), np.int32)
    number[ids] = np.arange(1, len(ids) + 1)
    label = renumbered(label, number)
    ids = np.append(0, ids)
    joined = Cells(
        ground,
        label,
        open_,
        wall,
        np.concatenate([before.size, found.size[1:]])[ids],
        np.concatenate([before.inner, found.inner[1:]])[ids],
        np.concatenate([before.first, found.first[1:]])[ids],
        np.concatenate([before.last, found.last[1:]])[ids],
        np.concatenate([before.box, np.zeros((len(found.size) - 1, 4), np.int64)])[ids],
        touching(label),
        np.where(ids <= before.count, ids, 0),
        np.concatenate([np.arange(before.count + 1), _heirs(found, before.label[box])[1:]])[ids],
        inner,
        _around(np.zeros((0, 4), np.int64), row, column),
        before.serial,
    )
    _box_anew(joined)
    return joined


def _heirs(found: _Found, label: I32) -> I64:
    """Return for each cell found the one before that most of it was; some pixels tell."""
    cell, old = found.cell[::SAMPLED, ::SAMPLED], label[::SAMPLED, ::SAMPLED]
    inside = cell > 0
    many = int(old.max(initial=0)) + 1
    key, times = np.unique(cell[inside].astype(np.int64) * many + old[inside], return_counts=True)
    order = np.argsort(times, kind="stable")
    heir = np.zeros(len(found.size), np.int64)
    heir[key[order] // many] = key[order] % many  # the most frequent last
    return heir


def _box_anew(cells: Cells) -> None:
    """Find the boxes of what the window holds again, in place."""
    here = cells.label[cells.window]
    top, left = (side.start for side in cells.window)
    found = boxes(here, cells.count) + np.array([top, top, left, left])
    inside = np.zeros(cells.count + 1, bool)
    inside[here] = True
    fresh = inside & (cells.was == 0)
    cells.box[fresh] = found[fresh]
    # others reach beyond the window, and may be a little wider or narrower in it
    kept = inside & (cells.was > 0)
    cells.box[kept, 0::2] = np.minimum(cells.box[kept, 0::2], found[kept, 0::2])
    cells.box[kept, 1::2] = np.maximum(cells.box[kept, 1::2], found[kept, 1::2])


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


def area_of(box: Box) -> int:
    """Return how many px a box holds."""
    return int((box[0].stop - box[0].start) * (box[1].stop - box[1].start))


def whole(shape: tuple[int, ...]) -> Box:
    """Return the box of all of a page."""
    return slice(0, shape[0]), slice(0, shape[1])


def widened(box: Box, by: int, shape: tuple[int, ...]) -> Box:
    """Return a box ``by`` px wider on all sides, inside ``shape``."""
    rows, columns = (
        slice(max(0, side.start - by), min(length, side.stop + by))
        for side, length in zip(box, shape, strict=False)
    )
    return rows, columns


def within(box: Box, outer: Box) -> Box:
    """Return where a box lies in an outer one."""
    rows, columns = (
        slice(side.start - wide.start, side.stop - wide.start)
        for side, wide in zip(box, outer, strict=True)
    )
    return rows, columns


def boxes(label: I32, count: int) -> I64:
    """Return (count + 1, 4): top, bottom, left, right of each label; 0 of one that is missing."""
    from scipy.ndimage import find_objects

    found = np.zeros((count + 1, 4), np.int64)
    for number, box in enumerate(find_objects(label, count), 1):
        if box is not None:
            found[number] = box[0].start, box[0].stop, box[1].start, box[1].stop
    return found


def renumbered(label: NDArray[_Label], number: NDArray[_Label]) -> NDArray[_Label]:
    """Return a map with its labels looked up in a table: the map itself if none changes."""
    if (number == np.arange(len(number))).all():
        return label
    out = np.empty_like(label)

    def look_up(band: slice) -> None:
        np.take(number, label[band], out=out[band], mode="clip")

    side_by_side(look_up, strips(len(label), BAND_ROWS))
    return out


@dataclass(frozen=True)
class Numbers:
    """What became of groups of cells when some cells changed.

    ``now`` (M + 1,) is the number that each old group has, 0 if none; ``was`` (N + 1,) the other
    way round. Only the groups ``same`` (N + 1,) are made of the same cells.
    """

    now: I64
    was: I64
    same: Bool


def numbers(cells: Cells, group: I64, before: I64) -> Numbers:
    """Return what became of groups; ``group`` (cells + 1,) and ``before`` are those of the cells.

    A group goes on as the one that has most of its cells' paper.
    """
    old, new = int(before.max(initial=0)), int(group.max(initial=0))
    from_ = np.flatnonzero((cells.heir > 0) & (group > 0) & (before[cells.heir] > 0))
    key = before[cells.heir[from_]] * (new + 1) + group[from_]
    pair, which = np.unique(key, return_inverse=True)
    size = np.bincount(which.ravel(), cells.size[from_], len(pair))
    order = np.argsort(-size, kind="stable")
    one, other = pair[order] // (new + 1), pair[order] % (new + 1)
    # each is the largest part of the other
    first_one, first_other = np.full(old + 1, -1), np.full(new + 1, -1)
    rank = np.arange(len(order))
    first_one[one[::-1]], first_other[other[::-1]] = rank[::-1], rank[::-1]
    both = (first_one[one] == rank) & (first_other[other] == rank)
    now, was = np.zeros(old + 1, np.int64), np.zeros(new + 1, np.int64)
    now[one[both]], was[other[both]] = other[both], one[both]
    held = np.bincount(group[1:], minlength=new + 1)
    had = np.bincount(before[1:], minlength=old + 1)
    kept = np.flatnonzero((cells.was > 0) & (group > 0) & (before[cells.was] > 0))
    stayed = kept[was[group[kept]] == before[cells.was[kept]]]
    count = np.bincount(group[stayed], minlength=new + 1)
    return Numbers(now, was, (was > 0) & (count == held) & (count == had[was]))


def numbered_keys(keys: list[I64], count: int) -> tuple[I64, list[I64]]:
    """Return all keys there are, rising, and the number among these of each.

    A key is of two cells, each below ``count``: the one times ``count`` plus the other.
    """
    if count <= FEW:
        there = np.zeros(count * count, bool)
        for key in keys:
            there[key] = True
        pairs = np.flatnonzero(there)
        number = np.zeros(count * count, np.int64)
        number[pairs] = np.arange(len(pairs))
        return pairs, [number[key] for key in keys]
    pairs = np.unique(np.concatenate(keys))
    return pairs, [np.searchsorted(pairs, key) for key in keys]


def touching(label: I32) -> Touching:
    """Return every two pixels side by side that differ, and their labels."""
    width = label.shape[1]
    across = np.flatnonzero(label[:, 1:] != label[:, :-1])
    across = across // (width - 1) * width + across % (width - 1)
    down = np.flatnonzero(label[1:] != label[:-1])
    where = np.concatenate(
        [np.stack([across, across + 1], axis=1), np.stack([down, down + width], axis=1)]
    )
    two = label.ravel()[where].astype(np.int64)
    return Touching(two.min(axis=1), two.max(axis=1), where)
