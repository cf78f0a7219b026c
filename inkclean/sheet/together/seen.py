"""What of a photo is compared: its ink against the light around it, small."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, U8
from inkclean.base.colour import to_linear
from inkclean.sheet.values import Photo

# megapixels of the picture in which features are found
FEATURES_MP = 1.5
# the light is told on a picture whose longer side is this many px,
LIGHT_PX = 240
# from brights within this share of it: wider than a brush stroke, narrower than a page
REACH = 0.1
_DARKEST = 0.02


@dataclass(frozen=True)
class Glance:
    """A photo, seen smaller.

    ``ink`` (h, w) float32: 1 = paper, 0 = black, the light divided out; ``light`` (n, m) float32:
    the linear light on its paper; ``small`` uint8 the same as ``ink``, smaller, for features.
    Each is over the whole photo.
    """

    photo: Photo
    ink: F32
    light: F32
    small: U8

    @property
    def size(self) -> tuple[int, int]:
        """Height and width of the photo in px."""
        return self.photo.pixels.shape[0], self.photo.pixels.shape[1]

    @property
    def small_scale(self) -> F64:
        """Px of ``small``, across and down, on one of the photo's."""
        return np.asarray(np.divide(self.small.shape[::-1], self.size[::-1]), np.float64)


def look(photo: Photo, scale: float) -> Glance:
    """Return what of a photo is compared; ``ink`` at ``scale`` of its px."""
    pixels = photo.pixels
    height, width = pixels.shape[:2]
    grey = np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), np.uint8)
    fine = to_linear(np.asarray(_shrunk(grey, scale), np.uint8))
    light = light_of(fine)
    over = np.asarray(cv2.resize(light, (fine.shape[1], fine.shape[0])), np.float32)
    ink: F32 = np.asarray(np.minimum(fine / over, np.float32(1.2)), np.float32)
    small_scale = min(1.0, (FEATURES_MP * 1e6 / (height * width)) ** 0.5)
    size = (max(1, round(width * small_scale)), max(1, round(height * small_scale)))
    small = cv2.resize(ink, size, interpolation=cv2.INTER_AREA)
    # the eye's curve: thin grey lines count as well
    small = np.sqrt(np.clip(small, 0, 1)) * np.float32(250)
    return Glance(photo, ink, light, small.astype(np.uint8))


def light_of(linear: F32) -> F32:
    """Return the light on the paper, coarse: brights spread over the strokes between them."""
    height, width = linear.shape
    factor = min(1.0, LIGHT_PX / max(height, width))
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    # the brightest of every cell: a tenth of paper between strokes is enough
    part = max(1, int(0.5 / factor))
    bright = cv2.dilate(cv2.blur(linear, (3, 3)), np.ones((part, part), np.uint8))
    coarse = cv2.resize(bright, size, interpolation=cv2.INTER_AREA)
    reach = max(3, int(REACH * max(size)) | 1)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    closed = cv2.morphologyEx(coarse, cv2.MORPH_CLOSE, disc)
    smooth = cv2.GaussianBlur(closed, (0, 0), reach / 6)
    return np.asarray(np.maximum(smooth, np.float32(_DARKEST)), np.float32)


def _shrunk(grey: U8, scale: float) -> U8:
    if scale == 1.0:
        return grey
    size = (max(1, round(grey.shape[1] * scale)), max(1, round(grey.shape[0] * scale)))
    return np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), np.uint8)
