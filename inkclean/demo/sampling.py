"""Bilinear look-up in pictures, in continuous pixel coordinates; blur and noise."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from inkclean.base.arrays import F32, F64

_MOST_ROWS = 30000  # cv2.remap takes at most 32767


def look_up(image: NDArray[Any], index: F32, *, black_outside: bool = True) -> NDArray[Any]:
    """Return ``image`` (h, w[, c]) at array coordinates ``index`` (H, W, 2), x before y.

    Array coordinates count from the first pixel's centre: continuous px less a half.
    """
    border = cv2.BORDER_CONSTANT if black_outside else cv2.BORDER_REPLICATE
    second: Any = None  # x and y lie in one map
    return np.asarray(cv2.remap(image, index, second, cv2.INTER_LINEAR, borderMode=border))


def values_at(image: F32, xy_px: F64) -> F32:
    """Return ``image`` (h, w) at continuous px (…, 2); 0 outside."""
    flat = (xy_px.reshape(-1, 1, 2) - 0.5).astype(np.float32)
    out = np.zeros(len(flat), np.float32)
    for i in range(0, len(flat), _MOST_ROWS):
        part = np.ascontiguousarray(flat[i : i + _MOST_ROWS])
        out[i : i + _MOST_ROWS] = look_up(image, part)[:, 0]
    return out.reshape(xy_px.shape[:-1])


def blur(image: NDArray[Any], sigma: float) -> F32:
    """Return a float picture under a Gaussian."""
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma), np.float32)


def noise(shape: tuple[int, ...], rng: np.random.Generator) -> F32:
    """Return independent normal values, mean 0, deviation 1."""
    return rng.standard_normal(shape, np.float32)


def enlarge(image: F32, shape: tuple[int, ...], *, cubic: bool = False) -> F32:
    """Return ``image`` (h, w[, c]) at ``shape`` (H, W, …)."""
    how = cv2.INTER_CUBIC if cubic else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(image, (shape[1], shape[0]), interpolation=how), np.float32)
