"""The outline's points brought to where the ink's edge truly runs.

Noise of single pixels is smoothed away, and what blur does to a bent edge is undone: a level
half-way up sits σ²/2r further in on a disc of radius r, and averaging over a pixel's width is
a blur of its own.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from inkclean.arrays import F64, I64
from inkclean.curves.outline import Outline

_QUIET_PX = 0.03
"""Less noise than this is left alone: the fit averages it out."""
_LOUD_PX = 0.10
"""More than this is smoothed over seven points, less over five."""
_LONGEST = 4
"""Points to either side that curvature is taken over."""
_MOST_BEND = 0.5
"""Tighter than this, in 1/px, no curvature is believed."""
_PIXEL = 1.0 / 12.0
"""Variance of an even share over one px."""


def settle(outline: Outline, noise: float, blur: float, most: float) -> Outline:
    """Return ``outline`` with noise smoothed and the bias of ``blur`` (px) undone.

    Smoothing moves no point by more than ``most`` px.

    Corners stay; nothing is averaged across one. Smoothing keeps parabolas (Savitzky & Golay,
    Analytical Chemistry 36, 1964, doi:10.1021/ac60214a047), so that no bulge is worn down.
    """
    if outline.points.shape[0] == 0:
        return outline
    z = outline.points[:, 0] + 1j * outline.points[:, 1]
    free = _free(outline)
    half = 0 if noise < _QUIET_PX else 2 if noise < _LOUD_PX else 3
    for reach in range(2, half + 1):
        rows = np.flatnonzero(free >= reach if reach == half else free == reach)
        move = _smoothed(outline, rows, reach, outline.points) - z[rows]
        z[rows] += move * np.minimum(1.0, most / np.maximum(np.abs(move), 1e-9))
    moved = replace(outline, points=np.stack((z.real, z.imag), axis=1))
    return _unblurred(moved, free, blur)


def _free(outline: Outline) -> I64:
    """Points between each point and the nearest corner of its loop, or half the loop."""
    length = np.diff(outline.loops)
    index = np.arange(outline.corner.size)
    own = np.repeat(np.arange(length.size), length)
    far = np.int64(1 << 40)
    ahead = np.where(outline.corner, index, far)
    # The next corner of a loop, and past its end the first one again.
    following = np.minimum.accumulate(ahead[::-1])[::-1]
    end = outline.loops[own + 1]
    first = following[outline.loops[own]]
    following = np.where(
        following < end, following, np.where(first < end, first + length[own], far)
    )
    preceding = np.maximum.accumulate(np.where(outline.corner, index, -1))
    begin = outline.loops[own]
    last = preceding[end - 1]
    preceding = np.where(
        preceding >= begin, preceding, np.where(last >= begin, last - length[own], -far)
    )
    free = np.minimum(following - index, index - preceding)
    limit = np.maximum((length - 1) // 4, 0)[own]
    return np.asarray(np.minimum(np.minimum(free, limit), _LONGEST), np.int64)


def _shifted(outline: Outline, rows: I64, by: I64 | int) -> I64:
    length = np.diff(outline.loops)
    own = np.searchsorted(outline.loops, rows, side="right") - 1
    begin = outline.loops[own]
    return begin + (rows - begin + by) % length[own]


def _smoothed(outline: Outline, rows: I64, reach: int, points: F64) -> NDArray[np.complex128]:
    steps = np.arange(-reach, reach + 1)
    weights = np.linalg.pinv(np.vander(steps, 3))[2]
    total = np.zeros(rows.size, np.complex128)
    for weight, step in zip(weights, steps, strict=True):
        there = _shifted(outline, rows, int(step))
        total += weight * (points[there, 0] + 1j * points[there, 1])
    return total


def _unblurred(outline: Outline, free: I64, blur: float) -> Outline:
    z = outline.points[:, 0] + 1j * outline.points[:, 1]
    rows = np.flatnonzero(free >= 2)
    if rows.size == 0:
        return outline
    step = free[rows]
    back = z[rows] - z[_shifted(outline, rows, -step)]
    ahead = z[_shifted(outline, rows, step)] - z[rows]
    size = np.maximum(np.abs(back) + np.abs(ahead), 1e-9) / 2.0
    bend = np.angle(ahead * np.conj(back)) / size
    bend = np.where(np.abs(bend) < _MOST_BEND, bend, 0.0)
    unit = (back + ahead) / np.maximum(np.abs(back + ahead), 1e-9)
    # A column of pixels averages the edge's height over one px: y''/24, and y'' = κ(1 + y'²)^1.5.
    slope = np.maximum(np.maximum(np.abs(unit.real), np.abs(unit.imag)), 0.7)
    shift = bend * (_PIXEL / 2.0 / slope**2 + blur * blur / 2.0)
    # Ink to the right hand: the outside of a loop that turns right is its left.
    z[rows] += shift * unit * -1j
    return replace(outline, points=np.stack((z.real, z.imag), axis=1))
