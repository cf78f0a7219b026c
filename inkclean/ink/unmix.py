"""Ink told from what lies under it, pixel by pixel.

A pixel at an ink's edge is a mixture of two colours by area (the compositing equation of
Porter and Duff, 1984): R = (1 − a)·under + a·ink, with ``under`` the paper and pencil there.
The share of ink ``a`` follows by weighted least squares over the channels once ``under`` is
known, and ``under`` follows from the chroma of density near by: soft edges of black ink are
neutral, so they don't disturb it, and pixels deep in ink are dark and so count for little.
All of that is smooth, so it is done on the reduced sheet; ink is linear in the sheet's values
with coefficients from there, which keeps the sheet's own sharpness.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from inkclean.arrays import F32
from inkclean.ink.pigments import AXES, BLACK, Pigment

SPREAD_MM = 0.10  # smoothing of the pencil: less than a pencil line, more than a pen's fringe
SLACK = 0.06  # chroma that paper's noise makes, not to be taken for pencil
UNSURE = 0.35  # share of a pencil's amount that is guesswork
CHANNEL_NOISE = (0.055, 0.035, 0.07)  # relative; green is sampled densest and weighs most in JPEG
SURE_TINT = 0.16  # from this chroma on a pixel of kept coloured ink is wholly so
STRIP = 256


def under_ink(
    reduced: F32, density: F32, pigments: Sequence[Pigment], dropped: Sequence[bool], per_mm: float
) -> tuple[F32, F32]:
    """Return what lies under the ink, and the ink's own colour, on the reduced sheet.

    Args:
        reduced: (h, w, 3) reflectance.
        density: its density by ``log_density``.
        pigments: the K pigments on the page.
        dropped: which of them are pencil; the others are ink.
        per_mm: scale of the reduced sheet.

    Returns:
        ``under`` and ``ink``, each (h, w, 3) float32 reflectance.
    """
    under = np.ones_like(reduced)
    ink = np.full_like(reduced, BLACK)
    if not pigments:
        return under, ink
    chroma = _smooth_chroma(reduced, density, per_mm)
    rays = np.array([p.chroma / np.hypot(*p.chroma) for p in pigments], np.float32)
    full = np.array([np.hypot(*p.chroma) for p in pigments], np.float32)
    lengths = chroma.reshape(-1, 2) @ rays.T
    nearest = np.argmax(lengths, axis=1).astype(np.uint8)
    length = np.maximum(lengths.max(axis=1) - SLACK, 0.0).astype(np.float32)
    shape = reduced.shape[:2]
    for number, pigment in enumerate(pigments):
        here = np.where(nearest == number, length, np.float32(0.0)).reshape(shape)
        if dropped[number]:
            unit = (pigment.density / full[number]).astype(np.float32)
            under *= cv2.exp(-np.minimum(here, 1.6 * full[number])[..., None] * unit)
        else:
            sure = np.clip(here / SURE_TINT, 0.0, 1.0)[..., None]
            ink += sure * (np.exp(-pigment.density).astype(np.float32) - BLACK)
    return under, np.clip(ink, BLACK, 0.75)


def _smooth_chroma(reduced: F32, density: F32, per_mm: float) -> F32:
    """Chroma of density, averaged near by with bright pixels counting most."""
    weight = reduced.max(axis=2)
    weight -= np.float32(2 * BLACK)
    np.maximum(weight, 1e-3, out=weight)
    weight *= weight
    planes = np.empty((*weight.shape, 3), np.float32)
    np.matmul(density, AXES.T, out=planes[..., :2])
    planes[..., :2] *= weight[..., None]
    planes[..., 2] = weight
    planes = cv2.GaussianBlur(planes, (0, 0), max(0.6, SPREAD_MM * per_mm))
    planes[..., :2] /= planes[..., 2:]
    return np.asarray(planes[..., :2], np.float32)


def coefficients(under: F32, ink: F32) -> F32:
    """Return (h, w, 4) float32: ink's reflectance is the first three times R, G, B, plus the last.

    The weights of the channels fall with their noise and with what is unsure of the pencil.
    """
    depth = under - ink
    np.maximum(depth, 0.02, out=depth)
    noise = np.array(CHANNEL_NOISE, np.float32)
    doubt = np.float32(UNSURE) * (1.0 - under) * under
    weights = 1.0 / (noise * noise + doubt * doubt)
    weights *= depth
    total = (weights * depth).sum(axis=2, keepdims=True)
    dark = ink.min(axis=2, keepdims=True)
    scale = (1.0 - dark) / total
    weights *= scale
    constant = 1.0 - (weights * under).sum(axis=2, keepdims=True)
    return np.concatenate([weights, constant], axis=2)


def apply(reflectance: F32, factors: F32) -> F32:
    """Return (H, W) float32: ``factors`` (h, w, 4), stretched bilinearly, applied to the sheet."""
    high, wide = reflectance.shape[:2]
    result = np.empty((high, wide), np.float32)
    rows = np.clip((np.arange(high) + 0.5) * (factors.shape[0] / high) - 0.5, 0, None)
    rows = np.minimum(rows, factors.shape[0] - 1).astype(np.float32)
    upper = np.minimum(rows.astype(np.int32), max(factors.shape[0] - 2, 0))
    lower = np.minimum(upper + 1, factors.shape[0] - 1)
    part = (rows - upper).astype(np.float32)[:, None, None]
    for top in range(0, high, STRIP):
        strip = slice(top, min(top + STRIP, high))
        above = factors[upper[strip]]
        lerp = above + part[strip] * (factors[lower[strip]] - above)
        lerp = cv2.resize(lerp, (wide, lerp.shape[0]), interpolation=cv2.INTER_LINEAR)
        target = result[strip]
        np.einsum("ijk,ijk->ij", lerp[..., :3], reflectance[strip], out=target)
        target += lerp[..., 3]
        np.clip(target, 0.0, 1.2, out=target)
    return result
