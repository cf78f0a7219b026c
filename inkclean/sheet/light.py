"""From squared-up pixels to an evenly lit sheet: bare paper is 1.0 in every channel."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.arrays import F32, U8, Bool
from inkclean.sheet.holes import punched_holes
from inkclean.sheet.shading import Shading, find_shading, grid_size
from inkclean.sheet.tones import TO_LINEAR, to_linear
from inkclean.sheet.values import Frame, Sheet

STRIP = 64  # rows handled at once: the strip's float planes stay in the cache
BRIGHTEST = 1.5  # reflectance is clipped here: a glint on paper is no information
NOISE_SAMPLES = 40_000  # enough for a standard deviation to half a per cent


def even_light(pixels: U8, px_per_mm: float, frame: Frame, inside: Bool | None = None) -> Sheet:
    """Divide the light on the paper out of the picture.

    Args:
        pixels: (H, W, 3) uint8, the squared-up sheet, sRGB-encoded.
        px_per_mm: scale of ``pixels``.
        frame: where the sheet lay in the photo; passed on.
        inside: (H, W) bool, False where the photo did not reach, or None.

    Returns:
        The sheet, with bare paper at 1.0 in each channel (lamp colour and tinted paper are
        gone). Where the photo did not reach, and in punched holes, it is blank paper.
    """
    high, wide = grid_size(pixels.shape, px_per_mm)
    samples = np.asarray(cv2.resize(pixels, (wide, high), interpolation=cv2.INTER_AREA), np.uint8)
    reached = None
    if inside is not None:
        reached = _shrink(inside, (wide, high))
    per_mm = px_per_mm * wide / pixels.shape[1]
    shading = find_shading(samples, per_mm, reached)
    reflectance = _divide(pixels, 1.0 / shading.light)
    if inside is not None:
        reflectance[~inside] = 1.0
    holes = punched_holes(to_linear(samples) / shading.light, per_mm)
    if holes is not None:
        reflectance[_grow(holes, pixels.shape)] = 1.0
    return Sheet(
        reflectance=reflectance,
        px_per_mm=px_per_mm,
        frame=frame,
        shading=shading.light,
        inside=inside,
        shade_edge=_grow(shading.edge, pixels.shape) if shading.edge.any() else None,
        noise=_noise(reflectance, shading),
    )


def _shrink(mask: Bool, size: tuple[int, int]) -> Bool:
    share = cv2.resize(mask.astype(np.uint8) * 255, size, interpolation=cv2.INTER_AREA)
    return np.asarray(share > 250, np.bool_)


def _grow(mask: Bool, shape: tuple[int, ...]) -> Bool:
    size = (shape[1], shape[0])
    whole = cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    return np.asarray(whole, np.bool_)


def _divide(pixels: U8, gain: F32) -> F32:
    """Linear light of ``pixels`` times ``gain``, which is stretched over them bilinearly."""
    high, wide = pixels.shape[:2]
    result = np.empty(pixels.shape, np.float32)
    rows = (np.arange(high, dtype=np.float32) + 0.5) * (gain.shape[0] / high) - 0.5
    rows = np.clip(rows, 0, gain.shape[0] - 1)
    upper = np.minimum(rows.astype(np.int32), max(gain.shape[0] - 2, 0))
    lower = np.minimum(upper + 1, gain.shape[0] - 1)
    part = (rows - upper)[:, None, None]
    for top in range(0, high, STRIP):
        strip = slice(top, min(top + STRIP, high))
        above, below = gain[upper[strip]], gain[lower[strip]]
        lerp = above + part[strip] * (below - above)
        stretched = cv2.resize(lerp, (wide, lerp.shape[0]), interpolation=cv2.INTER_LINEAR)
        linear = cv2.LUT(pixels[strip], TO_LINEAR)
        target = result[strip]
        np.multiply(linear.reshape(target.shape), stretched.reshape(target.shape), out=target)
        np.minimum(target, np.float32(BRIGHTEST), out=target)
    return result


def _noise(reflectance: F32, shading: Shading) -> float:
    """Standard deviation of bare paper, by the median of absolute deviations."""
    rows, columns = np.nonzero(shading.paper)
    if rows.size == 0:
        return 0.01
    stride = max(1, rows.size // NOISE_SAMPLES)
    high, wide = reflectance.shape[:2]
    rows = ((rows[::stride] + 0.5) * (high / shading.paper.shape[0])).astype(np.intp)
    columns = ((columns[::stride] + 0.5) * (wide / shading.paper.shape[1])).astype(np.intp)
    values = reflectance[np.minimum(rows, high - 1), np.minimum(columns, wide - 1)]
    spread = np.abs(values - np.median(values, axis=0))
    return max(1e-3, 1.4826 * float(np.median(spread)))
