"""Least-squares cubics for many spans at once, over a fixed number of samples a span.

Schneider, An algorithm for automatically fitting digitized curves, Graphics Gems, 1990,
612–626: chord-length parameters, least squares for the two handle lengths along given
tangents, Newton steps that bring each parameter to the foot of its sample.

Arrays are (2, S, M): x and y, span, sample; float32 relative to each span's start, which
keeps a thousandth of a px on any sheet.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inkclean.arrays import F32, F64, I64

SAMPLES = 16
"""Samples a span, ends included: a cubic's error has at most five lobes, so three samples
fall on each."""
FEW_SAMPLES = 8
"""Samples of a span of no more steps than that."""
ROUNDS = 3
"""Least squares and Newton steps in turn: a further round changes the error by under 1 %."""
_TWO, _THREE = np.float32(2.0), np.float32(3.0)
_SHORTEST = 0.02
"""No handle is shorter than this share of the chord: the tangent stays defined."""


@dataclass(frozen=True)
class Fit:
    """Cubics of S spans: ``inner`` (S, 2) handle lengths in px, start and end; ``worst`` (S,)
    the largest distance of a sample over its tolerance (above 1: broken; infinite: no cubic
    without a loop has these tangents); ``at`` (S,) the share of the way to that sample; ``u``
    (S, M) parameters.
    """

    inner: F32
    worst: F32
    at: F32
    u: F32


def sample(points: F64, tolerance: F32, first: I64, last: I64, count: int) -> tuple[F32, F32]:
    """Return samples (2, S, M) relative to each start, even in index, and tolerances (S, M).

    ``points`` is (2, N); spans run from index ``first`` to ``last`` inclusive, and the samples
    are points of theirs, evenly chosen, or lie between.
    """
    step = np.arange(count, dtype=np.float32) / np.float32(count - 1)
    at = first[:, None] + np.rint((last - first)[:, None] * step).astype(np.int64)
    q = points[:, at] - points[:, first][:, :, None]
    if count <= FEW_SAMPLES:
        # With as many samples as points, some must lie between: a cubic may bulge there.
        exact = first[:, None] + (last - first)[:, None] * np.linspace(0.0, 1.0, count)
        low = np.minimum(exact.astype(np.int64), last[:, None] - 1)
        q = points[:, low] + (exact - low) * (points[:, low + 1] - points[:, low])
        q -= points[:, first][:, :, None]
    return q.astype(np.float32), tolerance[at]


def fit_spans(q: F32, tolerance: F32, start: F32, end: F32, rounds: int = ROUNDS) -> Fit:
    """Fit S cubics from each span's first to its last sample.

    ``start`` and ``end`` are (2, S) unit tangents, both pointing onward along the span.
    """
    gap = np.diff(q, axis=2)
    u = np.zeros(q.shape[1:], np.float32)
    np.cumsum(np.sqrt(_dot(gap, gap)), axis=1, out=u[:, 1:])
    u /= np.maximum(u[:, -1:], 1e-6)
    chord = q[:, :, -1]
    length = np.maximum(np.sqrt(_dot(chord, chord)), np.float32(1e-6))
    lean = (np.stack([_dot(start, chord), _dot(end, chord)], 1) / length[:, None]).astype(
        np.float32
    )
    inner: F32 = np.empty((q.shape[1], 2), np.float32)
    for turn in range(rounds):
        inner = _handles(q, u, start, end, length, lean)
        u, off = _newton(q, u, inner, start, end, last=turn == rounds - 1)
    share = (np.sqrt(off) / tolerance).astype(np.float32)
    at = np.argmax(share, axis=1)
    worst = np.take_along_axis(share, at[:, None], 1)[:, 0]
    worst = np.where((lean < 0.0).any(1), np.inf, worst).astype(np.float32)
    return Fit(inner, worst, (at / (q.shape[2] - 1)).astype(np.float32), u)


def _handles(q: F32, u: F32, start: F32, end: F32, length: F32, lean: F32) -> F32:
    """Handle lengths (S, 2) by least squares, kept where the cubic advances along its chord."""
    v = 1.0 - u
    b1 = 3.0 * u * v * v
    b2 = 3.0 * u * u * v
    rest = q - (b2 + u * u * u) * q[:, :, -1:]
    r1 = np.einsum("sm,dsm->ds", b1, rest)
    r2 = np.einsum("sm,dsm->ds", b2, rest)
    c11 = np.einsum("sm,sm->s", b1, b1)
    c22 = np.einsum("sm,sm->s", b2, b2)
    c12 = -np.einsum("sm,sm->s", b1, b2) * _dot(start, end)
    x1 = _dot(start, r1)
    x2 = -_dot(end, r2)
    det = c11 * c22 - c12 * c12
    flat = det <= 1e-4 * c11 * c22
    det = np.where(flat, 1.0, det)
    inner = np.stack(((c22 * x1 - c12 * x2) / det, (c11 * x2 - c12 * x1) / det), 1)
    inner[flat] = length[flat, None] / 3.0
    return keep_onward(inner, length, lean)


def _dot(one: F32, other: F32) -> F32:
    dot: F32 = one[0] * other[0] + one[1] * other[1]
    return dot


def free_tangents(q: F32, u: F32) -> tuple[F32, F32]:
    """Directions (2, S) that both ends would take with no tangent asked of them.

    Their lengths are those of the handles: the longer, the surer.
    """
    v = 1.0 - u
    b1 = 3.0 * u * v * v
    b2 = 3.0 * u * u * v
    rest = q - (b2 + u * u * u) * q[:, :, -1:]
    rest += b2 * q[:, :, -1:]
    r1 = np.einsum("sm,dsm->ds", b1, rest)
    r2 = np.einsum("sm,dsm->ds", b2, rest)
    c11 = np.einsum("sm,sm->s", b1, b1)
    c22 = np.einsum("sm,sm->s", b2, b2)
    c12 = np.einsum("sm,sm->s", b1, b2)
    det = np.maximum(c11 * c22 - c12 * c12, 1e-9)
    p1 = (c22 * r1 - c12 * r2) / det
    p2 = (c11 * r2 - c12 * r1) / det
    return p1.astype(np.float32), (q[:, :, -1] - p2).astype(np.float32)


def keep_onward(inner: F32, length: F32, lean: F32) -> F32:
    """Shorten handles until the cubic advances along its chord: no loop, no cusp.

    The control values along the chord are 0, a, L - b, L; their differences a, L - a - b and b
    must not be negative. ``lean`` (S, 2) is the cosine of each tangent with the chord.
    """
    inner = np.maximum(inner, _SHORTEST * length[:, None])
    advance = (inner * np.maximum(lean, 0.0)).sum(1)
    shrink = np.minimum(1.0, 0.98 * length / np.maximum(advance, 1e-9))
    kept: F32 = np.minimum(inner, 2.0 * length[:, None]) * shrink[:, None]
    return kept.astype(np.float32)


def _newton(q: F32, u: F32, inner: F32, start: F32, end: F32, last: bool) -> tuple[F32, F32]:
    """One Newton step of every parameter; on the last, the squared distances after it."""
    p3 = q[:, :, -1:]
    c1: F32 = (_THREE * inner[:, 0] * start)[:, :, None]
    p2: F32 = p3 - (inner[:, 1] * end)[:, :, None]
    c2: F32 = _THREE * p2 - _TWO * c1
    c3: F32 = p3 - c1 - c2
    off: F32 = ((c3 * u + c2) * u + c1) * u - q
    bend: F32 = _THREE * c3 * u + c2
    speed: F32 = (bend + c2) * u + c1
    bend *= _TWO
    down = _dot(speed, off)
    across = _dot(speed, speed)
    curve = across + _dot(bend, off)
    steep = np.where(curve > np.float32(0.2) * across, curve, np.maximum(across, np.float32(1e-9)))
    moved: F32 = np.clip(u - down / steep, np.float32(0.0), np.float32(1.0))
    moved[:, 0], moved[:, -1] = 0.0, 1.0
    if not last:
        return moved, moved
    off = ((c3 * moved + c2) * moved + c1) * moved - q
    return moved, _dot(off, off)


def on_cubics(cubics: F64, which: I64, t: F64) -> F64:
    """Points (N, 2) on those ``which`` (N,) of ``cubics`` (S, 4, 2), at parameters ``t`` (N,)."""
    t = t[:, None]
    p0, p1, p2, p3 = (cubics[which, k] for k in range(4))
    s = 1.0 - t
    points: F64 = s * s * (s * p0 + 3.0 * t * p1) + t * t * (3.0 * s * p2 + t * p3)
    return points
