"""Maps of a piece of a drawn page, and the pen that draws on them.

A map says where ink was laid, how much of it, and how dry the pen ran there: the paper's tooth
and everything after it come later, afresh each time a piece is looked at (``wear``).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F64, U8

PX_PER_MM = 20  # of the maps
SIDE = 1536  # px of the maps
SIDE_MM = SIDE / PX_PER_MM
_FINER = 2  # shapes are drawn so much finer, and averaged
_BITS = 4
DENSITY_ONE = 128  # code of a stroke as dense as the page's usual ink
BROAD_MM = 0.6  # a broad brush keeps its texture
LIFTED = 0.08  # share of long strokes with a gap


@dataclass(frozen=True)
class Maps:
    """``shape`` (2 × SIDE)² uint8 0 or 1; ``nature`` SIDE² × 3: density, dryness, breadth."""

    shape: U8
    nature: U8

    @classmethod
    def blank(cls) -> Maps:
        """Return maps of bare paper."""
        return cls(
            np.zeros((SIDE * _FINER, SIDE * _FINER), np.uint8),
            np.full((SIDE, SIDE, 3), (DENSITY_ONE, 0, 0), np.uint8),
        )

    def coverage(self) -> U8:
        """Return the shapes' coverage, 0 to 255."""
        mean = cv2.resize(self.shape * np.uint8(255), (SIDE, SIDE), interpolation=cv2.INTER_AREA)
        return np.asarray(mean, np.uint8)


def lay(
    maps: Maps,
    points: F64,
    width: F64,
    density: F64,
    dry: F64,
    *,
    erase: bool = False,
) -> None:
    """Draw a stroke along ``points`` (N, 2) mm; ``width`` mm, ``density``, ``dry`` are (N,)."""
    reach = 3.0
    if (points.max(0) < -reach).any() or (points.min(0) > SIDE_MM + reach).any():
        return
    tangent = np.gradient(points, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], 1) * (width / 2)[:, None]
    scale = PX_PER_MM * _FINER * 2**_BITS
    left = np.round((points + normal) * scale).astype(np.int32)
    right = np.round((points - normal) * scale).astype(np.int32)
    middle = np.round(points * scale).astype(np.int32)
    quads = np.stack([left[:-1], left[1:], right[1:], right[:-1]], 1)
    radius = np.maximum(1, np.round(width / 2 * scale)).astype(int).tolist()
    value = 0 if erase else 1
    centres = middle.tolist()
    for k in range(len(quads)):
        cv2.fillConvexPoly(maps.shape, quads[k], (value,), 8, _BITS)
        cv2.circle(maps.shape, centres[k], radius[k], (value,), -1, 8, _BITS)
    cv2.circle(maps.shape, centres[-1], radius[-1], (value,), -1, 8, _BITS)
    if erase:
        return
    codes = np.stack(
        [
            np.clip(density * DENSITY_ONE, 1, 255),
            np.clip(dry * 255, 0, 255),
            np.where(width > BROAD_MM, 255, 0),
        ],
        1,
    )
    colours = np.round((codes[:-1] + codes[1:]) / 2).astype(int).tolist()
    spots = np.round(points * (PX_PER_MM * 2**_BITS)).astype(int).tolist()
    thick = np.maximum(3, np.ceil(width * PX_PER_MM) + 3).astype(int).tolist()
    for k, colour in enumerate(colours):
        cv2.line(maps.nature, spots[k], spots[k + 1], colour, thick[k], 8, _BITS)


def lay_mask(
    maps: Maps,
    mask: U8,
    turn: float,
    size_mm: float,
    at: F64,
    density: float,
    dry: U8,
) -> None:
    """Lay a mask (h, w) of 0 and 1, ``size_mm`` across, turned, its middle ``at`` mm.

    ``dry`` (SIDE, SIDE) uint8 is the dryness all over the page.
    """
    high, wide = mask.shape
    scale = size_mm / max(high, wide)
    cos, sin = np.cos(turn) * scale, np.sin(turn) * scale
    middle = np.array([wide / 2, high / 2])
    matrix = np.array([[cos, -sin], [sin, cos]])
    for target, factor in ((maps.shape, PX_PER_MM * _FINER), (maps.nature, PX_PER_MM)):
        move = np.concatenate([matrix, (at - matrix @ middle)[:, None]], 1) * factor
        soft = cv2.warpAffine(mask * np.uint8(255), move, target.shape[1::-1], flags=1)
        laid = np.asarray(soft) > 127
        if target is maps.shape:
            target[laid] = 1
            continue
        kernel = cv2.getStructuringElement(
            cv2.MORPH_ELLIPSE, (round(BROAD_MM * PX_PER_MM) | 1,) * 2
        )
        broad = cv2.morphologyEx(laid.view(np.uint8), cv2.MORPH_OPEN, kernel) * np.uint8(255)
        grown = cv2.dilate(laid.view(np.uint8), np.ones((5, 5), np.uint8)) > 0
        target[grown, 0] = int(np.clip(density * DENSITY_ONE, 1, 255))
        target[grown, 1] = dry[grown]
        target[grown, 2] = broad[grown]


