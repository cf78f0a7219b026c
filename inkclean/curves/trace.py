"""From coverage to curves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inkclean.arrays import F32, F64, I64, Bool
from inkclean.curves.corners import restore_corners
from inkclean.curves.edges import find_edges
from inkclean.curves.fit import Spans, fit_runs
from inkclean.curves.outline import Outline, Runs, lay_out, without
from inkclean.curves.ovals import Ovals, find_ovals
from inkclean.curves.settle import settle
from inkclean.curves.straights import rule_lines
from inkclean.curves.values import Curves

_ROOM_SHARE = 0.4
"""Both sides of a thin line or gap may stray by this share of its width and still not meet."""
_FINE_PX = 0.12
"""Where the edge is known this well, the curves use it: looser costs more than it saves."""
_FINE_SHARE = 0.5
"""But no closer than this share of what was asked: who asks for less wants fewer nodes."""
_NOISES = 3.0
"""Nothing of the edge's own noise beyond this many deviations is worth a node."""
_SETTLED = 0.35
"""Smoothing may use this share of the tolerance."""
_LEAST_PX = 0.05
"""No curve is asked to lie closer than the edge itself is known."""


def trace(coverage: F32, px_per_mm: float, within_mm: float = 0.02, blur_px: float = 0.0) -> Curves:
    """Return the outlines of the ink as the fewest cubics that stay close to its edge.

    ``coverage`` is (H, W), 0..1. No curve strays further than ``within_mm`` from the edge at
    its sub-pixel place, corners restored; beside thin lines and gaps less, so that two sides
    never cross.
    """
    height, width = coverage.shape
    coverage = np.ascontiguousarray(coverage, np.float32)
    edges = find_edges(coverage)
    within = within_mm * px_per_mm
    restored = restore_corners(edges, coverage)
    outline = settle(restored, edges.noise, blur_px, _SETTLED * within)
    size = (width / px_per_mm, height / px_per_mm)
    if outline.points.size == 0:
        return _curves(
            outline, find_ovals(outline, np.zeros(0, np.float32)), _Pieces.none(), px_per_mm, *size
        )
    closest = max(_FINE_PX + _NOISES * edges.noise, _FINE_SHARE * within)
    # Smoothing is part of the promise; what blur had moved, and is put back, is not.
    moved = outline.points - settle(restored, 0.0, blur_px, 0.0).points
    allowed = np.minimum(within - np.hypot(moved[:, 0], moved[:, 1]), closest)
    tolerance = np.minimum(np.maximum(_ROOM_SHARE * outline.room, _LEAST_PX), allowed)
    tolerance = tolerance.astype(np.float32)
    ovals = find_ovals(outline, tolerance)
    rest, rest_tolerance = without(outline, tolerance, ovals.which)
    if rest.points.size == 0:
        return _curves(outline, ovals, _Pieces.none(), px_per_mm, *size)
    runs, spans = fit_runs(rule_lines(lay_out(rest, rest_tolerance), edges.noise))
    cubics, straight = control_points(runs, spans)
    ends = np.searchsorted(spans.first, runs.last)
    pieces = _Pieces(cubics, np.diff(ends, prepend=0), runs.corner[spans.first], straight)
    return _curves(outline, ovals, pieces, px_per_mm, *size)


@dataclass(frozen=True)
class _Pieces:
    """Fitted cubics (S, 4, 2) px, how many each loop has (L,), flags (S,)."""

    cubics: F64
    counts: I64
    corner: Bool
    straight: Bool

    @staticmethod
    def none() -> _Pieces:
        flags = np.zeros(0, np.bool_)
        return _Pieces(np.zeros((0, 4, 2)), np.zeros(0, np.int64), flags, flags)


def _curves(
    outline: Outline, ovals: Ovals, pieces: _Pieces, px_per_mm: float, width: float, height: float
) -> Curves:
    """Put ovals and fitted loops together in the order of the outline's loops."""
    counts = np.empty(outline.loops.size - 1, np.int64)
    counts[ovals.which], counts[~ovals.which] = ovals.counts, pieces.counts
    total = int(counts.sum())
    oval = np.repeat(ovals.which, counts)
    cubics = np.empty((total, 4, 2))
    corner, straight = np.zeros(total, np.bool_), np.zeros(total, np.bool_)
    cubics[oval], cubics[~oval] = ovals.cubics, pieces.cubics
    corner[~oval], straight[~oval] = pieces.corner, pieces.straight
    return Curves(
        cubics=cubics / px_per_mm,
        loops=np.concatenate(([0], np.cumsum(counts))),
        shape=outline.shape,
        hole=outline.hole,
        corner=corner,
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
