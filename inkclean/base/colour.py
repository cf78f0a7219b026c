"""sRGB-encoded values to linear light and back, by tables.

The transfer curve is that of IEC 61966-2-1 (from memory of the standard).
"""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F32, U8


def _decode(encoded: F32) -> F32:
    low = encoded / 12.92
    high = ((encoded + 0.055) / 1.055) ** 2.4
    return np.where(encoded <= 0.04045, low, high).astype(np.float32)


def _encode(linear: F32) -> F32:
    low = linear * 12.92
    high = 1.055 * np.maximum(linear, 0.0) ** (1 / 2.4) - 0.055
    return np.where(linear <= 0.0031308, low, high).astype(np.float32)


TO_LINEAR: F32 = _decode(np.arange(256, dtype=np.float32) / np.float32(255.0))
"""(256,) float32: linear light, 0..1, of each sRGB-encoded byte."""

_STEPS = 4096  # fine enough that every byte from 6 up is reached by its own step
_TO_SRGB: U8 = np.rint(
    _encode(np.arange(_STEPS, dtype=np.float32) / np.float32(_STEPS - 1)) * 255
).astype(np.uint8)


def to_linear(encoded: U8) -> F32:
    """Return linear light, 0..1 float32, of sRGB-encoded bytes of any shape."""
    if encoded.size == 0:
        return np.zeros(encoded.shape, np.float32)
    return np.asarray(cv2.LUT(encoded, TO_LINEAR), dtype=np.float32).reshape(encoded.shape)


def to_srgb(linear: F32) -> U8:
    """Return sRGB-encoded bytes of linear light, clipped to 0..1, of any shape."""
    index = np.clip(linear, 0.0, 1.0)
    index *= np.float32(_STEPS - 1)
    index += np.float32(0.5)
    return _TO_SRGB[index.astype(np.uint16)]


def as_hex(colour: U8) -> str:
    """Return ``#rrggbb`` of one sRGB-encoded colour (3,)."""
    return "#" + bytes(colour.tolist()).hex()
