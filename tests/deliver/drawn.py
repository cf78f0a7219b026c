"""Curves of known shape for the tests of print files."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from inkclean.base.arrays import F64
from inkclean.curves.values import Curves

# four cubics for a circle, the standard handle length
_K = 0.5522847498


def ring(x: float, y: float, r: float) -> F64:
    """Return a disc's outline, (4, 4, 2), clockwise on the screen."""
    unit = np.array([[1, 0], [1, _K], [_K, 1], [0, 1]], np.float64)
    turned = [unit]
    for _ in range(3):
        turned.append(np.stack([-turned[-1][:, 1], turned[-1][:, 0]], 1))
    loop: F64 = np.stack(turned) * r + np.array([x, y])
    loop[:-1, 3] = loop[1:, 0]
    loop[-1, 3] = loop[0, 0]
    return loop


def polygon(points: Sequence[tuple[float, float]]) -> F64:
    """Return straight sides as cubics, (N, 4, 2), turned to run clockwise on the screen."""
    p = np.asarray(points, np.float64)
    q = np.roll(p, -1, 0)
    if (p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]).sum() < 0:
        p = p[::-1]
        q = np.roll(p, -1, 0)
    return np.stack([p, p + (q - p) / 3, p + (q - p) * 2 / 3, q], 1)


def box(x: float, y: float, width: float, height: float) -> F64:
    """Return a rectangle's outline."""
    return polygon([(x, y), (x + width, y), (x + width, y + height), (x, y + height)])


def line(x0: float, y0: float, x1: float, y1: float, width: float) -> F64:
    """Return a straight line of even width, its ends cut square."""
    start, end = np.array([x0, y0]), np.array([x1, y1])
    along = (end - start) / np.hypot(*(end - start))
    side = np.array([-along[1], along[0]]) * width / 2
    return polygon([tuple(p) for p in (start - side, end - side, end + side, start + side)])


def hole(loop: F64) -> F64:
    """Return the loop run the other way."""
    return np.ascontiguousarray(loop[::-1, ::-1])


def curves(shapes: Sequence[Sequence[F64]], width: float, height: float) -> Curves:
    """Return shapes, each an outer loop and its holes, as the curves of a sheet in mm."""
    loops = [loop for shape in shapes for loop in shape]
    counts = [len(loop) for loop in loops]
    total = sum(counts)
    return Curves(
        cubics=np.concatenate(loops) if loops else np.zeros((0, 4, 2)),
        loops=np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        shape=np.repeat(np.arange(len(shapes)), [len(s) for s in shapes]).astype(np.int32),
        hole=np.array([i > 0 for s in shapes for i in range(len(s))], np.bool_),
        corner=np.zeros(total, np.bool_),
        straight=np.zeros(total, np.bool_),
        width_mm=width,
        height_mm=height,
    )


def page(width: float = 60.0, height: float = 80.0) -> Curves:
    """Return a small page: ruled panel, disc with a hole, star, hatching at many angles."""
    w, h = width, height
    star = [
        (w / 2 + r * np.sin(a), h * 0.28 - r * np.cos(a))
        for a, r in zip(np.arange(10) * np.pi / 5, [9.0, 3.6] * 5, strict=True)
    ]
    centre = (w * 0.33, h * 0.68)
    shapes: list[list[F64]] = [
        [box(4, 4, w - 8, h - 8), hole(box(4.8, 4.8, w - 9.6, h - 9.6))],
        [polygon(star)],
        [ring(*centre, 9.0), hole(ring(*centre, 6.5))],
        [ring(*centre, 2.0)],
    ]
    for step in range(8):
        angle = step * np.pi / 8
        x, y = w * 0.62 + 2.4 * step, h * 0.7
        dx, dy = 5 * np.cos(angle), 5 * np.sin(angle)
        shapes.append([line(x - dx / 3, y - dy, x + dx / 3, y + dy, 0.15 + 0.05 * step)])
    return curves(shapes, w, h)
