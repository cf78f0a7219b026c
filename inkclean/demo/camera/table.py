"""What lies under and around the paper, as linear reflectance in the photo's pixels."""

from __future__ import annotations

from typing import Literal

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64

Desk = Literal["dark", "wood", "white", "clutter"]
_BROWN = np.array([0.30, 0.165, 0.085], np.float32)


def paint(kind: Desk, size: tuple[int, int], corners_px: F64, rng: np.random.Generator) -> F32:
    """Return (H/2, W/2, 3) reflectance, R G B, of the desk for a photo of ``size`` (H, W)."""
    shape = ((size[0] + 1) // 2, (size[1] + 1) // 2)
    if kind == "dark":
        top = np.full((*shape, 3), (0.030, 0.031, 0.035), np.float32)
        top *= 1.0 + 0.25 * _cloud(shape, 5, rng)[..., None]
    elif kind == "white":
        top = np.full((*shape, 3), (0.80, 0.80, 0.78), np.float32)
        top *= 1.0 + 0.015 * _cloud(shape, 3, rng)[..., None]
    else:
        top = _wood(shape, rng)
    if kind == "clutter":
        top = _clutter(top, corners_px / 2.0, rng)
    return np.asarray(np.clip(top, 0.005, 0.95), np.float32)


def _cloud(shape: tuple[int, int], grain: int, rng: np.random.Generator) -> F32:
    """Noise of unit deviation, ``grain`` px coarse."""
    small = rng.standard_normal((shape[0] // grain + 2, shape[1] // grain + 2)).astype(np.float32)
    big = cv2.resize(small, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return np.asarray(big, np.float32)


def _wood(shape: tuple[int, int], rng: np.random.Generator) -> F32:
    height, width = shape
    y = np.arange(height, dtype=np.float32)[:, None] / 1000.0
    x = np.arange(width, dtype=np.float32)[None] / 1000.0
    drift = _cloud(shape, 240, rng) * 0.10 + _cloud((height, width), 70, rng) * 0.02
    plank = np.floor(y / 0.42 + 0.15)
    rings = np.sin(2 * np.pi * (11.0 * (y + drift) + 1.7 * np.sin(1.3 * x + 2.4 * plank)))
    fibre = cv2.resize(
        rng.standard_normal((height, max(width // 60, 2))).astype(np.float32), (width, height)
    )
    tone = 1.0 + 0.16 * rings + 0.10 * fibre + 0.12 * np.sin(5.1 * plank)
    seam = np.abs((y / 0.42 + 0.15) % 1.0 - 0.5) > 0.4955
    tone = np.where(seam, 0.25, tone)
    return np.asarray(_BROWN * tone[..., None], np.float32)


def _clutter(top: F32, corners: F64, rng: np.random.Generator) -> F32:
    """Lay things a desk holds around the sheet: another sheet, a book, pens, a cup, a ruler."""
    centre = corners.mean(axis=0)
    edges = (corners + np.roll(corners, -1, axis=0)) / 2
    outward = edges - centre
    out = np.ascontiguousarray(top)

    def box(
        side: int,
        along: float,
        off: float,
        w: float,
        h: float,
        deg: float,
        colour: tuple[float, float, float],
    ) -> F64:
        unit = outward[side] / np.hypot(*outward[side])
        across = np.array([-unit[1], unit[0]])
        at = edges[side] + unit * off + across * along
        t = np.radians(deg)
        turn = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
        quad = (np.array([[-w, -h], [w, -h], [w, h], [-w, h]]) / 2) @ turn.T + at
        shade = quad + np.array([7.0, 9.0])
        _poly(out, shade, (0.02, 0.015, 0.01))
        _poly(out, quad, colour)
        return np.asarray(quad, np.float64)

    box(0, -180, 10, 620, 420, 8, (0.72, 0.71, 0.66))
    book = box(1, 120, 70, 260, 520, -12, (0.08, 0.16, 0.22))
    _poly(out, book * 0.94 + book.mean(axis=0) * 0.06, (0.10, 0.21, 0.28))
    box(3, 60, 55, 44, 900, 3, (0.75, 0.62, 0.16))
    box(2, -150, 40, 560, 26, -6, (0.30, 0.05, 0.05))
    box(2, 120, 60, 480, 22, 14, (0.05, 0.05, 0.05))
    cup = edges[0] + outward[0] * 0.07 + (330 + 30 * rng.random(), 0)
    for radius, colour in ((150, (0.55, 0.55, 0.5)), (132, (0.02, 0.012, 0.008))):
        cv2.circle(out, _int(cup), radius, colour, -1, cv2.LINE_AA)
    return out


def _poly(image: F32, quad: F64, colour: tuple[float, float, float]) -> None:
    cv2.fillPoly(image, [np.round(quad * 16).astype(np.int32)], colour, cv2.LINE_8, 4)


def _int(xy: F64) -> tuple[int, int]:
    return int(xy[0]), int(xy[1])
