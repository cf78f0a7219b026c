"""Small pages with known reflectance, lit and photographed by formulas of their own.

Independent of the demo page and its camera: straight strokes, Beer–Lambert pencil, area
mixture at the ink's edge, light in closed form.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, U8
from inkclean.sheet.values import Frame, Sheet

PX_PER_MM = 12.0
BLACK = (0.035, 0.033, 0.036)
FRAME = Frame(np.zeros((4, 2)), None, 100.0, 100.0, None, "whole", 1.0)
_SUB = 16


def linear(code: str) -> F64:
    """Linear R, G, B of ``#RRGGBB`` (IEC 61966-2-1)."""
    encoded = np.array([int(code[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    return np.asarray(
        np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    )


def lines(shape: tuple[int, int], ends: F64, width_mm: float | F64) -> F32:
    """Coverage of straight strokes, ``ends`` (N, 2, 2) mm, by anti-aliased polygons."""
    canvas = np.zeros(shape, np.uint8)
    widths = np.broadcast_to(np.asarray(width_mm, float), (len(ends),))
    for (a, b), width in zip(ends * PX_PER_MM, widths, strict=True):
        along = (b - a) / max(float(np.hypot(*(b - a))), 1e-9)
        side = np.array([-along[1], along[0]]) * width * PX_PER_MM / 2
        quad = np.array([a + side, b + side, b - side, a - side])
        cv2.fillPoly(canvas, [np.rint(quad * _SUB).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return canvas.astype(np.float32) / np.float32(255)


def scatter(count: int, size_mm: float, length_mm: float, seed: int) -> F64:
    """Ends (N, 2, 2) mm of strokes strewn over the page."""
    rng = np.random.default_rng(seed)
    start = rng.uniform(3.0, size_mm - 3.0, (count, 2))
    angle = rng.uniform(0.0, 2 * np.pi, count)
    reach = length_mm * rng.uniform(0.5, 1.0, count)
    end = start + np.stack([np.cos(angle), np.sin(angle)], axis=1) * reach[:, None]
    return np.stack([start, end], axis=1)


@dataclass(frozen=True)
class Drawn:
    """A page: coverage of ink, amount of pencil (0..1), reflectance (H, W, 3)."""

    ink: F32
    pencil: F32
    reflectance: F32


def draw(
    pencil: str | None = None,
    *,
    ink: tuple[float, float, float] | F64 = BLACK,
    grid: str | None = None,
    solid: bool = True,
    size_mm: float = 90.0,
    seed: int = 3,
) -> Drawn:
    """Ink strokes of 0.3 to 0.9 mm and a solid, over pencil strokes that keep them company."""
    shape = (round(size_mm * PX_PER_MM),) * 2
    rng = np.random.default_rng(seed)
    strokes = scatter(60, size_mm, 18.0, seed)
    cover = lines(shape, strokes, rng.choice([0.3, 0.5, 0.9], len(strokes)))
    if solid:
        edge = slice(round(20 * PX_PER_MM), round(38 * PX_PER_MM))
        cover[edge, edge] = 1.0
    amount = np.zeros(shape, np.float32)
    if pencil is not None:
        beside = strokes + rng.normal(0.0, 0.5, strokes.shape)
        more = scatter(12, size_mm, 60.0, seed + 1)
        amount = np.maximum(lines(shape, beside, 0.6), lines(shape, more, 0.8))
        tooth = cv2.GaussianBlur(rng.normal(0, 1, shape).astype(np.float32), (0, 0), 1.2)
        amount *= np.clip(0.75 + 0.2 * tooth / tooth.std(), 0.0, 1.1)
    under = np.exp(amount[..., None] * np.log(linear(pencil or "#FFFFFF")))
    if grid is not None:
        at = np.arange(2.5, size_mm, 5.0)
        far = np.full_like(at, size_mm)
        across = np.stack([np.stack([0 * at, at], 1), np.stack([far, at], 1)], axis=1)
        ruled = np.maximum(lines(shape, across, 0.2), lines(shape, across[..., ::-1], 0.2))
        under = under * np.exp(ruled[..., None] * np.log(linear(grid)))
    share = cover[..., None]
    return Drawn(cover, amount, ((1 - share) * under + share * np.asarray(ink)).astype(np.float32))


def shoot(
    reflectance: F32,
    light: F32 | float = 1.0,
    *,
    blur: float = 1.0,
    noise: float = 0.01,
    exposure: float = 0.8,
    seed: int = 1,
) -> U8:
    """Lit, blurred, with shot noise, encoded: (H, W, 3) uint8."""
    rng = np.random.default_rng(seed)
    lit = np.asarray(cv2.GaussianBlur(reflectance * light * exposure, (0, 0), blur), np.float64)
    grain = noise * np.sqrt(np.maximum(lit, 0.01)) * rng.normal(0, 1, lit.shape)
    image = np.clip(lit + grain, 0.0, 1.0)
    coded = np.where(
        image <= 0.0031308, image * 12.92, 1.055 * np.maximum(image, 1e-9) ** (1 / 2.4) - 0.055
    )
    return np.asarray(np.rint(coded * 255), np.uint8)


def even(drawn: Drawn, *, blur: float = 1.0, noise: float = 0.01, seed: int = 1) -> Sheet:
    """The sheet as a perfect light correction would leave it."""
    rng = np.random.default_rng(seed)
    image = np.asarray(cv2.GaussianBlur(drawn.reflectance, (0, 0), blur), np.float64)
    image = image + noise * rng.normal(0, 1, image.shape)
    sheet = np.asarray(np.clip(image, 0.0, 1.5), np.float32)
    return Sheet(sheet, PX_PER_MM, FRAME, np.ones((2, 2, 3), np.float32), noise=noise)


def position(shape: tuple[int, int]) -> tuple[F32, F32]:
    """x and y, 0..1, of every pixel centre."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32)
    return (x + 0.5) / shape[1], (y + 0.5) / shape[0]
