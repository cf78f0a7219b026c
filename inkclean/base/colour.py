"""The sRGB curve (IEC 61966-2-1), once: encoded values to linear light and back, by formula
and by tables.
"""

from __future__ import annotations

from typing import TypeVar

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, U8

Floats = TypeVar("Floats", F32, F64)


def decode(encoded: Floats) -> Floats:
    """Return linear light, 0..1, of sRGB-encoded values, 0..1, of any shape."""
    low, high = encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4
    return np.where(encoded <= 0.04045, low, high).astype(encoded.dtype)


def encode(linear: Floats) -> Floats:
    """Return sRGB-encoded values, 0..1, of linear light, 0..1, of any shape."""
    low, high = linear * 12.92, 1.055 * np.maximum(linear, 0.0) ** (1 / 2.4) - 0.055
    return np.where(linear <= 0.0031308, low, high).astype(linear.dtype)


TO_LINEAR: F32 = decode(np.arange(256, dtype=np.float32) / np.float32(255.0))
"""(256,) float32: linear light, 0..1, of each sRGB-encoded byte."""

# Steps of linear light in a table: every byte from 6 up is reached by a step of its own.
STEPS = 4096
ENCODED: F64 = encode(np.linspace(0.0, 1.0, STEPS))
"""(STEPS,) float64: encoded values, 0..1, of linear light in even steps."""
_BYTES: U8 = np.rint(ENCODED * 255).astype(np.uint8)


def to_linear(encoded: U8) -> F32:
    """Return linear light, 0..1 float32, of sRGB-encoded bytes of any shape."""
    if encoded.size == 0:
        return np.zeros(encoded.shape, np.float32)
    return np.asarray(cv2.LUT(encoded, TO_LINEAR), dtype=np.float32).reshape(encoded.shape)


def to_srgb(linear: F32) -> U8:
    """Return sRGB-encoded bytes of linear light, clipped to 0..1, of any shape."""
    index = np.clip(linear, 0.0, 1.0)
    index *= np.float32(STEPS - 1)
    index += np.float32(0.5)
    return _BYTES[index.astype(np.uint16)]


# From linear sRGB to X, Y, Z over those of its white (IEC 61966-2-1, to six places).
_XYZ = np.array(
    [[0.412453, 0.357580, 0.180423], [0.212671, 0.715160, 0.072169], [0.019334, 0.119193, 0.950227]]
) / np.array([[0.950456], [1.0], [1.088754]])


def to_lab(linear: F64) -> F64:
    """Return CIELAB (N, 3) of linear light (N, 3), 1.0 = white (CIE 15:2018, 8.2.1).

    OpenCV makes tables for it first, which takes longer than a few colours do.
    """
    share = linear @ _XYZ.T
    risen = np.where(share > (6 / 29) ** 3, np.cbrt(share), share * (29 / 6) ** 2 / 3 + 4 / 29)
    x, y, z = risen.T
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=1)


def as_hex(colour: U8) -> str:
    """Return ``#rrggbb`` of one sRGB-encoded colour (3,)."""
    return "#" + bytes(colour.tolist()).hex()
