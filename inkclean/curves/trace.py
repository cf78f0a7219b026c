"""From coverage to curves."""

from __future__ import annotations

import numpy as np

from inkclean.arrays import F32, F64, Bool
from inkclean.curves.corners import restore_corners
from inkclean.curves.edges import find_edges
from inkclean.curves.fit import Spans, fit_runs
from inkclean.curves.outline import Outline, Runs, lay_out
from inkclean.curves.values import Curves

_ROOM_SHARE = 0.4
"""Both sides of a thin line or gap may stray by this share of its width and still not meet."""
_LEAST_PX = 0.05
"""No curve is asked to lie closer than the edge itself is known."""


def trace(coverage: F32, px_per_mm: float, within_mm: float = 0.02) -> Curves:
    """Return the outlines of the ink as the fewest cubics that stay close to its edge.

    ``coverage`` is (H, W), 0..1. No curve strays further than ``within_mm`` from the edge at
    its sub-pixel place, corners restored; beside thin lines and gaps less, so that two sides
    never cross.
    """
    height, width = coverage.shape
    outline = restore_corners(find_edges(np.ascontiguousarray(coverage, np.float32)))
    size = (width / px_per_mm, height / px_per_mm)
    if outline.points.size == 0:
        return _nothing(*size)
    tolerance = np.clip(_ROOM_SHARE * outline.room, _LEAST_PX, within_mm * px_per_mm)
    runs, spans = fit_runs(lay_out(outline, tolerance.astype(np.float32)))
    return _curves(outline, runs, spans, px_per_mm, *size)


def _curves(
    outline: Outline, runs: Runs, spans: Spans, px_per_mm: float, width: float, height: float
) -> Curves:
    cubics, straight = control_points(runs, spans)
    ends = np.searchsorted(spans.first, runs.last)
    loops = np.concatenate(([0], ends)).astype(np.int64)
    return Curves(
        cubics=cubics / px_per_mm,
        loops=loops,
        shape=outline.shape,
        hole=outline.hole,
        corner=runs.corner[spans.first],
        straight=straight,
        width_mm=width,
        height_mm=height,
    )


def control_points(runs: Runs, spans: Spans) -> tuple[F64, Bool]:
    """Cubics (S, 4, 2) in px, and which of them are exact lines."""
    p0 = runs.points[:, spans.first].T
    p3 = runs.points[:, spans.last].T
    p1 = p0 + spans.inner[:, :1] * spans.start.T
    p2 = p3 - spans.inner[:, 1:] * spans.end.T
    straight = spans.last - spans.first == 1
    straight &= runs.line[spans.first] | (runs.corner[spans.first] & runs.corner[spans.last])
    third = (p3 - p0) / 3.0
    p1 = np.where(straight[:, None], p0 + third, p1)
    p2 = np.where(straight[:, None], p3 - third, p2)
    return np.stack((p0, p1, p2, p3), axis=1), straight


def _nothing(width: float, height: float) -> Curves:
    none = np.zeros(0, np.bool_)
    return Curves(
        np.zeros((0, 4, 2)),
        np.zeros(1, np.int64),
        np.zeros(0, np.int32),
        none,
        none,
        none,
        width,
        height,
    )
