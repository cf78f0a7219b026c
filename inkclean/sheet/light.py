"""From squared-up pixels to an evenly lit sheet: bare paper is 1.0 in every channel."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from inkclean.base.arrays import U8, Bool, median
from inkclean.base.colour import to_linear
from inkclean.sheet.holes import punched_holes
from inkclean.sheet.lit import Lit, at, shape_of
from inkclean.sheet.rim import find_rim
from inkclean.sheet.shading import LightGrid, find_shading, grid_size
from inkclean.sheet.values import Frame, Sheet

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
        gone). Where the photo did not reach, in punched holes and on a scanner's rim, it is blank
        paper; the rim counts as not reached, too.
    """
    high, wide = grid_size(pixels.shape, px_per_mm)
    samples = np.asarray(cv2.resize(pixels, (wide, high), interpolation=cv2.INTER_AREA), np.uint8)
    reached = None
    if inside is not None:
        reached = _shrink(inside, (wide, high))
    per_mm = px_per_mm * wide / pixels.shape[1]
    shading = find_shading(samples, per_mm, reached)
    blank = None if inside is None else ~inside
    holes = punched_holes(to_linear(samples) / shading.light, per_mm)
    if holes is not None:
        punched = _grow(holes, pixels.shape)
        blank = punched if blank is None else blank | punched
    tone = Lit(pixels, 1.0 / shading.light, blank)
    rim = find_rim(tone, px_per_mm, cut_out=frame.framed == "found")
    if rim is not None:
        inside = ~rim if inside is None else inside & ~rim
        tone = replace(tone, blank=rim if blank is None else blank | rim)
    return Sheet(
        tone=tone,
        px_per_mm=px_per_mm,
        frame=frame,
        shading=shading.light,
        inside=inside,
        shade_edge=_grow(shading.edge, pixels.shape) if shading.edge.any() else None,
        noise=_noise(tone, shading),
    )


def _shrink(mask: Bool, size: tuple[int, int]) -> Bool:
    share = cv2.resize(mask.astype(np.uint8) * 255, size, interpolation=cv2.INTER_AREA)
    return np.asarray(share > 250, np.bool_)


def _grow(mask: Bool, shape: tuple[int, ...]) -> Bool:
    size = (shape[1], shape[0])
    whole = cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    return np.asarray(whole, np.bool_)


def _noise(tone: Lit, shading: LightGrid) -> float:
    """Standard deviation of bare paper, by the median of absolute deviations."""
    rows, columns = np.nonzero(shading.paper)
    if rows.size == 0:
        return 0.01
    stride = max(1, rows.size // NOISE_SAMPLES)
    high, wide = shape_of(tone)
    rows = ((rows[::stride] + 0.5) * (high / shading.paper.shape[0])).astype(np.int64)
    columns = ((columns[::stride] + 0.5) * (wide / shading.paper.shape[1])).astype(np.int64)
    values = at(tone, np.minimum(rows, high - 1), np.minimum(columns, wide - 1))
    spread = np.abs(values - np.array([median(channel) for channel in values.T]))
    return max(1e-3, 1.4826 * float(median(spread)))
