"""The paper's edges through points given by hand: smooth from corner to corner."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from inkclean.base.arrays import F64
from inkclean.base.errors import UsageError
from inkclean.sheet.framing.sides import POINTS

# No paper bows further than this share of its edge's length: points beyond are slips.
MOST_BOW = 0.25


def sides_through(corners: F64, between: Sequence[F64]) -> tuple[F64, F64, F64, F64] | None:
    """Return the four sides of a page, or None where all are straight.

    ``corners`` is (4, 2) in photo px, clockwise from the page's top left; ``between`` holds
    for each of them the (N, 2) points, N may be 0, that its edge passes on the way to the next
    corner. A side is a cubic spline over the chord's length, its end conditions "not a knot"
    (a parabola where one point is given), as (65, 2) points from corner to corner.

    Raises:
        UsageError: an edge turns back on its way, or leaves it too far.
    """
    if not any(len(points) for points in between):
        return None
    sides = [_side(corners[k], between[k], corners[(k + 1) % 4]) for k in range(4)]
    return sides[0], sides[1], sides[2], sides[3]


def _side(start: F64, between: F64, end: F64) -> F64:
    points = np.concatenate([start[None], np.reshape(between, (-1, 2)), end[None]])
    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    away = points - start
    s, bow = away @ along, away @ np.array([-along[1], along[0]])
    # two points nearer than this give no slope worth following
    if (np.diff(s) < 1e-3 * length).any() or np.abs(bow).max() > MOST_BOW * length:
        raise UsageError("an edge turns back or bends too far; give its points in order, clockwise")
    t = np.linspace(0.0, 1.0, POINTS) * length
    y = np.zeros_like(t)
    if len(points) > 2:
        from scipy.interpolate import CubicSpline  # takes longer to load than a page to be framed

        y = np.asarray(CubicSpline(s, bow)(t), np.float64)
    drawn: F64 = start + t[:, None] * along + y[:, None] * np.array([-along[1], along[0]])
    drawn[0], drawn[-1] = start, end
    return drawn