@dataclass(frozen=True)
class Hand:
    """How one person draws: a pen's width in mm, its pressure, how dry it runs, the tremor.

    ``dry`` is the dryness that strokes start with, ``drying`` how much it grows along a
    stroke, ``dry_share`` how many strokes are dry at all.
    """

    width: float
    pressure: float
    taper: float
    tremor: float
    dry_share: float
    dry: float
    drying: float
    uneven: float
    split: float

    @classmethod
    def any(cls, rng: np.random.Generator) -> Hand:
        """Return a hand at random."""
        return cls(
            width=float(np.exp(rng.uniform(np.log(0.07), np.log(0.75)))),
            pressure=float(rng.choice([0.03, 0.15, 0.35, 0.6], p=[0.3, 0.3, 0.25, 0.15])),
            taper=float(rng.choice([0.0, 0.5, 1.0])),
            tremor=float(rng.uniform(0.0, 0.12)),
            dry_share=float(rng.choice([0.0, 0.1, 0.5, 1.0], p=[0.22, 0.18, 0.3, 0.3])),
            dry=float(rng.uniform(0.15, 0.97)),
            drying=float(rng.uniform(0.0, 0.7)),
            uneven=float(rng.choice([0.0, 0.1, 0.3, 0.5], p=[0.5, 0.2, 0.2, 0.1])),
            split=float(rng.choice([0.0, 0.1], p=[0.8, 0.2])),
        )

    def stroke(
        self,
        maps: Maps,
        points: F64,
        rng: np.random.Generator,
        broader: float = 1.0,
        density: float = 1.0,
    ) -> None:
        """Draw a stroke along ``points`` (N, 2) mm, at even steps of about ``STEP_MM``."""
        count = len(points)
        t = np.linspace(0, 1, count)
        along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
        points = points + np.stack([waves(along, rng), waves(along, rng)], 1) * self.tremor
        swell = 1 + self.pressure * waves(along, rng)
        ends = np.minimum(1, np.minimum(along, along[-1] - along) / max(0.3 * along[-1], 0.01))
        tip = 1 - self.taper * float(rng.uniform(0.3, 1)) * (1 - ends**0.7)
        width = np.maximum(0.04, self.width * broader * swell * np.maximum(tip, 0.05))
        laid = density * (1 + self.uneven * 0.6 * waves(along, rng))
        dry = np.zeros(count)
        if rng.random() < self.dry_share:
            start = self.dry * rng.uniform(0.5, 1.15)
            dry = start + self.drying * t**2 * rng.random() + 0.12 * waves(along, rng)
        dry = np.clip(dry, 0, 0.985)
        for part in _lifted(along, rng):
            lay(maps, points[part], width[part], np.maximum(laid[part], 0.15), dry[part])
        if width.mean() > 0.2 and rng.random() < self.split:  # the nib's tines part
            part = slice(count // 4, count // 4 + count // 2)
            inner = width[part] * 0.4
            dryer = np.full(len(inner), 0.94)
            spots = np.round(points[part] * PX_PER_MM * 2**_BITS).astype(int).tolist()
            for k in range(len(spots) - 1):
                colour = [DENSITY_ONE, int(255 * dryer[k]), 0]
                thick = max(1, round(inner[k] * PX_PER_MM))
                cv2.line(maps.nature, spots[k], spots[k + 1], colour, thick, 8, _BITS)


def _lifted(along: F64, rng: np.random.Generator) -> list[slice]:
    """Return the parts of a stroke: now and then a pen leaves the paper for a millimetre or two."""
    count, long = len(along), float(along[-1])
    if long < 5 or rng.random() > LIFTED:
        return [slice(0, count)]
    start = rng.uniform(1.5, long - 3)
    first, last = np.searchsorted(along, [start, start + rng.uniform(1.0, 2.5)])
    parts = [slice(0, int(first)), slice(int(last), count)]
    return [part for part in parts if part.stop - part.start > 2]


STEP_MM = 0.5
_WAVES_MM = np.array([23.0, 9.0, 3.9, 1.7])
_SHARES = np.array([0.6, 0.45, 0.3, 0.2])


def waves(along: F64, rng: np.random.Generator) -> F64:
    """Return a smooth random deviation of about one for arc lengths ``along`` (N,)."""
    phase = rng.uniform(0, 2 * np.pi, 4)
    stretch = rng.uniform(0.7, 1.4, 4)
    turn = 2 * np.pi * along[:, None] * stretch / _WAVES_MM + phase
    return np.asarray(np.sin(turn) @ _SHARES)


def curve(points: F64, step: float = STEP_MM) -> F64:
    """Return a smooth line through ``points`` (N, 2), at even steps."""
    if len(points) > 2:
        padded = np.concatenate(
            [2 * points[:1] - points[1:2], points, 2 * points[-1:] - points[-2:-1]]
        )
        t = np.linspace(0, 1, 12, endpoint=False)[:, None, None]
        a, b, c, d = (padded[k : len(padded) - 3 + k][None] for k in range(4))
        body = 0.5 * (
            2 * b
            + (c - a) * t
            + (2 * a - 5 * b + 4 * c - d) * t**2
            + (3 * b - a - 3 * c + d) * t**3
        )
        points = np.concatenate([body.transpose(1, 0, 2).reshape(-1, 2), points[-1:]])
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    at = np.linspace(0, along[-1], max(3, int(along[-1] / step) + 1))
    return np.stack([np.interp(at, along, points[:, k]) for k in (0, 1)], 1)
