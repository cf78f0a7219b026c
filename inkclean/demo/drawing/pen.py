"""A pen with pressure, wobble and gaps: centrelines become outlines of ink. All in mm."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from inkclean.base.arrays import F64

# wave lengths of a hand's tremor, and their share of it: slow drift, wrist, fingers
_WAVES_MM = (31.0, 11.0, 3.7)
_SHARES = (0.55, 0.33, 0.18)
# no pen or brush ends finer than this: wet ink draws together (by eye, no source)
_FINEST_MM = 0.09
_CAP_POINTS = 5


@dataclass(frozen=True)
class Pen:
    """How a stroke lies on the paper.

    ``width_mm`` at full pressure; ``start`` and ``end`` are the shares of it at the stroke's
    ends (1: blunt, 0: pointed), reached over ``taper_mm``; ``pressure`` is the share by which
    the width wanders along the stroke, ``wobble_mm`` how far the centreline does; ``gaps`` is
    the mean number of skips per 100 mm.
    """

    width_mm: float = 0.4
    start: float = 1.0
    end: float = 1.0
    taper_mm: float = 6.0
    pressure: float = 0.1
    wobble_mm: float = 0.06
    gaps: float = 0.0

    def but(self, **changes: float) -> Pen:
        """Return the pen with some of its properties changed."""
        return replace(self, **changes)


def smooth(points: F64, *, closed: bool = False, step: float = 0.6) -> F64:
    """Return a Catmull–Rom curve (centripetal) through ``points`` (N, 2), one point a step.

    Source: Catmull & Rom 1974; centripetal knots by Yuksel, Schaefer, Keyser, CAD 43(7), 2011.
    """
    points = np.asarray(points, np.float64)
    if len(points) < 3 and not closed:
        return resample(points, step)
    if closed:
        ring = np.concatenate([points[-1:], points, points[:2]])
    else:
        ring = np.concatenate(
            [2 * points[:1] - points[1:2], points, 2 * points[-1:] - points[-2:-1]]
        )
    knots = np.sqrt(np.maximum(np.hypot(*np.diff(ring, axis=0).T), 1e-9))
    t = np.concatenate([[0.0], np.cumsum(knots)])
    spans = len(ring) - 3
    per = np.linspace(0.0, 1.0, 16, endpoint=False)
    k = np.repeat(np.arange(spans), len(per))
    u = (t[k + 1] + np.tile(per, spans) * (t[k + 2] - t[k + 1]))[:, None]
    p = [ring[k + i] for i in range(4)]
    s = [t[k + i][:, None] for i in range(4)]
    a = [((s[i + 1] - u) * p[i] + (u - s[i]) * p[i + 1]) / (s[i + 1] - s[i]) for i in range(3)]
    b = [((s[i + 2] - u) * a[i] + (u - s[i]) * a[i + 1]) / (s[i + 2] - s[i]) for i in range(2)]
    curve = ((s[2] - u) * b[0] + (u - s[1]) * b[1]) / (s[2] - s[1])
    curve = np.concatenate([curve, points[:1] if closed else points[-1:]])
    return resample(curve, step)


def resample(points: F64, step: float) -> F64:
    """Return the polyline with points at even distances of at most ``step``, ends kept."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    count = max(int(np.ceil(along[-1] / step)), 2) + 1
    at = np.linspace(0.0, along[-1], count)
    return np.stack([np.interp(at, along, points[:, 0]), np.interp(at, along, points[:, 1])], 1)


def tremor(along: F64, amplitude: float, rng: np.random.Generator) -> F64:
    """Return a smooth random deviation for arc lengths ``along`` (N, K), one row a stroke."""
    out = np.zeros_like(along)
    for wave, share in zip(_WAVES_MM, _SHARES, strict=True):
        stretch = rng.uniform(0.7, 1.4, (len(along), 1))
        phase = rng.uniform(0.0, 2 * np.pi, (len(along), 1))
        out += share * np.sin(2 * np.pi * along * stretch / wave + phase)
    return out * amplitude


