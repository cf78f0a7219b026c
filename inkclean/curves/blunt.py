"""Blunt ends: two corners a few px apart, as the square end of a thin line has.

Pixels round both until hardly a point lies undisturbed between them, so that neither is found
by its own sides. Here the two are supposed together: the long sides run on, the short one lies
where the points between them have it, and its place is mended until the ink adds up. They are
believed if the pixels about them are those that such an end would leave (analysis by synthesis;
the measures are our own).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from inkclean.arrays import F32, F64, I64, Bool

C128: TypeAlias = NDArray[np.complex128]

_BETWEEN = (0, 1, 2, 3)
"""Points of the short side between its two corners."""
_SIDE_PX = (1.5, 4.8)
"""Length of the short side: a longer one shows its corners singly."""
_TURN = np.deg2rad((38.0, 140.0))
"""A gentler bend is a curve's; a sharper one a tip's."""
_SIDE_BEND = np.deg2rad(18.0)
"""Its long sides bend by no more between their second and their seventh point."""
_OFF_PX = 1.6
"""No corner lies further from its point of the edge."""
_WINDOW = 8
"""Pixels looked at, each way; of them those whose centres lie near the short side:"""
_NEAR_PX = 1.4
_CORNER_WINDOW = 4
"""The same about a single corner."""
_FINE = 5
"""Samples a pixel, each way."""
_AT_ONCE = 2000
"""Ends looked at together, some 30 MB."""
_UNLIKE = (0.10, 0.034)
"""No pixel's coverage may differ by more than the first from what such an end would leave, nor
all in the root mean square by more than the second. Square ends of lines 3 px wide come to 0.033
in the mean at most, round ones to 0.035 at least."""
_CORNER_LACKING = 0.25
"""So many px² of what a single corner asks for may be missing: a right angle rounded to a radius
of 1.1 px lacks that much, whatever else lies near."""
_TIP_TURN = np.deg2rad(110.0)
"""Sharper ones are tips, which have rules of their own."""
SHARP_BLUR = 0.3
"""Edges more blurred than that, px, show nothing so small."""


@dataclass(frozen=True)
class Blunt:
    """Pairs of corners, those most like their pixels first: a point ``between`` them (K,), how
    far from it along the edge the points nearest to them are, ``step`` (K, 2), and their places,
    ``apex`` (K, 2) complex px.
    """

    between: I64
    step: I64
    apex: C128


@dataclass(frozen=True)
class _Ends:
    """Three lines in the direction of travel, ink to the right hand: points and unit ways (K,)."""

    points: tuple[C128, C128, C128]
    ways: tuple[C128, C128, C128]

    def corners(self) -> tuple[C128, C128]:
        (a, m, b), (u, v, w) = self.points, self.ways
        return _cross(a, u, m, v), _cross(b, w, m, v)

    def moved(self, outward: F64) -> _Ends:
        """The short side moved to its left hand, off the ink."""
        a, m, b = self.points
        return _Ends((a, m - 1j * self.ways[1] * outward, b), self.ways)

    def some(self, rows: I64 | Bool) -> _Ends:
        a, m, b = (part[rows] for part in self.points)
        u, v, w = (part[rows] for part in self.ways)
        return _Ends((a, m, b), (u, v, w))


def blunt_ends(z: C128, here: I64, bends: Bool, coverage: F32) -> Blunt:
    """Return the blunt ends on closed loops of points ``z`` (complex px), each run on at both ends.

    ``here`` (N,) are the loops' own points in ``z``; ``bends`` (N,): the edge turns near there.
    Points are named as in ``here``.
    """
    centre = np.flatnonzero(bends)
    points, steps, apexes, unlike = [centre[:0]], [np.zeros((0, 2), np.int64)], [], [np.zeros(0)]
    apexes.append(np.zeros((0, 2), np.complex128))
    for between in _BETWEEN:
        step = np.array([-((between + 1) // 2), between // 2 + 1])
        straight = _straight(z, here[centre] + step[0], -1) & _straight(
            z, here[centre] + step[1], 1
        )
        middle = centre[straight]
        first, last = here[middle] + step[0], here[middle] + step[1]
        for chord in ("inner", "outer", "square")[between < 2 :]:
            ends = _supposed(z, first, last, chord)
            rows = np.flatnonzero(_possible(ends, z[first], z[last]))
            ends = ends.some(rows)
            missing, *_ = _compared(ends, *ends.corners(), coverage)
            p, q = ends.corners()
            ends = ends.moved(np.clip(missing / np.maximum(np.abs(q - p), 1.0), -0.3, 0.3))
            _, worst, mean, _ = _compared(ends, *ends.corners(), coverage)
            place = np.stack(ends.corners(), 1)
            like = (worst < _UNLIKE[0]) & (mean < _UNLIKE[1])
            good = np.flatnonzero(like & (np.abs(place[:, 1] - place[:, 0]) > _SIDE_PX[0]))
            points.append(middle[rows[good]])
            steps.append(_nearest(z, here[middle[rows[good]]], step, place[good]))
            apexes.append(place[good])
            unlike.append(mean[good])
    order = np.argsort(np.concatenate(unlike), kind="stable")
    return Blunt(
        np.concatenate(points)[order], np.concatenate(steps)[order], np.concatenate(apexes)[order]
    )


def _nearest(z: C128, here: I64, step: I64, place: C128) -> I64:
    """The steps (K, 2) from ``here`` to the points nearest to ``place`` (K, 2), about ``step``."""
    about = step[:, None] + np.array([0, -1, 1])
    off = np.abs(z[here[:, None, None] + about] - place[:, :, None])
    nearest: I64 = about[np.arange(2), np.argmin(off, axis=2)]
    return nearest


def like_corners(apex: C128, into: C128, out: C128, coverage: F32) -> Bool:
    """Whether the pixels about each ``apex`` (C,) are those that a corner there would leave, its
    sides running ``into`` it and ``out`` of it.

    A bend of 1.5 px radius lacks some, though its sides run on to a meeting as well.
    """
    u, v = _unit(into), _unit(out)
    ends = _Ends((apex, apex, apex), (u, v, v))
    lacking = _compared(ends, apex, apex, coverage, _CORNER_WINDOW)[3]
    flat = np.abs(np.angle(v * np.conj(u))) > _TIP_TURN
    return np.asarray(flat | (lacking < _CORNER_LACKING))


def _supposed(z: C128, first: I64, last: I64, chord: str) -> _Ends:
    """The sides that run on to ``first`` and from ``last``, and the short one between: along the
    ``chord`` of the points within, of all, or square to the sides.
    """
    into = (z[first - 2] + z[first - 3]) / 2.0, (z[first - 4] + z[first - 5]) / 2.0
    out = (z[last + 2] + z[last + 3]) / 2.0, (z[last + 4] + z[last + 5]) / 2.0
    inner = (z[first + 1] + z[last - 1]) / 2.0
    way = z[last - 1] - z[first + 1] if chord == "inner" else z[last] - z[first]
    u, w = _unit(into[0] - into[1]), _unit(out[1] - out[0])
    if chord == "square":
        across = 1j * (u - w)
        way = across * np.sign((np.conj(across) * way).real)
    return _Ends((into[0], inner, out[0]), (u, _unit(way), w))


def _straight(z: C128, here: I64, sign: int) -> Bool:
    """Whether the long side runs straight on from ``here``: round dots have none such."""
    near, middle, far = ((z[here + sign * k] + z[here + sign * (k + 1)]) / 2.0 for k in (2, 4, 6))
    return np.asarray(np.abs(np.angle((middle - near) * np.conj(far - middle))) < _SIDE_BEND)


def _possible(ends: _Ends, first: C128, last: C128) -> Bool:
    u, v, w = ends.ways
    p, q = ends.corners()
    along = ((q - p) * np.conj(v)).real
    possible = (along > _SIDE_PX[0]) & (along < _SIDE_PX[1])
    possible &= (np.abs(p - first) < _OFF_PX) & (np.abs(q - last) < _OFF_PX)
    for turn in (np.angle(v * np.conj(u)), np.angle(w * np.conj(v))):
        possible &= (np.abs(turn) > _TURN[0]) & (np.abs(turn) < _TURN[1])
    return np.asarray(possible)


def _compared(
    ends: _Ends, p: C128, q: C128, coverage: F32, window: int = _WINDOW
) -> tuple[F64, F64, F64, F64]:
    """The ink that ``ends`` lack, px²; the most that a pixel differs; the root mean square; what
    pixels lack that the first corner asks for, px².

    ``p`` and ``q`` are the corners.
    """
    parts = [
        _compared_few(ends.some(rows), p[rows], q[rows], coverage, window)
        for rows in np.array_split(np.arange(p.size), max(1, -(-p.size // _AT_ONCE)))
    ]
    lack, worst, mean, corner = (np.concatenate(part) for part in zip(*parts, strict=True))
    return lack, worst, mean, corner


def _compared_few(
    ends: _Ends, p: C128, q: C128, coverage: F32, window: int
) -> tuple[F64, F64, F64, F64]:
    middle = (p + q) / 2.0
    left = np.floor(middle.real).astype(np.int64) - window // 2
    top = np.floor(middle.imag).astype(np.int64) - window // 2
    corner = left + 1j * top
    fine = ((np.arange(window * _FINE) + 0.5) / _FINE).astype(np.float32)
    inside = [
        _half_plane(fine, point - corner, way)
        for point, way in zip(ends.points, ends.ways, strict=True)
    ]
    convex = [
        (np.conj(u) * v).imag[:, None, None] > 0.0
        for u, v in zip(ends.ways[:2], ends.ways[1:], strict=True)
    ]
    ink = np.where(convex[1], inside[1] & inside[2], inside[1] | inside[2])
    ink = np.where(convex[0], inside[0] & ink, inside[0] | ink)
    shape = (p.size, window, _FINE, window, _FINE)
    model = ink.reshape(shape).mean(axis=(2, 4), dtype=np.float32)
    pixels = np.arange(window)
    row = np.clip(top[:, None] + pixels, 0, coverage.shape[0] - 1)
    column = np.clip(left[:, None] + pixels, 0, coverage.shape[1] - 1)
    seen = coverage[row[:, :, None], column[:, None, :]]
    centre = (left[:, None, None] + pixels + 0.5) + 1j * (
        top[:, None, None] + pixels[:, None] + 0.5
    )
    size = np.abs(q - p)[:, None, None]
    local = (centre - p[:, None, None]) * np.conj(ends.ways[1])[:, None, None]
    off = np.abs(local - np.clip(local.real, 0.0, size))
    gap = np.where(off < _NEAR_PX, seen - model, np.float32(0.0))
    count = np.maximum((off < _NEAR_PX).sum(axis=(1, 2)), 1)
    return (
        gap.sum(axis=(1, 2), dtype=np.float64),
        np.abs(gap).max(axis=(1, 2)).astype(np.float64),
        np.sqrt((gap * gap).sum(axis=(1, 2), dtype=np.float64) / count),
        # Ink that a tip lacks, paper that a notch does.
        np.maximum(np.where(convex[0], -gap, gap), 0.0).sum(axis=(1, 2), dtype=np.float64),
    )


def _half_plane(fine: F32, point: C128, way: C128) -> Bool:
    """What lies right of the line through ``point`` along ``way``, (K, F, F) at places ``fine``."""
    u, v = way.real[:, None], way.imag[:, None]
    down = (u * (fine - point.imag[:, None])).astype(np.float32)
    across = (v * (fine - point.real[:, None])).astype(np.float32)
    return np.asarray(down[:, :, None] > across[:, None, :])


def _unit(way: C128) -> C128:
    unit: C128 = way / np.maximum(np.abs(way), 1e-9)
    return unit


def _cross(p: C128, u: C128, q: C128, v: C128) -> C128:
    """Where the line through ``p`` along ``u`` meets the one through ``q`` along ``v``."""
    area = (np.conj(u) * v).imag
    safe = np.where(np.abs(area) < 1e-3, np.inf, area)
    meeting: C128 = p + (np.conj(q - p) * v).imag / safe * u
    return meeting
