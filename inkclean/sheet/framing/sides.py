"""One side of the paper: a straight line or a smooth curve through the places where it was seen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import chebyshev

from inkclean.base.arrays import F64

# Bowed sides are polynomials of this degree; enough for paper that lies in one wave.
DEGREE = 6
# Share of its length that a side strays from a line at most to count as straight, or px.
STRAIGHT_SHARE = 0.0008
STRAIGHT_PX = 1.0
# Points of a side's polyline.
POINTS = 65


@dataclass(frozen=True)
class Side:
    """One side: points start + s · along + y(s) · normal, s in 0..length, normal inwards.

    ``bend`` holds the Chebyshev coefficients of y over s / length · 2 − 1; two of them make a
    straight side. ``crisp`` is the share of its places in sight, 0..1, at which the photo shows
    an edge right on it: near 1 for paper, low for whatever only looks like a side from afar.
    """

    start: F64
    along: F64
    normal: F64
    length: float
    bend: F64
    crisp: float

    def at(self, s: F64) -> F64:
        """Return (N, 2) points of the side; beyond its ends it goes on straight."""
        t = s / self.length * 2.0 - 1.0
        inner = np.clip(t, -1.0, 1.0)
        y = chebyshev.chebval(inner, self.bend)
        y = y + (t - inner) * chebyshev.chebval(inner, chebyshev.chebder(self.bend))
        points: F64 = self.start + s[:, None] * self.along + y[:, None] * self.normal
        return points


@dataclass(frozen=True)
class Edges:
    """``corners`` (4, 2) and ``sides``, each (N, 2) from its corner to the next, in photo px;
    ``bowed`` whether any side is."""

    corners: F64
    sides: tuple[F64, F64, F64, F64]
    bowed: bool


def straight(start: F64, end: F64) -> Side:
    """Return the straight side between two points."""
    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    normal = np.array([-along[1], along[0]])
    return Side(start, along, normal, length, np.zeros(2), 0.0)


def draw(sides: list[Side]) -> Edges:
    """Return corners where the four sides meet, and the sides drawn between them."""
    corners = np.stack([_corner(sides[k - 1], sides[k]) for k in range(4)])
    drawn = tuple(_draw(sides[k], corners[k], corners[(k + 1) % 4]) for k in range(4))
    return Edges(
        corners=corners,
        sides=(drawn[0], drawn[1], drawn[2], drawn[3]),
        bowed=any(len(side.bend) > 2 for side in sides),
    )


def fit(side: Side, s: F64, y: F64, weight: F64, near: float) -> Side:
    """Return the side through the edge's points: a line if one will do, else a curve.

    Its ``crisp`` counts the points that lie as ``near``, in px.
    """
    t = s / side.length * 2.0 - 1.0
    curve = _robust(t, y, weight, DEGREE)
    seen = weight > 0
    level = chebyshev.chebfit(t[seen], chebyshev.chebval(t[seen], curve), 1)
    stray = np.abs(chebyshev.chebval(t[seen], curve) - chebyshev.chebval(t[seen], level)).max()
    if stray <= max(STRAIGHT_PX, STRAIGHT_SHARE * side.length):
        curve = _robust(t, y, weight, 1)
    on_it = (np.abs(y - chebyshev.chebval(t, curve)) < near) & seen
    return Side(side.start, side.along, side.normal, side.length, curve, float(on_it.mean()))


def _robust(t: F64, y: F64, weight: F64, degree: int) -> F64:
    """Return Chebyshev coefficients by reweighted least squares (Tukey's biweight)."""
    terms = chebyshev.chebvander(t, degree)
    # A little stiffness keeps the higher terms at rest where no point holds them.
    stiff = np.diag(1e-4 * np.arange(degree + 1) ** 2 * weight.sum())
    now = weight.copy()
    bend: F64 = np.zeros(degree + 1)
    for turn in range(14):
        scaled = terms * now[:, None]
        normal = scaled.T @ terms + stiff + 1e-9 * np.eye(degree + 1)
        bend = np.asarray(np.linalg.solve(normal, scaled.T @ y), np.float64)
        away = np.abs(y - terms @ bend)
        spread = 1.4826 * float(np.median(away[weight > 0])) + 0.05
        # Wide first, so that a wrong stretch does not hold the fit, then narrow.
        width = spread * (4.0 if turn > 4 else 8.0)
        now = weight * np.clip(1.0 - (away / width) ** 2, 0.0, 1.0) ** 2
        if now.sum() <= 0:
            break
    return bend


def _corner(before: Side, after: Side) -> F64:
    """Return where one side's end meets the next side's start, by their tangents there."""
    point = after.start
    for _ in range(6):
        p, d = _tangent(before, point)
        q, e = _tangent(after, point)
        det = d[0] * e[1] - d[1] * e[0]
        if abs(det) < 1e-6:
            break
        step = ((q[0] - p[0]) * e[1] - (q[1] - p[1]) * e[0]) / det
        point = p + step * d
    return point


def _tangent(side: Side, near: F64) -> tuple[F64, F64]:
    s = float((near - side.start) @ side.along)
    here, there = side.at(np.array([s, s + 0.5]))
    return here, (there - here) / 0.5


def _draw(side: Side, first: F64, last: F64) -> F64:
    """Return the side as a polyline from corner to corner."""
    ends = np.array([(first - side.start) @ side.along, (last - side.start) @ side.along])
    points = side.at(np.linspace(ends[0], ends[1], POINTS))
    points[0], points[-1] = first, last
    return points