def ink_strokes(centres: F64, pen: Pen, rng: np.random.Generator) -> list[F64]:
    """Return outlines of the strokes drawn along ``centres`` (N, K, 2) with one pen."""
    step = np.hypot(*np.moveaxis(np.diff(centres, axis=1), 2, 0))
    along = np.concatenate([np.zeros((len(centres), 1)), np.cumsum(step, axis=1)], axis=1)
    length = along[:, -1:]
    normal = _normals(centres)
    if pen.wobble_mm:
        # a short stroke has no room to wander
        room = np.minimum(1.0, length / 12.0)
        centres = centres + (tremor(along, pen.wobble_mm, rng) * room)[..., None] * normal
    taper = np.maximum(np.minimum(pen.taper_mm, 0.45 * length), 1e-6)
    rise = np.sin(0.5 * np.pi * np.clip(along / taper, 0.0, 1.0))
    fall = np.sin(0.5 * np.pi * np.clip((length - along) / taper, 0.0, 1.0))
    width = (pen.start + (1 - pen.start) * rise) * (pen.end + (1 - pen.end) * fall)
    width = pen.width_mm * width * (1.0 + tremor(along, pen.pressure, rng))
    return list(_outlines(centres, _normals(centres), np.maximum(width, _FINEST_MM)))


def skips(curve: F64, pen: Pen, rng: np.random.Generator) -> list[F64]:
    """Return the curve cut where the pen left the paper: gaps of 0.6 to 2 mm."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(curve, axis=0).T))])
    count = rng.poisson(along[-1] * pen.gaps / 100.0)
    if count == 0 or along[-1] < 12.0:
        return [curve]
    keep = np.ones(len(curve), bool)
    for at in rng.uniform(4.0, along[-1] - 4.0, count):
        keep[np.abs(along - at) < rng.uniform(0.3, 1.0)] = False
    cuts = np.flatnonzero(np.diff(keep.astype(np.int8))) + 1
    parts = np.split(np.arange(len(curve)), cuts)
    return [curve[part] for part in parts if keep[part[0]] and len(part) > 2]


def _normals(centres: F64) -> F64:
    tangent = np.gradient(centres, axis=1)
    size = np.maximum(np.hypot(tangent[..., 0], tangent[..., 1]), 1e-9)[..., None]
    tangent = tangent / size
    return np.stack([-tangent[..., 1], tangent[..., 0]], axis=-1)


def _outlines(centres: F64, normal: F64, width: F64) -> F64:
    half = (width / 2)[..., None]
    left, right = centres + half * normal, centres - half * normal
    turn = np.linspace(0.0, np.pi, _CAP_POINTS + 2)[1:-1, None]
    end = _cap(centres[:, -1:], normal[:, -1:], half[:, -1:], turn)
    start = _cap(centres[:, :1], -normal[:, :1], half[:, :1], turn)
    return np.concatenate([left, end, right[:, ::-1], start], axis=1)


def _cap(centre: F64, normal: F64, half: F64, turn: F64) -> F64:
    forward = np.stack([normal[..., 1], -normal[..., 0]], axis=-1)
    return np.asarray(centre + half * (np.cos(turn) * normal + np.sin(turn) * forward), np.float64)


def disc(x: float, y: float, diameter: float, wobble: float, rng: np.random.Generator) -> F64:
    """Return the outline of a dot set by hand: nearly round, its area that of the disc."""
    turn = np.linspace(0.0, 2 * np.pi, 28, endpoint=False)
    ripple = sum(np.cos(k * turn + rng.uniform(0, 6.3)) * rng.normal(0, wobble) for k in (2, 3))
    radius = diameter / 2 * (1.0 + ripple)
    shape = np.stack([radius * np.cos(turn), radius * np.sin(turn)], axis=1)
    nxt = np.roll(shape, -1, axis=0)
    area = abs(np.sum(shape[:, 0] * nxt[:, 1] - nxt[:, 0] * shape[:, 1])) / 2
    scale = np.sqrt(np.pi * diameter**2 / 4 / area)
    return np.asarray(shape * scale + np.array([x, y]), np.float64)
