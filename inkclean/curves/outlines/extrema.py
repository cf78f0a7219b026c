"""Where an outline runs level or upright: the places at which an editor looks for its nodes."""

from __future__ import annotations

import numpy as np

from inkclean.base.arrays import F32, F64, I64, Bool
from inkclean.curves.outlines.outline import Runs

_REACH = 2  # points to either side that the edge's way is taken from
_NONE = 1 << 40  # an index beyond all bounds


def find_extrema(runs: Runs) -> F32:
    """Return the ``axis`` (M, 2), a unit vector, along which the edge runs at the points nearest
    to its horizontal and vertical extrema; zero at all other points.

    None lies within two points of a fixed one.
    """
    axis = np.zeros(runs.points.shape, np.float32)
    if runs.fixed.size < 2 * _REACH + 2:
        return axis
    points = runs.points
    chord = np.zeros(points.shape)
    chord[_REACH:-_REACH] = points[2 * _REACH :] - points[: -2 * _REACH]
    for across in (0, 1):
        before = _turning_back(runs, chord[:, across])
        slope, next_ = chord[before, across], chord[before + 1, across]
        share = slope / (slope - next_)
        at = before + (share > 0.5)
        along = chord[at, 1 - across]
        sure = np.abs(along) > np.abs(chord[at, across])
        at, along = at[sure], along[sure]
        axis[at] = 0.0
        axis[at, 1 - across] = np.sign(along)
    return axis


def snap(nodes: I64, low: I64, high: I64, extreme: Bool) -> I64:
    """Return ``nodes`` (K,), each moved to the nearest of the ``extreme`` points (M,) from its
    ``low`` to its ``high``, if there is one.
    """
    index = np.arange(extreme.size)
    before = np.maximum.accumulate(np.where(extreme, index, -_NONE))[nodes]
    after = np.minimum.accumulate(np.where(extreme, index, _NONE)[::-1])[::-1][nodes]
    back, ahead = before >= low, after <= high
    nearer = back & (~ahead | (nodes - before <= after - nodes))
    moved: I64 = np.where(nearer, before, np.where(ahead, after, nodes))
    return moved


def _turning_back(runs: Runs, slope: F64) -> I64:
    """Points after which ``slope`` (M,) changes its sign, clear of fixed ones."""
    before = np.flatnonzero((slope[:-1] > 0.0) != (slope[1:] > 0.0))
    clear = before - runs.low[before] >= _REACH
    clear &= runs.high[before] - before > _REACH
    return before[clear]
