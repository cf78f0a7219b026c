"""Grey as tones: how much ink each place asks for, before any screen.

A picture's grey is taken by its number, as paint programs show it: 30 % grey is a tone of
30 %, which on the press grows by its dot gain.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, U8, U16
from inkclean.base.colour import encode, to_linear
from inkclean.base.units import MM_PER_INCH
from inkclean.deliver.pictures.raster import Region
from inkclean.deliver.screens.ruling import Screen
from inkclean.deliver.screens.threshold import FULL

_LUMINANCE = np.array([[0.2126, 0.7152, 0.0722]], np.float32)
# mm around the ink that the camera blurs with it: no tone of their own
_RIM_MM = 0.25
# grey from which paper is bare: half of the smallest dot that any press holds
_PAPER = 252


@dataclass(frozen=True)
class Tones:
    """Tones (H, W) uint16, 0 bare paper to 65535 solid, and the rectangle in mm they fill."""

    values: U16
    area: Region

    @property
    def ppi(self) -> float:
        """Pixels per inch, in the direction that has fewer."""
        height, width = self.values.shape
        return float(min(width / self.area.width_mm, height / self.area.height_mm) * MM_PER_INCH)


def grey_of(pixels: U8) -> U8:
    """Return the grey (H, W) uint8 of sRGB (H, W, 3) or CMYK (H, W, 4), 255 = white."""
    if pixels.shape[2] == 4:
        rest = 255 - pixels.astype(np.uint32)
        light = rest[..., :3] @ np.array([54, 183, 19], np.uint32) >> 8
        return (light * rest[..., 3] // 255).astype(np.uint8)
    if (pixels[..., :1] == pixels).all():
        return np.ascontiguousarray(pixels[..., 0])
    return _encoded(np.asarray(cv2.transform(to_linear(pixels), _LUMINANCE), np.float32))


def _encoded(linear: F32) -> U8:
    """Return sRGB-encoded bytes of linear light; above white is white."""
    table = np.rint(encode(np.linspace(0.0, 1.0, FULL + 1)) * 255).astype(np.uint8)
    return table[(np.clip(linear, 0.0, 1.0) * FULL).astype(np.uint16)]


def wash_grey(reflectance: F32, coverage: F32, noise: float, px_per_mm: float) -> U8:
    """Return what is on the paper beside the ink: wash and pencil, (H, W) uint8, 255 = white.

    ``reflectance`` is (H, W), or (H, W, 3), linear, 1.0 = bare paper. Where ink lies, and where it
    blurs into the paper beside it, the tone is that of the places around. What lies within three
    deviations of the noise from bare paper, or is fainter than any press prints, is paper.
    """
    if reflectance.ndim == 3:
        reflectance = np.asarray(cv2.transform(reflectance, _LUMINANCE), np.float32)
    side = 2 * max(1, round(_RIM_MM * px_per_mm)) + 1
    around = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    inked = np.asarray(cv2.dilate((coverage > 0.05).astype(np.uint8), around), np.uint8)
    filled = _filled(reflectance, inked)
    filled /= np.float32(max(1.0 - 3.0 * noise, 0.5))
    grey = _encoded(filled)
    grey[grey >= _PAPER] = 255
    return grey


def _filled(reflectance: F32, gone: U8) -> F32:
    """Return the picture with the places in ``gone`` filled from those around, near ones first.

    A pyramid of means over known places: each level fills what the finer one could not (pull and
    push, Gortler et al., "The Lumigraph", SIGGRAPH 1996).
    """
    known = (1 - gone).astype(np.float32)
    levels = [(reflectance * known, known)]
    while min(levels[-1][1].shape) > 2 and (levels[-1][1] == 0).any():
        height, width = levels[-1][1].shape
        size = ((width + 1) // 2, (height + 1) // 2)
        value, weight = (cv2.resize(p, size, interpolation=cv2.INTER_AREA) for p in levels[-1])
        levels.append((np.asarray(value, np.float32), np.asarray(weight, np.float32)))
    value, weight = levels.pop()
    below = value / np.maximum(weight, 1e-6) + (weight == 0)
    while levels:
        value, weight = levels.pop()
        size = (weight.shape[1], weight.shape[0])
        coarser = np.asarray(cv2.resize(below, size, interpolation=cv2.INTER_LINEAR), np.float32)
        share = np.minimum(weight, 1.0)
        below = value / np.maximum(weight, 1e-6) * share + coarser * (1 - share)
    return np.asarray(below, np.float32)


def layered_tones(greys: list[U8]) -> U16:
    """Return the tones of grey pictures of one size laid over each other, as inks multiply."""
    light = np.ones(greys[0].shape, np.float32)
    for grey in greys:
        light *= grey.astype(np.float32) / np.float32(255)
    return np.rint((1 - light) * FULL).astype(np.uint16)


def held(tones: U16, screen: Screen) -> tuple[U16, float, float]:
    """Return the tones as they are screened, and the shares of the sheet that were moved.

    The press's gain is taken back: a tone t prints as t + 4 g t (1 − t), g its gain at one half (a
    parabola stands for the curves of ISO 12647-2, from memory). Dots under the smallest that
    prints go up to it, or below half of it to bare paper; holes in the darks likewise. The shares
    are those of the sheet with such light, and such dark tones, 0..1.
    """
    t: F64 = np.arange(FULL + 1) / FULL
    if screen.gain:
        printed = t + 4 * screen.gain * t * (1 - t)
        # beyond a gain of a quarter the darkest tones would print darker than solid
        wanted = np.interp(t, np.maximum.accumulate(printed), t)
    else:
        wanted = t.copy()
    least, most = screen.least, 1 - screen.least
    light, dark = (wanted > 0) & (wanted < least), (wanted > most) & (wanted < 1)
    kept = wanted.copy()
    kept[light] = np.where(wanted[light] < least / 2, 0.0, least)
    kept[dark] = np.where(wanted[dark] > 1 - screen.least / 2, 1.0, most)
    counts = np.bincount(tones.ravel(), minlength=FULL + 1)
    table = np.rint(kept * FULL).astype(np.uint16)
    return (
        table[tones],
        float(counts[light].sum()) / tones.size,
        float(counts[dark].sum()) / tones.size,
    )


def is_one_bit(grey: U8) -> bool:
    """Tell whether a grey picture has black and white alone, and much of both: a screen already."""
    counts = np.bincount(grey.ravel(), minlength=256)
    return int(counts[1:255].sum()) == 0 and min(int(counts[0]), int(counts[255])) > 0
