"""True corners found and restored before anything is fitted.

A raster rounds every corner within about a px. Where both sides run on undisturbed beyond
that, the corner is the place where they meet, and it is single and sharp. Perceived corners:
Hoshyari et al., Perception-driven semi-structured boundary vectorization, ACM TOG 37(4),
2018, doi:10.1145/3197517.3201312; the measures here are our own.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from inkclean.arrays import F64, I64, Bool
from inkclean.curves.edges import Edges
from inkclean.curves.outline import Outline

C128: TypeAlias = NDArray[np.complex128]

_SKIP = 2
"""Points beside a corner that its rounding has moved."""
_SIDE = 4
"""Points of each side that its direction is taken from."""
_TURN = np.deg2rad(28.0)
"""A gentler bend reads as a curve, and costs a cubic nothing."""
_SUDDEN = 0.60
"""Share of the turn within two steps of the corner: 0.67 to 0.91 at a true one, 0.58 where
the radius is 2 px at a right angle."""
_BLUNT_PX = 0.62
"""How far the sides' meeting lies off the edge, across the corner: under 0.55 px at a true
corner at any angle, over 0.7 px where a cap of 1 px radius turns."""
_BEND = 0.12
"""The tightest curvature, in 1/px, along which a side is carried on to its corner."""


def restore_corners(edges: Edges) -> Outline:
    """Return the outline of ``edges`` with its corners put where their sides meet."""
    if edges.loops.size == 1:
        none = np.zeros(0, np.bool_)
        return Outline(edges.points, edges.loops, none, none, edges.room, edges.shape, edges.hole)
    z, core, length = _wrapped(edges)
    apex, turn, sudden, blunt = _bends(z)
    apex, turn, sudden, blunt = apex[core], turn[core], sudden[core], blunt[core]
    likely = (np.abs(turn) > _TURN) & (np.abs(sudden) > _SUDDEN * np.abs(turn))
    likely &= (blunt < _BLUNT_PX) & (length >= 4 * _SKIP)
    strength = np.where(likely, np.abs(sudden), 0.0)
    corner = _strongest(strength, edges.loops)
    points = edges.points.copy()
    points[corner, 0] = apex[corner].real
    points[corner, 1] = apex[corner].imag
    keep = _clear(corner, edges.loops)
    kept = np.add.reduceat(keep, edges.loops[:-1], dtype=np.int64)
    flags = np.zeros(keep.size, np.bool_)
    flags[corner] = True
    return Outline(
        points[keep],
        np.concatenate(([0], np.cumsum(kept))),
        flags[keep],
        np.zeros(int(keep.sum()), np.bool_),
        edges.room[keep],
        edges.shape,
        edges.hole,
    )


def _wrapped(edges: Edges) -> tuple[F64, I64, I64]:
    """Points as complex numbers, each loop run on at both ends; where each point went."""
    margin = _SKIP + 2 * _SIDE + 1
    length = np.diff(edges.loops)
    padded = length + 2 * margin
    begin = np.cumsum(padded) - padded
    owner = np.repeat(np.arange(length.size), padded)
    within = np.arange(owner.size) - begin[owner] - margin
    z = edges.points[:, 0] + 1j * edges.points[:, 1]
    own = np.repeat(np.arange(length.size), length)
    core = begin[own] + margin + np.arange(own.size) - edges.loops[own]
    return z[edges.loops[owner] + within % length[owner]], core, length[own]


def _bends(z: F64) -> tuple[F64, F64, F64, F64]:
    """For each point: where its two sides meet, their turn, the sudden turn, the bluntness."""
    g, w = _SKIP, _SIDE

    def at(k: int) -> F64:
        return np.roll(z, -k)

    def side(sign: int, from_: int) -> F64:
        near = at(sign * from_) + at(sign * (from_ + 1))
        far = at(sign * (from_ + w)) + at(sign * (from_ + w - 1))
        return (far - near) * (0.5 * sign)

    left, right = side(-1, g), side(1, g)
    turn = np.angle(right * np.conj(left))
    sudden = np.angle((at(2) - z) * np.conj(z - at(-2)))
    apex = _meeting(z, left, right, g, w)
    near = np.minimum(np.minimum(np.abs(apex - z), np.abs(apex - at(1))), np.abs(apex - at(-1)))
    near = np.minimum(near, _beside(apex, z, at(1)))
    near = np.minimum(near, _beside(apex, z, at(-1)))
    return apex, turn, sudden, near * np.cos(np.abs(turn) / 2.0)


def _beside(p: F64, a: F64, b: F64) -> F64:
    """Distance of ``p`` to the segments from ``a`` to ``b``."""
    step = b - a
    t = ((p - a) * np.conj(step)).real / np.maximum(np.abs(step) ** 2, 1e-12)
    gap: F64 = np.abs(p - a - np.clip(t, 0.0, 1.0) * step)
    return gap


def _meeting(z: F64, left: F64, right: F64, g: int, w: int) -> F64:
    """Where the two sides meet, each carried on along its own curvature."""
    before = (np.roll(z, g) + np.roll(z, g + w - 1)) / 2.0
    after = (np.roll(z, -g) + np.roll(z, -g - w + 1)) / 2.0
    apex = _cross(before, left, after, right)
    further_left = np.roll(z, g + w) - np.roll(z, g + 2 * w)
    further_right = np.roll(z, -g - 2 * w) - np.roll(z, -g - w)
    bent = []
    for middle, way, further, sign in (
        (before, left, further_left, 1.0),
        (after, right, further_right, -1.0),
    ):
        size = np.maximum(np.abs(way), 1e-9)
        bend = sign * np.angle(way * np.conj(further)) / (size * (w + 0.5) / (w - 1))
        bend = np.where(np.abs(bend) < _BEND, bend, 0.0)
        unit = way / size
        reach = ((apex - middle) * np.conj(unit)).real
        offset = bend * reach * reach / 2.0 - bend * size * size / 24.0
        bent.append((middle + unit * reach + 1j * unit * offset, unit * np.exp(1j * bend * reach)))
    better = _cross(bent[0][0], bent[0][1], bent[1][0], bent[1][1])
    usable = np.abs(better - apex) < 1.0
    return np.where(usable, better, apex)


def _cross(p: F64, u: F64, q: F64, v: F64) -> F64:
    """Where the line through ``p`` along ``u`` meets the one through ``q`` along ``v``."""
    area = (np.conj(u) * v).imag
    safe = np.where(np.abs(area) < 1e-9, np.inf, area)
    meeting: F64 = p + (np.conj(q - p) * v).imag / safe * u
    return meeting


def _strongest(strength: F64, loops: I64) -> I64:
    """Points whose strength no neighbour within reach on the same loop exceeds."""
    length = np.diff(loops)
    own = np.repeat(np.arange(length.size), length)
    within = np.arange(own.size) - loops[own]
    candidate = np.flatnonzero(strength > 0.0)
    best = np.ones(candidate.size, np.bool_)
    for k in range(1, _SKIP + 2):
        for sign in (-1, 1):
            there = loops[own[candidate]] + (within[candidate] + sign * k) % length[own[candidate]]
            best &= strength[candidate] + (1e-9 if sign < 0 else 0.0) > strength[there]
    return candidate[best]


def _clear(corner: I64, loops: I64) -> Bool:
    """Which points stay: those beside a corner give way to it."""
    length = np.diff(loops)
    own = np.repeat(np.arange(length.size), length)
    keep = np.ones(own.size, np.bool_)
    for k in range(1, _SKIP):
        for sign in (-1, 1):
            loop = own[corner]
            keep[loops[loop] + (corner - loops[loop] + sign * k) % length[loop]] = False
    keep[corner] = True
    return keep
