"""The outline's points brought to where the ink's edge truly runs.

Noise of single pixels is smoothed away, and what blur does to a bent edge is undone: a level
half-way up sits σ²/2r further in on a disc of radius r, and averaging over a pixel's width is
a blur of its own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from inkclean.base.arrays import F64, I32, I64
from inkclean.base.compiled import compiled
from inkclean.base.tiles import blocks, side_by_side
from inkclean.curves.outlines.outline import InkOutline
from inkclean.curves.plane import as_complex, as_points, length

_compiled = compiled("inkclean.curves.outlines._loops")
_QUIET_PX = 0.03  # px of noise that is left alone: the fit averages it out
_LOUD_PX = 0.10  # px of noise from which on seven points are smoothed over, below it five
_LONGEST = 4  # points to either side that curvature is taken over
_MOST_BEND = 0.5  # tightest curvature that is believed, 1/px
_PIXEL = 1.0 / 12.0  # variance of an even share over one px, px²


def settle(outline: InkOutline, noise: float, blur: float, most: float) -> tuple[InkOutline, F64]:
    """Return ``outline`` with noise smoothed and the bias of ``blur`` (px) undone, and how far
    smoothing moved each point (N,), px: by no more than ``most``.

    Corners stay; nothing is averaged across one. Smoothing keeps parabolas (Savitzky & Golay,
    Analytical Chemistry 36, 1964, doi:10.1021/ac60214a047), so that no bulge is worn down.
    """
    still = np.zeros(outline.points.shape[0])
    if still.size == 0:
        return outline, still
    ring = _Loops.of(outline)
    half = 0 if noise < _QUIET_PX else 2 if noise < _LOUD_PX else 3
    points = outline.points.copy()
    for reach in range(2, half + 1):
        rows = np.flatnonzero(ring.free >= reach if reach == half else ring.free == reach)

        def smooth(part: slice, rows: I64 = rows, reach: int = reach) -> None:
            some = rows[part]
            move = _smooth(ring, some, reach) - points.take(some, axis=0)
            points[some] += move * np.minimum(1.0, most / np.maximum(length(move), 1e-9))[:, None]

        side_by_side(smooth, blocks(rows.size))
    moved = length(points - outline.points) if half else still
    return replace(outline, points=_unblur(replace(ring, points=points), blur)), moved


@dataclass(frozen=True)
class _Loops:
    """Closed loops of ``points`` (N, 2) px; where each point's loop begins and how many
    points it has; ``free``: points that far to either side are still no corner.
    """

    points: F64
    begin: I32
    length: I32
    free: I64

    @classmethod
    def of(cls, outline: InkOutline) -> _Loops:
        lengths = np.diff(outline.loops)
        return cls(
            outline.points,
            np.repeat(outline.loops[:-1].astype(np.int32), lengths),
            np.repeat(lengths.astype(np.int32), lengths),
            _free(outline),
        )

    def beside(self, rows: I64, by: I64 | int) -> F64:
        """The points (R, 2) ``by`` steps on from ``rows`` along their loops."""
        # A step is shorter than a loop: it leaves it at one end at most.
        there, begin = rows + by, self.begin.take(rows)
        under = np.flatnonzero(there < begin)
        there[under] += self.length.take(rows.take(under))
        begin += self.length.take(rows)
        over = np.flatnonzero(there >= begin)
        there[over] -= self.length.take(rows.take(over))
        return self.points.take(there, axis=0)


def _free(outline: InkOutline) -> I64:
    """Points between each point and the nearest corner of its loop, or a quarter of the loop.

    No more than ``_LONGEST``.
    """
    if _compiled is None:
        return free_by_numpy(outline)
    free = np.empty(outline.corner.size, np.int64)
    _compiled.free(np.ascontiguousarray(outline.corner), outline.loops, free, _LONGEST)
    return free


def free_by_numpy(outline: InkOutline) -> I64:
    """Return what ``_free`` does."""
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


def _smooth(ring: _Loops, rows: I64, reach: int) -> F64:
    steps = np.arange(-reach, reach + 1)
    weights = np.linalg.pinv(np.vander(steps, 3))[2]
    total = np.zeros((rows.size, 2))
    for weight, step in zip(weights, steps, strict=True):
        total += weight * ring.beside(rows, int(step))
    return total


def _unblur(ring: _Loops, blur: float) -> F64:
    # Ink to the right hand: the outside of a loop that turns right is its left.
    z = as_complex(ring.points).copy()
    rows = np.flatnonzero(ring.free >= 2)

    def shift(part: slice) -> None:
        some = rows[part]
        z[some] += _shift(ring, some, blur) * np.complex64(-1j)

    side_by_side(shift, blocks(rows.size))
    return as_points(z)


def _shift(ring: _Loops, rows: I64, blur: float) -> NDArray[np.complex64]:
    step = ring.free[rows]
    here = ring.points.take(rows, axis=0)
    back = as_complex(here - ring.beside(rows, -step)).astype(np.complex64)
    ahead = as_complex(ring.beside(rows, step) - here).astype(np.complex64)
    size = np.maximum(np.abs(back) + np.abs(ahead), np.float32(1e-9)) / np.float32(2.0)
    product = ahead * np.conj(back)
    bend = np.arctan2(product.imag, product.real) / size
    bend[np.abs(bend) >= _MOST_BEND] = 0.0
    unit = back + ahead
    unit /= np.maximum(np.abs(unit), np.float32(1e-9))
    # A column of pixels averages the edge's height over one px: y''/24, and y'' = κ(1 + y'²)^1.5.
    slope = np.maximum(np.maximum(np.abs(unit.real), np.abs(unit.imag)), np.float32(0.7))
    shift = bend * (np.float32(_PIXEL / 2.0) / slope**2 + np.float32(blur * blur / 2.0))
    return np.asarray(shift * unit, np.complex64)
