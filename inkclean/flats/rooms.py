"""Rooms between ink and every wall that might stand, and what lies between two rooms."""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from inkclean.arrays import F32, F64, I32, I64, Bool
from inkclean.flats.gaps import on_cubic
from inkclean.flats.rasters import depth, tally

LEAST_SOFT = 0.5  # share of a wall beside hatching below which it is outline
CELL_INNER_MM = 0.6  # a cell of cross-hatching holds no larger disc
CELL_MM2 = 4.0  # and is no larger than this
SCRAP_TO_MM2 = 40.0  # rooms larger than this take no scraps over soft lines
CELLS = 6  # so many side by side are a texture
SOFT_WEIGHTS = np.array(
    [
        -0.239,
        0.373,
        -5.114,
        0.439,
        -2.137,
        -1.879,
        -0.856,
        0.895,
        1.529,
    ]
)


@dataclass(frozen=True)
class Rooms:
    """Rooms between ink and walls, and the walls between rooms.

    ``label`` (H, W) int32, 1..N on paper, grown under ink and walls so that it is never 0;
    ``open_`` (H, W) bool: paper inside a room; ``wall`` (H, W) int32: number of the join + 1
    where one is laid across paper. Per room (index 0 unused): ``size`` px², ``inner`` radius px
    of the largest disc. Pairs: ``a``, ``b`` (E,) rooms that touch, ``drawn`` (E,) px of ink
    between them, ``soft`` (E,) how much of that is beside hatching,
    ``broad`` (E,) the sum of half the line's width, px, over it,
    ``spread`` (E, 6) the sums of 1, x, y, x², xy, y² over it, in mm. Openings: ``pair`` (K,)
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
    broad: F64
    spread: F64
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


def find_rooms(ink: Bool, wall: I32, beside: Bool, scale: float) -> Rooms:
    """Label the rooms and measure the walls between them."""
    across = (wall > 0) & ~ink
    open_ = ~(ink | across)
    count, cells, stats, _ = cv2.connectedComponentsWithStats(
        open_.astype(np.uint8), connectivity=4
    )
    inner = _largest(np.asarray(cells, np.int32), depth(~ink), count)
    label = grown(np.asarray(cells, np.int32))
    broad_of = depth(ink)
    a, b, where = _touching(label)
    through = np.where(across, wall, 0).ravel()
    join = through[where].max(axis=1)
    key = a * count + b
    pairs, index = np.unique(key, return_inverse=True)
    drawn = tally(index, (join == 0).astype(float), len(pairs))
    near = (join == 0) & beside.ravel()[where].any(axis=1)
    soft = tally(index, near.astype(float), len(pairs))
    broad = tally(index, (join == 0) * broad_of.ravel()[where[:, 0]], len(pairs))
    x, y = where[:, 0] % label.shape[1] / scale, where[:, 0] // label.shape[1] / scale
    line = (join == 0).astype(float)
    spread = np.stack(
        [tally(index, line * v, len(pairs)) for v in (1, x, y, x * x, x * y, y * y)], axis=1
    )
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
        broad,
        spread,
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
        tally(index, rooms.broad, len(pairs))[real],
        np.stack([tally(index, v, len(pairs))[real] for v in rooms.spread.T], axis=1),
        keys // most,
        keys % most,
        tally(at, rooms.width[kept], len(keys)),
    )


def meshed(rooms: Rooms, scale: float) -> Rooms:
    """Merge the cells of cross-hatching: many tiny rooms side by side are one texture."""
    n = rooms.count + 1
    tiny = (rooms.inner < CELL_INNER_MM * scale) & (rooms.size < CELL_MM2 * scale**2)
    both = tiny[rooms.a] & tiny[rooms.b]
    root = joined(n, rooms.a[both], rooms.b[both])
    members = tally(root[tiny], None, n)
    keep = members[root] >= CELLS
    return regrouped(rooms, np.where(keep, root, np.arange(n)))


SOFT_FEATURES = ("one", "soft", "bent", "length", "thin", "thin_soft", "small", "tiny", "plain")


def over_hatching(rooms: Rooms, scale: float, weights: F64) -> Rooms:
    """Merge rooms parted by nothing but the outermost stroke of a family, the surest first.

    The line between them must be soft nearly all along, straight, and no broader than others:
    an outline beside hatching goes on past it, a stroke of the family is all there is between
    its two sides.
    """
    n = rooms.count + 1
    usual = float(rooms.broad.sum() / max(1.0, rooms.drawn.sum()))
    edge = rooms.drawn + tally(rooms.pair, rooms.width, len(rooms.a))
    walls: list[dict[int, F64]] = [{} for _ in range(n)]
    size = rooms.size / scale**2
    figures = np.column_stack([rooms.soft, edge, rooms.broad, rooms.spread])
    for a, b, w in zip(rooms.a.tolist(), rooms.b.tolist(), figures, strict=True):
        walls[a][b] = walls[b][a] = w

    def score(a: int, b: int) -> float:
        wall = walls[a][b]
        if wall[0] < LEAST_SOFT * wall[1] or wall[3] < 4:
            return -np.inf
        small = min(float(size[a]), float(size[b]))
        if small < CELL_MM2 and max(float(size[a]), float(size[b])) > SCRAP_TO_MM2:
            return -np.inf  # a scrap beside a large room tells nothing: see absorb()
        return float(np.dot(softness(wall, small, usual, scale), weights))

    heap = [(-score(a, b), a, b) for a in range(n) for b in walls[a] if a < b]
    heap = [entry for entry in heap if entry[0] < 0]
    heapq.heapify(heap)
    parent = np.arange(n)
    while heap:
        was, a, b = heapq.heappop(heap)
        if b not in walls[a] or -score(a, b) != was:
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
    return regrouped(rooms, rooted(parent))


def softness(wall: F64, small: float, usual: float, scale: float) -> list[float]:
    """Return the figures of a wall that tell a stroke of hatching; see SOFT_FEATURES.

    ``wall`` is soft, edge, broad and the spread of :class:`Rooms`; ``small`` the smaller room
    in mm²; ``usual`` half the width of the page's lines in px.
    """
    soft, edge, broad, n, x, y, xx, xy, yy = wall.tolist()
    xx, xy, yy = xx / n - (x / n) ** 2, xy / n - x * y / n**2, yy / n - (y / n) ** 2
    root = float(np.sqrt(max(0.0, ((xx - yy) / 2) ** 2 + xy**2)))
    across = float(np.sqrt(max(0.0, (xx + yy) / 2 - root)))
    along = float(np.sqrt(max(1e-9, (xx + yy) / 2 + root)))
    share, thin = soft / edge, broad / n / max(usual, 1e-6) - 1
    return [
        1.0,
        share,
        min(max(0.0, across - 0.08) / along, 0.5),
        float(np.log(n / scale + 0.5)),
        thin,
        thin * share,
        float(np.log(min(small, 10.0) + 0.1)),
        float(small < CELL_MM2),
        float(share > 0.93 and across < 0.1 and n > 5 * scale),
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
