"""How dark full ink is around each pixel, from ridges that the blur has left whole."""

from __future__ import annotations

import math
from functools import lru_cache

import cv2
import numpy as np

from inkclean.arrays import F32, F64, I64
from inkclean.ink.levels import laplacian

# Side of the blocks on which the ink's darkness is gathered, in px.
BLOCK_PX = 8
# How far the ink's darkness is looked for around a stroke, in mm: near ones count first.
NEAR_MM, FAR_MM = 1.0, 8.0
# What the page counts for beside what is seen near, in sure ridge pixels a block.
PAGE_SAY, FAR_SAY = 0.02, 0.02
# Ink down to the first share of the page's darkness is the same ink, under the second another.
SAME_PEN, OTHER_PEN = 0.9, 0.75
# A ridge this much narrower than the blur tells nothing of how dark its ink is.
LEAST_TOLD = 0.3
# In units of the paper's noise, where a sure mark starts.
SURE_NOISES = 8.0


def _ridges(absorbed: F32, blur_px: float, noise: float) -> tuple[I64, I64, F32, F32]:
    """Return rows, columns, full darkness and trust of the pixels on top of ridges of ink.

    On the ridge of a bar of width w under a Gaussian blur σ, with a = w/2σ, the bend
    −σ²·C″/C is 2a·φ(a)/(2Φ(a) − 1) and the height (2Φ(a) − 1) of full ink: the bend, which
    does not depend on the ink's darkness, tells how much of it the blur has taken.
    """
    top = (absorbed >= cv2.dilate(absorbed, np.ones((3, 3), np.uint8))).view(np.uint8)
    top &= (absorbed > max(0.1, SURE_NOISES * noise)).view(np.uint8)
    rows, columns = np.nonzero(top)
    height = absorbed[rows, columns]
    bend = -(blur_px**2) * laplacian(absorbed)[rows, columns] / height
    full_bend, told = _bend_table()
    share = np.interp(bend, full_bend, told).astype(np.float32)
    trust = (share**6 * (share > LEAST_TOLD)).astype(np.float32)
    return rows, columns, np.minimum(height / share, 1), trust


@lru_cache(maxsize=1)
def _bend_table() -> tuple[F64, F64]:
    a = np.linspace(4.0, 0.2, 400)  # half width over blur; the bend rises as it falls
    density = np.exp(-(a**2) / 2) / math.sqrt(2 * math.pi)
    height = np.array([math.erf(v / math.sqrt(2)) for v in a])
    return 2 * a * density / height, height


def ink_depth(absorbed: F32, px_per_mm: float, blur_px: float, noise: float) -> F32:
    """Return (H, W): how dark full ink is around each pixel, as absorbed share of light.

    ``absorbed`` is 1 − reflectance. Ridges that the blur has left whole speak for themselves,
    thinner ones lean on those around them, weighted to the darkest, and on the page.
    """
    height, width = absorbed.shape
    shape = (-(-height // BLOCK_PX), -(-width // BLOCK_PX))
    rows, columns, dark, trust = _ridges(absorbed, blur_px, noise)
    if rows.size == 0:
        return np.ones((height, width), np.float32)
    page = float(np.percentile(dark[trust >= np.median(trust)], 75))
    trust *= dark**2
    block = (rows // BLOCK_PX) * shape[1] + columns // BLOCK_PX
    size = shape[0] * shape[1]
    weight = np.bincount(block, trust, size).astype(np.float32).reshape(shape)
    value = np.bincount(block, trust * dark, size).astype(np.float32).reshape(shape)

    def around(grid: F32, reach_mm: float) -> F32:
        radius = max(1, round(reach_mm * px_per_mm / BLOCK_PX))
        return cv2.blur(grid, (2 * radius + 1, 2 * radius + 1), borderType=cv2.BORDER_CONSTANT)  # type: ignore[return-value]

    far = around(weight, FAR_MM) + PAGE_SAY
    far_dark = (around(value, FAR_MM) + PAGE_SAY * page) / far
    near = around(weight, NEAR_MM) + FAR_SAY
    depth = (around(value, NEAR_MM) + FAR_SAY * far_dark) / near
    # near the page's own darkness the difference is chance, well below it another pen
    pale = np.clip((SAME_PEN - depth / page) / (SAME_PEN - OTHER_PEN), 0, 1).astype(np.float32)
    depth = page + pale * (depth - page)
    whole = cv2.resize(depth, (shape[1] * BLOCK_PX, shape[0] * BLOCK_PX))
    return np.ascontiguousarray(whole[:height, :width])
