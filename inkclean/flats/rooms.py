"""Rooms between ink and every wall that might stand, and what lies between two rooms."""

from __future__ import annotations

import heapq
from dataclasses import dataclass, replace
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from inkclean.arrays import F32, F64, I32, I64, Bool
from inkclean.flats.gaps import on_cubic
from inkclean.flats.rasters import depth, tally

HALF_LINE_MM = 0.2  # of the outline around a room that is hatched all over
SCRAP_MM2 = 4.0  # a scrap this small is not put to
LARGE_MM2 = 40.0  # a room this large for the little line between them
SOFT_WEIGHTS = np.array([1.8, 1.0, 0.7, 0.1, -1.2])


@dataclass(frozen=True)
class Rooms:
    """Rooms between ink and walls, and the walls between rooms.

    ``label`` (H, W) int32, 1..N on paper, grown under ink and walls so that it is never 0;
    ``open_`` (H, W) bool: paper inside a room; ``wall`` (H, W) int32: number of the join + 1
    where one is laid across paper. Per room (index 0 unused): ``size`` px², ``inner`` radius px
    of the largest disc. Pairs: ``a``, ``b`` (E,) rooms that touch, ``drawn`` (E,) px of ink
    between them, ``soft`` (E,) the sum over it of the log-odds that it is hatching,
    ``shaded`` (E,) how much of it is more likely hatching than not. Openings: ``pair`` (K,)
    index into pairs, ``join`` (K,), ``width`` (K,) px.
    """

    label: I32
    open_: Bool
    wall: I32
    size: F64
    inner: F64
    a: I64
    b: I64
    drawn: F64
    soft: F64
    shaded: F64
    pair: I64
    join: I64
    width: F64

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


_Label = TypeVar("_Label", np.int32, np.uint16)


def grown(label: NDArray[_Label]) -> NDArray[_Label]:
    """Return the map with every 0 given the label of the nearest pixel that has one."""
    bare = (label == 0).astype(np.uint8)
    if bare.all() or not bare.any():
        return label
    _, nearest = cv2.distanceTransformWithLabels(
        bare, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    table = np.zeros(int(nearest.max()) + 1, label.dtype)
    seeds = bare == 0
    table[nearest[seeds]] = label[seeds]
    return table[nearest]


def find_rooms(ink: Bool, wall: I32, likely: F32, scale: float) -> Rooms:
    """Label the rooms and measure the walls between them.

    ``likely`` (H, W): log-odds that the ink at a pixel is hatching.
    """
    across = (wall > 0) & ~ink
    open_ = ~(ink | across)
    count, cells, stats, _ = cv2.connectedComponentsWithStats(
        open_.astype(np.uint8), connectivity=4
    )
    inner = _largest(np.asarray(cells, np.int32), depth(~ink), count)
    label = grown(np.asarray(cells, np.int32))
    a, b, where = _touching(label)
    through = np.where(across, wall, 0).ravel()
    join = through[where].max(axis=1)
    key = a * count + b
    pairs, index = np.unique(key, return_inverse=True)
    drawn = tally(index, (join == 0).astype(float), len(pairs))
    line = (join == 0).astype(float)
    hatch = likely.ravel()[where].mean(axis=1)
    soft = tally(index, line * hatch, len(pairs))
    shaded = tally(index, line * (hatch > 0), len(pairs))
    opened = np.flatnonzero(join > 0)
    width_key, times = np.unique(
        index[opened].astype(np.int64) * (int(wall.max()) + 2) + join[opened], return_counts=True
    )
    size = stats[:, cv2.CC_STAT_AREA].astype(float)
    return Rooms(
        label,
        open_,
        np.where(across, wall, 0).astype(np.int32),
        size,
        inner,
        pairs // count,
        pairs % count,
        drawn,
        soft,
        shaded,
        width_key // (int(wall.max()) + 2),
        width_key % (int(wall.max()) + 2) - 1,
        times.astype(float),
    )


def _largest(cells: I32, deep: F32, count: int) -> F64:
    """Return the largest depth in each cell."""
    flat = cells.ravel()
    inner = np.zeros(count, np.float32)
    np.maximum.at(inner, flat, deep.ravel())
    inner[0] = 0
    return inner.astype(float)


def _touching(label: I32) -> tuple[I64, I64, I64]:
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
        root[rooms.label].astype(np.int32),
        rooms.open_,
        rooms.wall,
        size,
        inner,
        pairs[real] // n,
        pairs[real] % n,
        tally(index, rooms.drawn, len(pairs))[real],
        tally(index, rooms.soft, len(pairs))[real],
        tally(index, rooms.shaded, len(pairs))[real],
        keys // most,
        keys % most,
        tally(at, rooms.width[kept], len(keys)),
    )


