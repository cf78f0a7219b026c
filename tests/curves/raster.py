"""Exact area coverage of outlines, by another route than the package: the tests' own truth."""

from __future__ import annotations

import numpy as np

from inkclean.base.arrays import F32, F64


def coverage_of(outlines: list[F64], height: int, width: int) -> F32:
    """Area coverage (H, W) of closed polylines (N, 2) px that do not overlap one another.

    Outer ones run clockwise on the screen, holes the other way: each pixel gets the signed
    area under the pieces of outline in it, and the run of the sum carries it to the right.
    """
    start = np.concatenate([np.asarray(o, np.float64) for o in outlines])
    end = np.concatenate([np.roll(np.asarray(o, np.float64), -1, axis=0) for o in outlines])
    first, second = _split(*_split(start, end, 0), 1)
    middle = (first + second) / 2.0
    row = np.floor(middle[:, 1]).astype(np.int64)
    column = np.clip(np.floor(middle[:, 0]), -1, width).astype(np.int64)
    rise = first[:, 1] - second[:, 1]
    inside = (row >= 0) & (row < height)
    row, column, rise = row[inside], column[inside], rise[inside]
    across = np.clip(middle[inside, 0] - column, 0.0, 1.0)
    across[column < 0] = 1.0
    sums = np.zeros(height * (width + 3))
    at = row * (width + 3) + column + 1
    sums += np.bincount(at, rise * (1.0 - across), sums.size)
    sums += np.bincount(at + 1, rise * across, sums.size)
    area = np.cumsum(sums.reshape(height, width + 3), axis=1)[:, 1 : width + 1]
    return np.clip(area, 0.0, 1.0).astype(np.float32)


def _split(start: F64, end: F64, axis: int) -> tuple[F64, F64]:
    """Cut every piece at the whole numbers it passes on ``axis``."""
    low = np.minimum(start[:, axis], end[:, axis])
    high = np.maximum(start[:, axis], end[:, axis])
    first = np.floor(low) + 1.0
    count = np.maximum(np.ceil(high) - first, 0.0).astype(np.int64)
    piece = np.repeat(np.arange(low.size), count)
    nth = np.arange(piece.size) - np.repeat(np.cumsum(count) - count, count)
    span = np.where(end[:, axis] == start[:, axis], 1.0, end[:, axis] - start[:, axis])
    at = (first[piece] + nth - start[piece, axis]) / span[piece]
    ids = np.concatenate((np.arange(low.size), piece, np.arange(low.size)))
    times = np.concatenate((np.zeros(low.size), np.clip(at, 0.0, 1.0), np.ones(low.size)))
    order = np.lexsort((times, ids))
    ids, times = ids[order], times[order]
    same = ids[1:] == ids[:-1]
    a, b = times[:-1][same, None], times[1:][same, None]
    own = ids[1:][same]
    step = end[own] - start[own]
    return start[own] + a * step, start[own] + b * step


def circle(cx: float, cy: float, radius: float, points: int = 2000, hole: bool = False) -> F64:
    """A polygon whose area is the circle's."""
    angle = np.linspace(0.0, 2.0 * np.pi, points, endpoint=False)
    even = np.sqrt((2 * np.pi / points) / np.sin(2 * np.pi / points)) * radius
    outline = np.stack((cx + even * np.cos(angle), cy + even * np.sin(angle)), axis=1)
    return np.asarray(outline[::-1] if hole else outline)


def flatten(cubics: F64, steps: int = 32) -> F64:
    """Points (S * steps, 2) along cubics (S, 4, 2), ends not repeated."""
    t = np.arange(steps)[:, None] / steps
    basis = np.hstack(((1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t * t * (1 - t), t**3))
    points = np.einsum("tk,skd->std", basis, cubics)
    return np.asarray(points, np.float64).reshape(-1, 2)


def distance_to_outline(points: F64, outline: F64, chunk: int = 256) -> F64:
    """Distance of each of ``points`` to the closed polyline ``outline``."""
    a = outline
    step = np.roll(outline, -1, axis=0) - a
    length = np.maximum((step**2).sum(1), 1e-18)
    nearest = np.empty(len(points))
    for at in range(0, len(points), chunk):
        offset = points[at : at + chunk, None] - a
        t = np.clip((offset * step).sum(2) / length, 0.0, 1.0)
        gap = offset - t[..., None] * step
        nearest[at : at + chunk] = np.sqrt((gap**2).sum(2).min(1))
    return nearest
