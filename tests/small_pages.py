"""Small pages of lines and a black, quick to clean, for tests of everything around cleaning."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from inkclean.base.arrays import U8
from inkclean.base.colour import to_srgb

WIDTH, HEIGHT = 300, 420
DPI = 150


def pixels(seed: int = 0, line_mm: float = 0.34, dpi: int = DPI) -> U8:
    """Return (H, W, 3) sRGB at 150 or 300 dpi: slanted lines, a panel, a spot black, grain.

    The page is 51 × 71 mm. Lines are drawn eight times larger than at 150 dpi and averaged in
    linear light, then blurred a little.
    """
    fine = 8
    random = np.random.default_rng(seed)
    paper = np.full((HEIGHT * fine, WIDTH * fine), 0.7, np.float32)
    wide = max(1, round(line_mm / 25.4 * DPI * fine))
    cv2.rectangle(paper, (20 * fine, 20 * fine), (280 * fine, 260 * fine), 0.02, wide)
    cv2.circle(paper, (int(random.integers(80, 200)) * fine, 340 * fine), 40 * fine, 0.02, -1)
    for x in range(40, 240, 16):
        shift = int(random.integers(-6, 26))
        ends = (x * fine, 40 * fine), ((x + shift) * fine, 240 * fine)
        cv2.line(paper, *ends, 0.02, wide)
    size = (WIDTH * dpi // DPI, HEIGHT * dpi // DPI)
    light = cv2.resize(paper, size, interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(light, (0, 0), 0.7)
    grain = np.asarray(random.normal(0, 0.006, light.shape), np.float32)
    return to_srgb(np.repeat(np.asarray(light + grain, np.float32)[..., None], 3, axis=2))


def write(path: Path, seed: int = 0, line_mm: float = 0.34, dpi: int = DPI) -> Path:
    """Write a small scan, as the ending of ``path`` asks, and return the path."""
    Image.fromarray(pixels(seed, line_mm, dpi)).save(path, quality=95, dpi=(dpi, dpi))
    return path