def over_hatching(rooms: Rooms, scale: float, weights: F64) -> Rooms:
    """Merge rooms parted by nothing but strokes of hatching, the surest first.

    The drawn line between two rooms is judged as a whole, however many strokes it is made of,
    so that no stroke taken for hatching by mistake opens an outline by itself.
    """
    n = rooms.count + 1
    size = rooms.size / scale**2
    walls: list[dict[int, F64]] = [{} for _ in range(n)]
    opened = tally(rooms.pair, rooms.width, len(rooms.a))
    figures = np.column_stack([rooms.drawn, opened, rooms.soft, rooms.shaded]) / scale
    for a, b, w in zip(rooms.a.tolist(), rooms.b.tolist(), figures, strict=True):
        walls[a][b] = walls[b][a] = w

    def score(a: int, b: int) -> float:
        if walls[a][b][1] > walls[a][b][0]:
            return -np.inf  # more opening than line: for the joins to decide
        small, large = sorted((float(size[a]), float(size[b])))
        if small < SCRAP_MM2 and large > LARGE_MM2:
            return -np.inf  # too little of its wall is seen yet: others first, or absorb()
        return float(np.dot(softness(walls[a][b], small), weights))

    heap = [(-score(a, b), a, b) for a in range(n) for b in walls[a] if a < b]
    heap = [entry for entry in heap if entry[0] < 0]
    heapq.heapify(heap)
    parent = np.arange(n)
    while heap:
        was, a, b = heapq.heappop(heap)
        if b not in walls[a] or -score(min(a, b), max(a, b)) != was:
            continue
        if len(walls[a]) < len(walls[b]):
            a, b = b, a
        parent[b] = a
        size[a] += size[b]
        for c, w in walls[b].items():
            del walls[c][b]
            if c != a:
                mine = walls[a][c] + w if c in walls[a] else w
                walls[a][c] = walls[c][a] = mine
        walls[b] = {}
        for c in walls[a]:
            now = score(min(a, c), max(a, c))
            if now > 0:
                heapq.heappush(heap, (-now, min(a, c), max(a, c)))
    root = rooted(parent)
    return replace(regrouped(rooms, root), inner=_widened(rooms, root, scale))


def _widened(rooms: Rooms, root: I64, scale: float) -> F64:
    """Return the inner radius of the merged rooms: hatching inside them takes no room away."""
    n = rooms.count + 1
    label = root[rooms.label]
    clear = np.ones(label.shape, bool)
    clear[:, 1:] &= label[:, 1:] == label[:, :-1]
    clear[1:] &= label[1:] == label[:-1]
    inner = np.zeros(n)
    np.maximum.at(inner, root, rooms.inner)
    shaded = np.bincount(root, minlength=n) > 1
    within = _largest(label.astype(np.int32), depth(clear), n) - HALF_LINE_MM * scale
    return np.where(shaded, np.maximum(inner, within), inner)


SOFT_FEATURES = ("one", "odds", "share", "length", "small")


def softness(wall: F64, small: float) -> list[float]:
    """Return the figures of a wall that tell strokes of hatching; see SOFT_FEATURES.

    ``wall`` is the drawn length, the width of openings, the sum of odds and the length more
    likely hatching, in mm, as in :class:`Rooms`; ``small`` the smaller room in mm².
    """
    drawn, _, odds, shaded = wall.tolist()
    line = max(drawn, 1e-6)
    return [
        1.0,
        odds / line,
        shaded / line,
        float(np.log(drawn + 0.3)),
        float(np.log(min(small, 10.0) + 0.1)),
    ]


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
