"""Exact area coverage of polygons on a grid of pixels.

Every edge adds its signed area to the pixels it crosses and a running sum along each row
completes the fill, so that a pixel's value is the share of it that the polygon covers: no
supersampling, no bias at the edge. The principle (cells of cover and area, summed along the
scan line) is that of anti-aliased font rasterisers; the code is whole-array numpy.
"""

from __future__ import annotations

import numpy as np

from inkclean.base.arrays import F32, F64, I64, offsets_of


def join(polygons: list[F64]) -> tuple[F64, I64]:
    """Return all polygons as flat points (P, 2) and offsets (N + 1,)."""
    sizes = np.array([len(p) for p in polygons], np.int64)
    offsets = offsets_of(sizes)
    points = np.concatenate(polygons) if polygons else np.zeros((0, 2))
    return points.astype(np.float64, copy=False), offsets


def areas(points: F64, offsets: I64) -> F64:
    """Signed area of each closed polygon (positive: clockwise on the screen, y down)."""
    nxt = _successor(offsets)
    cross = points[:, 0] * points[nxt, 1] - points[nxt, 0] * points[:, 1]
    return np.asarray(np.add.reduceat(cross, offsets[:-1]) / 2.0, np.float64)


def coverage(points: F64, offsets: I64, shape: tuple[int, int]) -> F32:
    """Return the area coverage (H, W), 0..1, of polygons in continuous pixel coordinates.

    ``points`` (P, 2) and ``offsets`` (N + 1,) hold closed polygons, each filled whatever its
    orientation; where polygons overlap the coverages add up to at most 1, which is exact
    except in pixels crossed by two overlapping edges. What lies outside the grid is cut off.
    """
    height, width = shape
    acc = np.zeros(height * (width + 2), np.float32)
    if len(offsets) > 1:
        sign = np.repeat(np.sign(areas(points, offsets)), np.diff(offsets))
        nxt = _successor(offsets)
        _accumulate(acc, points, points[nxt], sign, height, width)
    grid = acc.reshape(height, width + 2)
    np.cumsum(grid, axis=1, out=grid)
    filled = np.ascontiguousarray(grid[:, :width])
    return np.asarray(np.clip(filled, 0.0, 1.0, out=filled), np.float32)


def _successor(offsets: I64) -> I64:
    nxt = np.arange(1, offsets[-1] + 1, dtype=np.int64)
    nxt[offsets[1:] - 1] = offsets[:-1]
    return nxt


def _accumulate(acc: F32, start: F64, end: F64, sign: F64, height: int, width: int) -> None:
    x0, y0 = start.T
    x1, y1 = end.T
    # walking down (y growing) along a positively oriented polygon ink lies to the left
    sign = np.where(y1 > y0, -sign, sign)
    flip = y1 < y0
    x0, x1 = np.where(flip, x1, x0), np.where(flip, x0, x1)
    y0, y1 = np.where(flip, y1, y0), np.where(flip, y0, y1)
    keep = (y1 > 0) & (y0 < height) & (y1 > y0) & (np.minimum(x0, x1) < width)
    x0, y0, x1, y1, sign = x0[keep], y0[keep], x1[keep], y1[keep], sign[keep]
    slope = (x1 - x0) / (y1 - y0)
    top, bottom = np.maximum(y0, 0.0), np.minimum(y1, float(height))
    first = np.floor(top).astype(np.int64)
    count = np.maximum(np.ceil(bottom).astype(np.int64) - first, 1)
    edge, step = _expand(count)
    row = first[edge] + step
    ya = np.maximum(top[edge], row)
    yb = np.minimum(bottom[edge], row + 1)
    xa = np.clip(x0[edge] + (ya - y0[edge]) * slope[edge], 0.0, width)
    xb = np.clip(x0[edge] + (yb - y0[edge]) * slope[edge], 0.0, width)
    amount = (yb - ya) * sign[edge]
    _spread(acc, row * (width + 2), np.minimum(xa, xb), np.maximum(xa, xb), amount)


def _spread(acc: F32, base: I64, left: F64, right: F64, amount: F64) -> None:
    """Share pieces that stay in one row among the pixels they cross."""
    first = np.floor(left).astype(np.int64)
    count = np.maximum(np.ceil(right).astype(np.int64) - first, 1)
    wide = count > 1
    piece, step = _expand(count[wide])
    column = first[wide][piece] + step
    la, ra = left[wide][piece], right[wide][piece]
    lo, hi = np.maximum(la, column), np.minimum(ra, column + 1)
    part = amount[wide][piece] * (hi - lo) / (ra - la)
    _deposit(acc, base[wide][piece] + column, (lo + hi) / 2 - column, part)
    one = ~wide
    _deposit(acc, base[one] + first[one], (left[one] + right[one]) / 2 - first[one], amount[one])


def _deposit(acc: F32, cell: I64, inside: F64, amount: F64) -> None:
    np.add.at(acc, cell, (amount * (1.0 - inside)).astype(np.float32))
    np.add.at(acc, cell + 1, (amount * inside).astype(np.float32))


def _expand(count: I64) -> tuple[I64, I64]:
    """Return for each unit of ``count`` its owner's index and its rank there."""
    owner = np.repeat(np.arange(len(count), dtype=np.int64), count)
    starts = np.cumsum(count) - count
    return owner, np.arange(len(owner), dtype=np.int64) - starts[owner]
