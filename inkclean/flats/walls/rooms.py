"""Rooms between ink and every wall that might stand, and what lies between two rooms."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from inkclean.base.arrays import F32, F64, I32, I64, Bool
from inkclean.base.tiles import both
from inkclean.flats.nearest import grown
from inkclean.flats.rasters import depth, square, tally
from inkclean.flats.walls.joins import on_cubic

SIDEWAYS_PX = 5
BLACK = 3.0  # log-odds of a seam in a black
SURE = 2.0  # log-odds from which a line is surely a seam


@dataclass(frozen=True)
class Rooms:
    """Rooms between ink and walls, and the walls between rooms.

    ``label`` (H, W) int32, 1..N on paper, grown under ink and walls so that it is never 0;
    ``open_`` (H, W) bool: paper inside a room; ``wall`` (H, W) int32: number of the join + 1
    where one is laid across paper. Per room (index 0 unused): ``size`` px², ``inner`` radius px
    of the largest disc. Pairs: ``a``, ``b`` (E,) rooms that touch, ``drawn`` (E,) px of ink
    between them, ``line`` (E,) the sum over it of the log-odds of a seam, ``shaded`` (E,) how
    much of it is likelier no seam, but hatching, ``sure`` how much is surely one. Openings:
    ``pair`` (K,) index into pairs, ``join`` (K,), ``width`` (K,) px, ``seen`` (K,) the sum over
    it of the log-odds of a seam.
    """

    label: I32
    open_: Bool
    wall: I32
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
        """Number of rooms."""
        return len(self.size) - 1


def lay(shape: tuple[int, int], cubic: F64, order: I64) -> I32:
    """Draw cubics as lines one pixel wide, number + 1, in the order given (last on top)."""
    wall = np.zeros(shape, np.int32)
    if not len(order):
        return wall
    # as many points as the longest of a like length needs, so that a few long walls cost little
    length = np.abs(np.diff(cubic[order], axis=1)).sum(axis=(1, 2))
    grade = np.ceil(np.log2(np.maximum(length, 8.0)))
    rows, columns, numbers = [], [], []
    for step in np.unique(grade):
        of = order[grade == step]
        points = on_cubic(cubic[of], int(2 ** (step + 1)) + 8)
        rows.append(np.clip(np.floor(points[..., 1]).astype(int), 0, shape[0] - 1).ravel())
        columns.append(np.clip(np.floor(points[..., 0]).astype(int), 0, shape[1] - 1).ravel())
        numbers.append(np.repeat(of, points.shape[1]))
    rank = np.empty(len(cubic), np.int64)
    rank[order] = np.arange(len(order))
    number = np.concatenate(numbers)
    top = np.argsort(rank[number], kind="stable")
    wall[np.concatenate(rows)[top], np.concatenate(columns)[top]] = number[top] + 1
    return wall


def find_rooms(ink: Bool, wall: I32, seam: F32, black_px: float = np.inf) -> Rooms:
    """Label the rooms and measure the walls between them.

    ``seam`` (H, W): log-odds that a seam between areas runs at a pixel. Ink deeper than
    ``black_px`` is no stroke but a black: it hides the seam, and what it parts are two.
    """
    across = (wall > 0) & ~ink
    open_ = ~(ink | across)
    count, cells, stats, _ = cv2.connectedComponentsWithStats(
        open_.astype(np.uint8), connectivity=4
    )
    cell = np.asarray(cells, np.int32)
    (inner, deep), label = both(
        lambda: (_largest(cell, depth(~ink), count), depth(ink)), lambda: grown(cell)
    )
    a, b, where = touching(label)
    through = np.where(across, wall, np.int32(0))
    join = through.ravel()[where].max(axis=1)
    key = a * count + b
    pairs, index = np.unique(key, return_inverse=True)
    line = (join == 0).astype(float)
    # a wall across a gap may lie a little beside the seam that was seen
    beside = np.asarray(cv2.dilate(seam, square(SIDEWAYS_PX)), np.float32).ravel()[where]
    drawn = seam.ravel()[where].mean(axis=1)
    drawn[deep.ravel()[where].max(axis=1) > black_px] = BLACK
    odds = np.where(join == 0, drawn, beside.max(axis=1))
    opened = np.flatnonzero(join > 0)
    most = int(wall.max()) + 2
    key, at, times = np.unique(
        index[opened].astype(np.int64) * most + join[opened],
        return_inverse=True,
        return_counts=True,
    )
    return Rooms(
        label=label,
        open_=open_,
        wall=through,
        size=stats[:, cv2.CC_STAT_AREA].astype(float),
        inner=inner,
        a=pairs // count,
        b=pairs % count,
        drawn=tally(index, line, len(pairs)),
        line=tally(index, line * odds, len(pairs)),
        shaded=tally(index, line * (odds < 0), len(pairs)),
        sure=tally(index, line * (odds > SURE), len(pairs)),
        pair=key // most,
        join=key % most - 1,
        width=times.astype(float),
        seen=tally(at, odds[opened], len(key)),
    )


def _largest(cells: I32, deep: F32, count: int) -> F64:
    """Return the largest depth in each cell."""
    flat = cells.ravel()
    inner = np.zeros(count, np.float32)
    np.maximum.at(inner, flat, deep.ravel())
    inner[0] = 0
    return inner.astype(float)


def touching(label: I32) -> tuple[I64, I64, I64]:
    """Return the smaller and larger label of every pair of pixels that differ, and the pixels."""
    width = label.shape[1]
    across = np.flatnonzero(label[:, 1:] != label[:, :-1])
    across = across // (width - 1) * width + across % (width - 1)
    down = np.flatnonzero(label[1:] != label[:-1])
    where = np.concatenate(
        [np.stack([across, across + 1], axis=1), np.stack([down, down + width], axis=1)]
    )
    two = label.ravel()[where].astype(np.int64)
    return two.min(axis=1), two.max(axis=1), where


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
        label=root.astype(np.int32)[rooms.label],
        open_=rooms.open_,
        wall=rooms.wall,
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


def deepened(rooms: Rooms, root: I64, line_px: float) -> Rooms:
    """Return rooms grouped by ``root`` with the inner radius that those of many cells have.

    The strokes between cells of one room are inside it: it is as deep as its border is far,
    less half a line of ``line_px``, which is not its own.
    """
    many = tally(root, None, rooms.count + 1) > 1
    edge = np.zeros(rooms.label.shape, bool)
    edge[:, 1:] |= rooms.label[:, 1:] != rooms.label[:, :-1]
    edge[1:] |= rooms.label[1:] != rooms.label[:-1]
    deep = _largest(rooms.label, depth(~edge), rooms.count + 1) - line_px / 2
    return replace(rooms, inner=np.where(many, np.maximum(rooms.inner, deep), rooms.inner))


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
