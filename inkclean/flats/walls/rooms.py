"""Rooms between ink and every wall that might stand, and what lies between two rooms."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from inkclean.base.arrays import F32, F64, I32, I64, Bool
from inkclean.flats.rasters import square, tally
from inkclean.flats.tiled.depths import Depths
from inkclean.flats.tiled.told import told
from inkclean.flats.tiled.windows import Box, around, whole
from inkclean.flats.walls.cells import Cells, Ground, find_cells
from inkclean.flats.walls.joins import on_cubic
from inkclean.flats.walls.numbers import elsewhere, numbered_keys, numbers

SIDEWAYS_PX = 5
_Value = TypeVar("_Value", bound=np.generic)
BLACK = 3.0  # log-odds of a seam in a black
SURE = 2.0  # log-odds from which a line is surely a seam


@dataclass(frozen=True)
class Rooms:
    """Rooms between ink and walls, and the walls between rooms.

    ``cells`` are what was found on the page, ``of`` (N + 1,) which room each cell of it is part
    of: all maps stay as they are when rooms become one. Per room (index 0 unused): ``size`` px²,
    ``inner`` radius px of the largest disc. Pairs: ``a``, ``b`` (E,) rooms that touch, ``drawn``
    (E,) px of ink between them, ``line`` (E,) the sum over it of the log-odds of a seam,
    ``shaded`` (E,) how much of it is likelier no seam, but hatching, ``sure`` how much is surely
    one. Openings: ``pair`` (K,) index into pairs, ``join`` (K,), ``width`` (K,) px, ``seen``
    (K,) the sum over it of the log-odds of a seam.
    """

    cells: Cells
    of: I64
    size: F64
    inner: F64
    a: I64
    b: I64
    drawn: F64
    line: F64
    shaded: F64
    sure: F64
    pair: I64
    join: I64
    width: F64
    seen: F64

    @property
    def count(self) -> int:
        """Number of rooms, those that became part of others counted."""
        return len(self.size) - 1

    @cached_property
    def label(self) -> I32:
        """The room of each pixel (H, W), never 0 but where there is no paper at all."""
        return np.asarray(self.of.astype(np.int32)[self.cells.label])

    @property
    def touching(self) -> tuple[I64, I64, I64]:
        """The smaller and larger room of every two pixels side by side in two, and the pixels."""
        found = self.cells.touching
        one, other = self.of[found.a], self.of[found.b]
        apart = one != other
        one, other = one[apart], other[apart]
        return np.minimum(one, other), np.maximum(one, other), found.where[apart]

    def mostly(self, values: I64) -> I64:
        """Return for each room what ``values`` (N + 1,) says of the largest cell in it."""
        order = np.argsort(self.cells.size, kind="stable")
        order = order[self.cells.size[order] > 0]
        found = np.zeros(len(self.size), np.int64)
        found[self.of[order]] = values[order]  # the largest last
        return found


def lay(shape: tuple[int, int], cubic: F64, order: I64) -> I32:
    """Draw cubics as lines one pixel wide, number + 1, in the order given (last on top)."""
    wall = np.zeros(shape, np.int32)
    rows, columns, number = on_pixels(shape, cubic, order)
    rank = np.zeros(len(cubic), np.int64)
    rank[order] = np.arange(len(order))
    top = np.argsort(rank[number], kind="stable")
    wall[rows[top], columns[top]] = number[top] + 1
    return wall


def on_pixels(shape: tuple[int, ...], cubic: F64, order: I64) -> tuple[I64, I64, I64]:
    """Return the rows and columns that some cubics run over, and the number of each."""
    rows, columns, numbers = ([np.zeros(0, np.int64)] for _ in range(3))
    # as many points as the longest of a like length needs, so that a few long walls cost little
    length = np.abs(np.diff(cubic[order], axis=1)).sum(axis=(1, 2))
    grade = np.ceil(np.log2(np.maximum(length, 8.0)))
    for step in np.unique(grade):
        of = order[grade == step]
        points = on_cubic(cubic[of], int(2 ** (step + 1)) + 8)
        rows.append(np.clip(np.floor(points[..., 1]).astype(int), 0, shape[0] - 1).ravel())
        columns.append(np.clip(np.floor(points[..., 0]).astype(int), 0, shape[1] - 1).ravel())
        numbers.append(np.repeat(of, points.shape[1]))
    return np.concatenate(rows), np.concatenate(columns), np.concatenate(numbers)


def find_rooms(ink: Bool, wall: I32, seam: F32, black_px: float = np.inf) -> Rooms:
    """Label the rooms and measure the walls between them.

    ``seam`` (H, W): log-odds that a seam between areas runs at a pixel. Ink deeper than
    ``black_px`` is no stroke but a black: it hides the seam, and what it parts are two.
    """
    ground = Ground.of(ink)
    return rooms_of(find_cells(ground, wall), ground, seam, beside(seam), black_px)


def beside(seam: F32) -> F32:
    """Return the odds of a wall across a gap: it may lie a little beside the seam that was seen."""
    return np.asarray(cv2.dilate(seam, square(SIDEWAYS_PX)), np.float32)


def rooms_of(cells: Cells, ground: Ground, seam: F32, near: F32, black_px: float) -> Rooms:
    """Return each cell as a room, and measure the walls between them.

    ``near`` is what :func:`beside` gives; the others are told by :func:`find_rooms`.
    """
    count = cells.count + 1
    a, b, (one, other) = cells.touching.a, cells.touching.b, cells.touching.where.T

    def most(values: NDArray[_Value]) -> NDArray[_Value]:
        return np.asarray(np.maximum(values.ravel()[one], values.ravel()[other]))

    join = most(cells.wall)
    pairs, (index,) = numbered_keys([a * count + b], count)
    line = (join == 0).astype(float)
    drawn = (seam.ravel()[one] + seam.ravel()[other]) / 2
    drawn[most(ground.deep) > black_px] = BLACK
    odds = np.where(join == 0, drawn, most(near))
    opened = np.flatnonzero(join > 0)
    joins = int(join.max(initial=0)) + 2
    key, at, times = np.unique(
        index[opened].astype(np.int64) * joins + join[opened],
        return_inverse=True,
        return_counts=True,
    )
    return Rooms(
        cells=cells,
        of=np.arange(count),
        size=cells.size.astype(float),
        inner=cells.inner,
        a=pairs // count,
        b=pairs % count,
        drawn=tally(index, line, len(pairs)),
        line=tally(index, line * odds, len(pairs)),
        shaded=tally(index, line * (odds < 0), len(pairs)),
        sure=tally(index, line * (odds > SURE), len(pairs)),
        pair=key // joins,
        join=key % joins - 1,
        width=times.astype(float),
        seen=tally(at, odds[opened], len(key)),
    )


def regrouped(rooms: Rooms, root: I64) -> Rooms:
    """Return the rooms with those of one root made one; labels become roots."""
    n = rooms.count + 1
    size = tally(root, rooms.size, n)
    inner = np.zeros(n)
    np.maximum.at(inner, root, rooms.inner)
    a, b = np.minimum(root[rooms.a], root[rooms.b]), np.maximum(root[rooms.a], root[rooms.b])
    pairs, index = np.unique(a * n + b, return_inverse=True)
    real = pairs // n != pairs % n
    number = np.where(real, np.cumsum(real) - 1, -1)
    pair = number[index[rooms.pair]]
    kept = pair >= 0
    most = int(rooms.join.max(initial=0)) + 1
    keys, at = np.unique(pair[kept] * most + rooms.join[kept], return_inverse=True)
    return Rooms(
        cells=rooms.cells,
        of=root[rooms.of],
        size=size,
        inner=inner,
        a=pairs[real] // n,
        b=pairs[real] % n,
        drawn=tally(index, rooms.drawn, len(pairs))[real],
        line=tally(index, rooms.line, len(pairs))[real],
        shaded=tally(index, rooms.shaded, len(pairs))[real],
        sure=tally(index, rooms.sure, len(pairs))[real],
        pair=keys // most,
        join=keys % most,
        width=tally(at, rooms.width[kept], len(keys)),
        seen=tally(at, rooms.seen[kept], len(keys)),
    )


@dataclass(frozen=True)
class Deep:
    """How deep rooms of several cells are, ``inner`` (N + 1,) px, by the number of the room.

    ``of`` is which room each cell is part of, ``serial`` the number of the cells' finding,
    ``depths`` how far each pixel is from the next room.
    """

    serial: int
    of: I64
    inner: F64
    depths: Depths


def deepened(
    rooms: Rooms, root: I64, line_px: float, before: Deep | None = None
) -> tuple[Rooms, Deep]:
    """Return rooms grouped by ``root`` with the inner radius that those of many cells have.

    The strokes between cells of one room are inside it: it is as deep as its border is far,
    less half a line of ``line_px``, which is not its own. ``before`` is what was returned with
    the rooms before the latest edit.
    """
    cells, of = rooms.cells, rooms.of
    many = tally(root, None, rooms.count + 1) > 1
    many[0] = False
    deep = np.zeros(rooms.count + 1)
    unknown = many.copy()

    def inside(box: Box) -> Bool:
        """Return what lies not beside another room above or to the left."""
        rows, columns = (slice(max(0, side.start - 1), side.stop) for side in box)
        here = of.astype(np.int32)[cells.label[rows, columns]]
        alike = np.ones(here.shape, bool)
        alike[:, 1:] &= here[:, 1:] == here[:, :-1]
        alike[1:] &= here[1:] == here[:-1]
        return alike[box[0].start - rows.start :, box[1].start - columns.start :]

    if before is not None and before.serial == cells.after:
        change = numbers(cells, of, before.of)
        same = np.flatnonzero(change.same & many[: len(change.same)])
        deep[same] = before.inner[change.was[same]]
        unknown[same] = False
        depths = before.depths.after(inside, elsewhere(cells, change, before.of, of))
    else:
        depths = Depths.of(inside(whole(cells.label.shape)), quick=True)
    asked = unknown[of]
    if asked.any():
        every = np.ones(cells.label.shape, bool)
        found = told(cells.label, every, depths.px, asked, around(cells.box[asked]))
        np.maximum.at(deep, of, found.most)
    inner = np.where(many, np.maximum(rooms.inner, deep - line_px / 2), rooms.inner)
    return replace(rooms, inner=inner), Deep(cells.serial, of, deep, depths)


def rooted(parent: I64) -> I64:
    """Follow every parent to its root."""
    while True:
        further = parent[parent]
        if (further == parent).all():
            return parent
        parent = further


def joined(count: int, a: I64, b: I64) -> I64:
    """Return for each of ``count`` rooms the smallest room it hangs together with."""
    graph = coo_matrix((np.ones(len(a)), (a, b)), shape=(count, count))
    groups, group = connected_components(graph, directed=False)
    first = np.full(groups, count)
    np.minimum.at(first, group, np.arange(count))
    return np.asarray(first[group])
