"""Least-squares cubics for many spans at once, over a fixed number of samples a span.

Schneider, An algorithm for automatically fitting digitized curves, Graphics Gems, 1990,
612–626: chord-length parameters, least squares for the two handle lengths along given
tangents, steps that bring each parameter to the foot of its sample.

Points come in as (N, 2). Inside, the samples' x and y lie in planes of their own, (2, M, S) by
sample and span: every step runs over all spans in one go, with one value for each of them beside
it. They are float32 relative to each span's start, which keeps a thousandth of a px on any sheet.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from inkclean.base.arrays import F32, F64, I32, I64
from inkclean.base.compiled import compiled
from inkclean.base.tiles import blocks
from inkclean.curves.plane import as_complex, put_rows

_cubics = compiled("inkclean.curves._cubics")
_along: Any = getattr(_cubics, "along", None)  # one that was compiled earlier lacks it

# Samples a span, ends included: a cubic's error has five lobes at most, three samples on each
SAMPLES = 16
FEW_SAMPLES = 8  # samples of a span of fewer steps than that: no point of it lies far from a sample
ROUNDS = 3  # of least squares and steps to the foot: a further one changes the error by under 1 %
_ONE = np.float32(1.0)
_TWO = np.float32(2.0)
_THREE = np.float32(3.0)
_WORTH_LEAVING = 0.8  # share that goes on: above it, hopeless spans are taken along too
_SHORTEST = 0.02  # shortest handle, share of the chord: the tangent stays defined


@dataclass(frozen=True)
class Fit:
    """Cubics of S spans: ``inner`` (S, 2) handle lengths in px, start and end; ``worst`` (S,)
    the largest distance of a sample over its tolerance (above 1: broken; infinite: no cubic
    without a loop has these tangents); ``at`` (S,) the share of the way to that sample;
    ``start`` and ``end`` (S, 2) tangents, onward: the handles', or what they would rather be.
    """

    inner: F32
    worst: F32
    at: F32
    start: F32
    end: F32


def fit_spans(
    points: F64,
    tolerance: F32,
    first: I64,
    last: I64,
    start: F32,
    end: F32,
    count: int,
    *,
    rounds: int = ROUNDS,
    hopeless: float = np.inf,
    freed: bool = False,
    share: float = 1.0,
) -> Fit:
    """Fit S cubics to spans of ``points`` (N, 2) from index ``first`` to ``last`` (S,) inclusive.

    ``tolerance`` is (N,) px, of which samples may use a ``share``; ``start`` and ``end`` are (S, 2)
    unit tangents, both pointing onward along the span; ``count`` samples are taken of each. Where
    ``worst`` is above ``hopeless`` after the first round, that round's fit is given. With
    ``freed``, ``start`` and ``end`` of the fit are the tangents that the samples would rather
    have, else those given.
    """
    fit = fit_by_numpy if _cubics is None else fit_compiled
    return fit(points, tolerance, first, last, start, end, count, rounds, hopeless, freed, share)


def fit_by_numpy(
    points: F64,
    tolerance: F32,
    first: I64,
    last: I64,
    start: F32,
    end: F32,
    count: int,
    rounds: int,
    hopeless: float,
    freed: bool,
    share: float,
) -> Fit:
    """Fit as ``fit_spans`` does, all spans at once."""
    q, tolerance = _sample(points, tolerance, first, last, count)
    tolerance *= np.float32(share)
    ways = np.ascontiguousarray(start.T), np.ascontiguousarray(end.T)
    inner, worst, at, u = _fit(q, tolerance, *ways, rounds, hopeless)
    if freed:
        start, end = (np.ascontiguousarray(way.T) for way in _free_tangents(q, u))
    return Fit(inner.T, worst, at, start, end)


def fit_compiled(
    points: F64,
    tolerance: F32,
    first: I64,
    last: I64,
    start: F32,
    end: F32,
    count: int,
    rounds: int,
    hopeless: float,
    freed: bool,
    share: float,
) -> Fit:
    """Fit as ``fit_spans`` does, a span at a time by ``_cubics.c``: the same to the bit."""
    cubics = np.empty((first.size, 4), np.float32)
    ways = np.empty((first.size if freed else 0, 2, 2), np.float32)
    given = (
        np.ascontiguousarray(points, np.float64),
        np.ascontiguousarray(tolerance, np.float32),
        np.ascontiguousarray(first, np.int64),
        np.ascontiguousarray(last, np.int64),
        np.ascontiguousarray(start, np.float32),
        np.ascontiguousarray(end, np.float32),
    )
    asked = (count, FEW_SAMPLES, rounds, share, hopeless, _WORTH_LEAVING)
    _cubics.fit(*given, cubics, ways, *asked)
    if freed:
        start, end = ways[:, 0], ways[:, 1]
    return Fit(cubics[:, :2], cubics[:, 2], cubics[:, 3], start, end)


def _sample(points: F64, tolerance: F32, first: I64, last: I64, count: int) -> tuple[F32, F32]:
    """Return samples (2, M, S) relative to each start, even in index, and tolerances (M, S).

    The samples are points of the spans, evenly chosen, or lie between.
    """
    step = np.arange(count, dtype=np.float32) / np.float32(count - 1)
    exact = step[:, None] * (last - first).astype(np.float32)
    at = np.rint(exact).astype(np.int64)
    at += first
    q = np.empty((2, *at.shape), np.float32)
    z = as_complex(points)
    begin = z.take(first)
    if count > FEW_SAMPLES:
        away = z.take(at)
        away -= begin
        q[0], q[1] = away.real, away.imag
        return q, tolerance.take(at)
    # With as many samples as points, some must lie between: a cubic may bulge there.
    low = exact.astype(np.int64)
    np.minimum(low, last - first - 1, out=low)
    exact -= low
    low += first
    near, way = z.take(low), z.take(low + 1)
    way -= near
    near -= begin
    q[0], q[1] = near.real + exact * way.real, near.imag + exact * way.imag
    return q, tolerance.take(at)


def _fit(
    q: F32, tolerance: F32, start: F32, end: F32, rounds: int, hopeless: float
) -> tuple[F32, F32, F32, F32]:
    """Handle lengths (2, S), ``worst`` and ``at`` (S,) as in Fit, and parameters (M, S)."""
    gap = np.diff(q, axis=1)
    u = np.zeros(q.shape[1:], np.float32)
    np.cumsum(np.sqrt(_dot(gap, gap)), axis=0, out=u[1:])
    u /= np.maximum(u[-1], 1e-6)
    chord = q[:, -1]
    length: F32 = np.maximum(np.sqrt(_dot(chord, chord)), np.float32(1e-6))
    lean: F32 = np.stack([_dot(start, chord), _dot(end, chord)]) / length
    backward = (lean < 0.0).any(0)
    inner = _handles(q, u, start, end, length, lean)
    u, off = _nearer(q, u, inner, start, end)
    worst, at = _worst(off, tolerance)
    worst[backward] = np.inf
    if rounds == 1:
        return inner, worst, at, u
    rest = np.flatnonzero(worst <= hopeless)
    if rest.size < _WORTH_LEAVING * worst.size:
        q, start, end, lean = (part.take(rest, axis=-1) for part in (q, start, end, lean))
        u, tolerance, length = (part.take(rest, axis=-1) for part in (u, tolerance, length))
    else:
        rest = np.arange(worst.size)
    for _ in range(rounds - 1):
        fitted = _handles(q, u, start, end, length, lean)
        u, off = _nearer(q, u, fitted, start, end)
    inner[:, rest] = fitted
    worst[rest], at[rest] = _worst(off, tolerance)
    worst[backward] = np.inf
    return inner, worst, at, u


def _worst(off: F32, tolerance: F32) -> tuple[F32, F32]:
    """The largest of the squared distances ``off`` (M, S) as a share of its tolerance; where."""
    off /= tolerance * tolerance
    at = np.argmax(off, axis=0)
    worst = np.sqrt(np.take_along_axis(off, at[None], 0)[0])
    return worst, (at / np.float32(off.shape[0] - 1)).astype(np.float32)


def _basis(u: F32) -> tuple[F32, F32, F32]:
    """Weights of both inner control points, and of the last two together."""
    square = u * u
    b2 = np.subtract(_ONE, u)
    b1 = u * b2
    b2 *= square
    b2 *= _THREE
    b1 *= _THREE
    b1 -= b2
    # 3u(1 - u) - 3u²(1 - u) is 3u(1 - u)², and u²(3 - 2u) the end's share.
    u = np.subtract(_THREE, _TWO * u)
    u *= square
    return b1, b2, u


def _normal_sums(q: F32, u: F32) -> tuple[F32, F32, F32, F32, F32]:
    """What least squares ask: b1·b1, b1·b2, b2·b2 (S,), b1·rest and b2·rest (2, S), the rest
    being what the two ends leave of ``q``.
    """
    b1, b2, ends = _basis(u)
    p3 = q[:, -1]
    r1 = np.stack([_summed(b1, q[0]), _summed(b1, q[1])]) - _summed(b1, ends) * p3
    r2 = np.stack([_summed(b2, q[0]), _summed(b2, q[1])]) - _summed(b2, ends) * p3
    return _summed(b1, b1), _summed(b1, b2), _summed(b2, b2), r1, r2


def _summed(one: F32, other: F32) -> F32:
    """Sums (S,) of the products of (M, S), M a multiple of 4: four by four, then these."""
    product = one * other
    sums = np.zeros((4, product.shape[1]), np.float32)
    many = len(product) // 16 * 16
    # of sixteen the last four first: as ``numpy.einsum`` adds up rows of samples
    for four in range(many):
        if four % 4 == 0:
            at = four // 16 * 16 + 12 - four % 16
            sums += product[at : at + 4]
    for four in range(many, len(product), 4):
        sums += product[four : four + 4]
    sums[0] += sums[1]
    sums[2] += sums[3]
    return np.asarray(sums[0] + sums[2], np.float32)


def _handles(q: F32, u: F32, start: F32, end: F32, length: F32, lean: F32) -> F32:
    """Handle lengths (2, S) by least squares, kept where the cubic advances along its chord."""
    c11, c12, c22, r1, r2 = _normal_sums(q, u)
    c12 *= -_dot(start, end)
    x1 = _dot(start, r1)
    x2 = -_dot(end, r2)
    det = c11 * c22 - c12 * c12
    flat = det <= np.float32(1e-4) * c11 * c22
    det[flat] = 1.0
    inner: F32 = np.stack(((c22 * x1 - c12 * x2) / det, (c11 * x2 - c12 * x1) / det))
    inner[:, flat] = length[flat] / 3.0
    return keep_onward(inner.T, length, lean.T).T


def _dot(one: F32, other: F32) -> F32:
    dot: F32 = one[0] * other[0]
    dot += one[1] * other[1]
    return dot


def _free_tangents(q: F32, u: F32) -> tuple[F32, F32]:
    """Directions (2, S) that both ends would take with no tangent asked of them.

    Their lengths are those of the handles: the longer, the surer.
    """
    c11, c12, c22, r1, r2 = _normal_sums(q, u)
    det: F32 = np.maximum(c11 * c22 - c12 * c12, np.float32(1e-9))
    p1 = np.asarray((c22 * r1 - c12 * r2) / det, np.float32)
    p2 = np.asarray((c11 * r2 - c12 * r1) / det, np.float32)
    return p1, -p2


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


def _nearer(q: F32, u: F32, inner: F32, start: F32, end: F32) -> tuple[F32, F32]:
    """Every parameter moved to the foot of its sample; the squared distances there (M, S).

    Gauss's step, along the tangent: it leaves of the way to the foot what curvature times
    distance is, which is less than a fiftieth wherever the fit is any good.
    """
    p3 = q[:, -1]
    c1 = _THREE * inner[0] * start
    p2 = p3 - inner[1] * end
    c2 = _THREE * p2 - _TWO * c1
    c3 = p3 - c1 - c2
    off, speed = np.empty_like(q), np.empty_like(q)
    for axis in (0, 1):
        # Horner's rule gives the point and, beside it, its derivative.
        point, way = off[axis], speed[axis]
        np.multiply(c3[axis], u, out=way)
        np.add(way, c2[axis], out=point)
        way += point
        way *= u
        point *= u
        point += c1[axis]
        way += point
        point *= u
        point -= q[axis]
    across = _dot(speed, speed)
    np.maximum(across, np.float32(1e-9), out=across)
    along = _dot(speed, off)
    moved = along / across
    np.subtract(u, moved, out=moved)
    np.clip(moved, np.float32(0.0), np.float32(1.0), out=moved)
    moved[0], moved[-1] = 0.0, 1.0
    # The square of what the step leaves: (off - speed · step)².
    step = u - moved
    across *= step
    along *= _TWO
    across -= along
    across *= step
    across += _dot(off, off)
    return moved, np.maximum(across, np.float32(0.0), out=across)


def along_cubics(cubics: F64, steps: I64, points: F64, but: int) -> None:
    """Put points on each cubic (S, 4, 2), as many as it has ``steps`` (S,), into ``points`` (N, 2).

    They lie evenly by the parameter, the cubic's end left out, one cubic after another. What has
    ``but`` steps is left as it is.
    """
    lay = along_by_numpy if _along is None else along_compiled
    lay(cubics, steps, points, but)


def along_compiled(cubics: F64, steps: I64, points: F64, but: int) -> None:
    """Do what ``along_cubics`` does, by ``_cubics.c``: the same."""
    _along(np.ascontiguousarray(cubics), np.ascontiguousarray(steps), points, but)


def along_by_numpy(cubics: F64, steps: I64, points: F64, but: int) -> None:
    """Do what ``along_cubics`` does."""
    own = np.repeat(np.arange(steps.size, dtype=np.int32), steps)
    begin = np.cumsum(steps) - steps
    many = np.flatnonzero((steps != but).take(own))
    for part in blocks(many.size):
        at = own.take(many[part])
        t = (many[part] - begin.take(at)) / steps.take(at)
        put_rows(points, many[part], on_cubics(cubics, at, t))


def on_cubics(cubics: F64, which: I64 | I32, t: F64) -> F64:
    """Points (N, 2) on those ``which`` (N,) of ``cubics`` (S, 4, 2), at parameters ``t`` (N,)."""
    t = t[:, None]
    p0, p1, p2, p3 = cubics.take(which, axis=0).transpose(1, 0, 2)
    s = 1.0 - t
    points: F64 = s * s * (s * p0 + 3.0 * t * p1) + t * t * (3.0 * s * p2 + t * p3)
    return points
