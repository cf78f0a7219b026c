"""The cut: from the grey sheet to how much of each pixel is ink."""

from __future__ import annotations

import numpy as np

from inkclean.arrays import F32
from inkclean.ink.decide import grow, ink_depth, ink_places
from inkclean.ink.levels import deblur, deblur_gain, edge_levels
from inkclean.ink.values import Grey

# The range of ``weight`` −1..1 in mm: each edge moves by so much.
WEIGHT_MM = 0.05


def cut(grey: Grey, *, noise: float, blur_px: float, weight: float = 0.0) -> F32:
    """Return the coverage (H, W) float32 0..1: its 0.5 level, read bilinearly, is the edge.

    ``noise`` is the standard deviation of bare paper's reflectance, ``blur_px`` that of the
    blur; ``weight`` −1..1 moves each edge by up to ``WEIGHT_MM`` mm, thinner or heavier.
    """
    absorbed = 1 - np.minimum(grey.ink, 1.2)
    depth = ink_depth(absorbed, grey.px_per_mm, blur_px, noise)
    share = np.clip(absorbed / depth, -0.2, 1.1)
    gain = deblur_gain(blur_px)
    share = deblur(share, blur_px, gain)
    level = edge_levels(share, blur_px, gain)
    places = grow(ink_places(share, noise), blur_px)
    slope = 0.4 / max(blur_px, 0.5)
    share += 0.5 - level + np.float32(weight * WEIGHT_MM * grey.px_per_mm * slope)
    share[~places] = 0
    return np.clip(share, 0, 1, out=share)
