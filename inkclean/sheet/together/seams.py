"""Where one photo ends and the next begins: along paper, not across ink.

A photo for each cell, so that what each cell costs and what the joins cross is least: graph cuts
as in Kwatra and others, "Graphcut textures", SIGGRAPH 2003, for more than two by expanding one
after another (Boykov, Veksler, Zabih, *IEEE TPAMI* 23(11), 2001); a join of two is the cheapest
path of Efros and Freeman, SIGGRAPH 2001, found in both directions at once.
"""

from __future__ import annotations

import numpy as np

from inkclean.base.arrays import F32, I64, U8, Bool

NONE = 255
LENGTH = 0.06  # what a cell's side of join costs on blank paper,
INK = 4.0  # and more for each share of it that is ink
REACH = 2  # px on each side of a join that count
_UNITS = 2000  # whole numbers to a unit of cost
_MOST = 80.0  # of one cost


def cut(cost: F32, ink: F32, part: float) -> U8:
    """Return (h, w) uint8: the photo to be shown in each cell, 255 where none reaches.

    ``cost`` is (K, h, w), inf where a photo does not reach; ``ink`` the canvas's ink, ``part`` px
    to a cell, 1 = paper.
    """
    count, high, wide = cost.shape
    reached = np.isfinite(cost)
    labels = np.where(reached, cost, 1e9).argmin(axis=0)
    across, down = crossing(ink, part, (high, wide))
    rounds = 1 if count == 2 else 2
    if count > 1:
        for _ in range(rounds):
            before = labels.copy()
            for photo in range(count):
                labels = _expanded(labels, photo, cost, across, down)
            if (labels == before).all():
                break
    out: U8 = labels.astype(np.uint8)
    out[~reached.any(axis=0)] = NONE
    return out


def crossing(ink: F32, part: float, shape: tuple[int, int]) -> tuple[F32, F32]:
    """Return what a join costs between each cell and its right, and its lower neighbour."""
    dark = np.float32(1.0) - np.clip(ink, 0, 1)
    size = round(shape[1] * part), round(shape[0] * part)
    padded = np.zeros((size[1] + round(part), size[0] + round(part)), np.float32)
    high, wide = min(dark.shape[0], size[1]), min(dark.shape[1], size[0])
    padded[:high, :wide] = dark[:high, :wide]
    sums = np.pad(padded.astype(np.float64), ((1, 0), (1, 0))).cumsum(axis=0).cumsum(axis=1)

    def box(top: I64, bottom: I64, left: I64, right: I64) -> F32:
        total = (
            sums[np.ix_(bottom, right)]
            - sums[np.ix_(top, right)]
            - sums[np.ix_(bottom, left)]
            + sums[np.ix_(top, left)]
        )
        area = (bottom - top)[:, None] * (right - left)[None]
        return np.asarray(total / np.maximum(area, 1), np.float32)

    rows = np.round(np.arange(shape[0] + 1) * part).astype(np.int64)
    columns = np.round(np.arange(shape[1] + 1) * part).astype(np.int64)
    across = box(rows[:-1], rows[1:], columns[1:-1] - REACH, columns[1:-1] + REACH)
    down = box(rows[1:-1] - REACH, rows[1:-1] + REACH, columns[:-1], columns[1:])
    return LENGTH + INK * across, LENGTH + INK * down


def _expanded(labels: I64, photo: int, cost: F32, across: F32, down: F32) -> I64:
    """Return the labels after ``photo`` took what is cheaper to have from it."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import breadth_first_order, maximum_flow

    high, wide = labels.shape
    stay = np.take_along_axis(cost, labels[None], axis=0)[0]
    take = cost[photo]
    nobody = ~np.isfinite(stay)
    stay = np.where(np.isfinite(stay), np.minimum(stay, _MOST), 0.0)
    take = np.where(np.isfinite(take), np.minimum(take, _MOST), np.where(nobody, 0.0, 1e4))
    number = np.arange(high * wide).reshape(high, wide)
    one_way: list[tuple[I64, I64, F32]] = []
    for first, second, weight in (
        ((slice(None), slice(None, -1)), (slice(None), slice(1, None)), across),
        ((slice(None, -1), slice(None)), (slice(1, None), slice(None)), down),
    ):
        p, q = labels[first], labels[second]
        both, left, right = weight * (p != q), weight * (p != photo), weight * (q != photo)
        # E(stay, stay) = both, (stay, take) = left, (take, stay) = right, (take, take) = 0
        take[first] = take[first] + np.maximum(right - both, 0)
        stay[first] = stay[first] + np.maximum(both - right, 0)
        stay[second] = stay[second] + right
        one_way.append(
            (number[first].ravel(), number[second].ravel(), (left + right - both).ravel())
        )
    source, sink = high * wide, high * wide + 1
    flat = number.ravel()
    least = np.minimum(stay, take)
    ends = [
        (np.full(flat.size, source), flat, (take - least).ravel()),
        (flat, np.full(flat.size, sink), (stay - least).ravel()),
    ]
    rows, columns, values = (np.concatenate([part[k] for part in one_way + ends]) for k in range(3))
    whole = np.minimum(np.rint(values * _UNITS), 2**27).astype(np.int32)
    kept = whole > 0
    size = high * wide + 2
    graph = coo_matrix((whole[kept], (rows[kept], columns[kept])), shape=(size, size)).tocsr()
    flow = maximum_flow(graph, source, sink).flow
    left_over = graph - flow
    left_over.data = np.maximum(left_over.data, 0)
    left_over.eliminate_zeros()
    reached = breadth_first_order(left_over, source, return_predecessors=False)
    stays: Bool = np.zeros(size, np.bool_)
    stays[reached] = True
    taken = ~stays[: high * wide].reshape(high, wide) & np.isfinite(cost[photo])
    return np.where(taken, photo, labels)
