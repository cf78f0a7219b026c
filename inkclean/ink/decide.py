"""What is ink: local darkness of the ink, and which dark places belong to it."""

from __future__ import annotations

import math

import cv2
import numpy as np

from inkclean.arrays import F32, Bool

# Side of the blocks on which the ink's darkness is gathered, in px.
BLOCK_PX = 8
# How far a stroke's surroundings reach when its full darkness can't be seen in itself, in mm.
REACH_MM = 4.0
# A share of the ink's darkness under which nothing is a trace of ink, and one over which a
# connected trace is ink.
TRACE, SURE = 0.25, 0.5
# In units of the paper's noise, where a trace and a sure mark start.
TRACE_NOISES, SURE_NOISES = 4.0, 8.0


def ink_depth(absorbed: F32, px_per_mm: float, noise: float) -> F32:
    """Return (H, W): how dark full ink is around each pixel, as absorbed share of light.

    ``absorbed`` is 1 − reflectance. A mean over blocks, weighted to the darkest.
    """
    height, width = absorbed.shape
    small = cv2.resize(
        cv2.dilate(absorbed, np.ones((BLOCK_PX, BLOCK_PX), np.uint8)),
        (max(1, width // BLOCK_PX), max(1, height // BLOCK_PX)),
        interpolation=cv2.INTER_NEAREST,
    )
    small = np.clip(small, 0, 1)
    marked = small > max(0.15, SURE_NOISES * noise)
    page = float(np.percentile(small[marked], 80)) if marked.any() else 1.0
    weight = np.where(marked, small**6, 0).astype(np.float32)
    radius = max(1, round(REACH_MM * px_per_mm / BLOCK_PX))
    size = (2 * radius + 1, 2 * radius + 1)
    prior = np.float32(0.02 * page**6)
    total = cv2.blur(weight, size) + prior
    depth = (cv2.blur(weight * small, size) + prior * page) / total
    return cv2.resize(depth, (width, height), interpolation=cv2.INTER_LINEAR)  # type: ignore[return-value]


def ink_places(share: F32, noise: float) -> Bool:
    """Return (H, W) bool: connected traces of ink that reach full strength somewhere."""
    trace = (share > max(TRACE, TRACE_NOISES * noise)).astype(np.uint8)
    _, labels = cv2.connectedComponents(trace, connectivity=8, ltype=cv2.CV_32S)
    strong = np.zeros(int(labels.max()) + 1, np.bool_)
    strong[labels[share > max(SURE, SURE_NOISES * noise)]] = True
    strong[0] = False
    return strong[labels]


def grow(places: Bool, px: float) -> Bool:
    """Return ``places`` grown by ``px`` all round."""
    reach = max(1, math.ceil(px))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    return cv2.dilate(places.view(np.uint8), disc).view(np.bool_)
