"""The photo along a side: colours across it, how steeply they change, where they change most."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, U8
from inkclean.base.colour import TO_LINEAR
from inkclean.sheet.framing.sides import Side

# Smoothing before the slope is taken, in px of the photo across the edge and places along it.
ACROSS_SIGMA = 1.6
ALONG_SIGMA = 2.0
# The colour change of a stretch of a side is told from so many places.
STRETCH = 41


def cut_strip(picture: U8, side: Side, s: F64, y: F64, scale: float) -> tuple[F32, F32]:
    """Return colours (N, M, 3) at places ``s`` (N,) and offsets ``y`` (N, M) of a side, and
    1.0 where the picture reaches (N, M)."""
    at = side.start + s[:, None, None] * side.along + y[..., None] * side.normal
    at = (at / scale - 0.5).astype(np.float32)
    height, width = picture.shape[:2]
    colours = cv2.remap(
        picture, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    size = np.array([width, height], np.float32)
    shown = ((at > 0.5) & (at < size - 1.5)).all(axis=2)
    return np.asarray(colours, np.float32), np.asarray(shown, np.float32)


def along_change(strip: F32, shown: F32, lighter: bool | None = None) -> F32:
    """Return the strip (N, M) seen along the colour change across it, rising inwards."""
    half = strip.shape[1] // 2
    gap = max(1, half // 4)
    inner = np.median(strip[:, half + gap :].reshape(-1, 3), 0)
    outer = np.median(strip[:, : half - gap].reshape(-1, 3), 0)
    change = inner - outer
    size = float(np.hypot(np.hypot(change[0], change[1]), change[2]))
    if lighter is not None and size < 6.0:
        change, size = np.full(3, 1.0 if lighter else -1.0), float(np.sqrt(3.0))
    mixed = strip @ (change / max(size, 1e-6)).astype(np.float32)
    return np.asarray(mixed * shown, np.float32)


def find_slope(pixels: U8, side: Side, s: F64, y: F64, *, local: bool = True) -> tuple[F32, F32]:
    """Return how steeply light changes inwards at places ``s`` (N,) and offsets ``y`` (N, M), in
    codes of linear light per px, and 1.0 where the picture reaches.

    The colour change is that of the whole side, or if ``local`` of each stretch of it.
    """
    colours, shown = cut_strip(pixels, side, s, y, 1.0)
    linear = (TO_LINEAR[np.clip(np.rint(colours), 0, 255).astype(np.uint8)] * 255.0).astype(
        np.float32
    )
    tone = _along_local_change(linear, shown) if local else along_change(linear, shown)
    tone = np.asarray(cv2.GaussianBlur(tone, (0, 0), ACROSS_SIGMA, sigmaY=ALONG_SIGMA), np.float32)
    steep = np.zeros_like(tone)
    steep[:, 1:-1] = (tone[:, 2:] - tone[:, :-2]) / 2.0
    return steep, shown


def _along_local_change(strip: F32, shown: F32) -> F32:
    """Return the strip (N, M) seen along the colour change across each stretch of it."""
    half = strip.shape[1] // 2
    gap = max(1, half // 4)
    inner = np.median(strip[:, half + gap :], axis=1).astype(np.float32)
    outer = np.median(strip[:, : half - gap], axis=1).astype(np.float32)
    smooth = cv2.blur((inner - outer)[:, None], (1, STRETCH))
    change = np.asarray(smooth, np.float32)[:, 0]
    size = np.sqrt((change * change).sum(axis=1, keepdims=True))
    mixed: F32 = (strip * (change / np.maximum(size, 1e-3))[:, None]).sum(axis=2) * shown
    return mixed


def measure(
    pixels: U8, side: Side, s: F64, centre: F64, reach: float, *, local: bool = False
) -> tuple[F64, F64, float]:
    """Return the edge's offset y at each place at a fraction of a px, its weight, and the
    share of places that the picture shows."""
    half = max(4, round(reach))
    steps = np.arange(-half, half + 1, dtype=np.float64)
    slope, shown = find_slope(pixels, side, s, centre[:, None] + steps, local=local)
    margin = 2
    top = slope[:, margin:-margin].argmax(axis=1) + margin
    rows = np.arange(len(s))
    before, here, after = (slope[rows, top + d].astype(np.float64) for d in (-1, 0, 1))
    bend = before - 2.0 * here + after
    shift = np.where(bend < -1e-9, 0.5 * (before - after) / np.minimum(bend, -1e-9), 0.0)
    whole = shown.min(axis=1) > 0
    inner = (top > margin) & (top < slope.shape[1] - margin - 1)
    weight = np.where(whole & inner & (here > 0.2), here / (here + 2.0), 0.0)
    return centre + steps[top] + np.clip(shift, -0.5, 0.5), weight, float(whole.mean())
