"""Blacks laid in a pale ink: as light as a shadow, and yet drawn.

On a page whose lines are all pale, what its pen filled is no darker than they are. A shadow
knows nothing of the pen: it is seldom just as dark, its edge is soft somewhere, and it runs out
of the page. So a patch is drawn that has the tone of the page's own lines, a sharp rim nearly
all around, and paper about it.
"""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, U8, Bool
from inkclean.base.colour import to_linear

PALE = (
    0.4  # of the paper's light: the lines of a page in pale ink; blacks darker than that are told
)
PALEST = 0.9  # paler lines tell nothing
MARKS = 9.0  # of 255: what is so much darker than the paper closed over it is a line
ENOUGH = 200  # samples of lines
FULL = 2.0  # per cent of these that are all ink
ALIKE = 0.35  # how far a patch may be from the lines' tone, of the way to paper
GRID, ROUNDS = 96, 12  # places a side that the light's surface is laid through, and how often
BELOW, LITTLE = 0.05, 0.02  # logs below it from which on a place counts so little
SHARP = 0.3  # steepness at the rim over the log of the tone, per mm
SHARP_SHARE = 0.6  # of the rim
RIM_MM = 1.5  # nearer to the sheet's border, a patch may run out of it


def line_tone(bright: U8, samples: U8) -> float | None:
    """Return the light that the page's lines reflect, of that of paper; None without lines.

    ``samples`` (h, w, 3) is the page, ``bright`` the same with its lines closed over, uint8 sRGB.
    """
    depth = cv2.transform(cv2.subtract(bright, samples), np.ones((1, 3)))  # 255 at most
    marks = np.flatnonzero(np.asarray(depth) > 3 * MARKS)
    if len(marks) < ENOUGH:
        return None
    tone, paper = (
        to_linear(codes.reshape(-1, 3).take(marks, axis=0)).mean(axis=-1)
        for codes in (samples, bright)
    )
    share = tone / paper
    return float(np.percentile(share, FULL))


def upper_light(level: F32) -> F32:
    """Return (h, w): the light where paper alone would lie, as smooth as lamps far off make it.

    A surface of second degree through the logs, from which what lies well below it counts less
    and less (asymmetric least squares: Newey and Powell, Econometrica 55(4), 1987).
    """
    high, wide = level.shape
    size = min(wide, GRID), min(high, GRID)
    logs = np.log(cv2.resize(level, size, interpolation=cv2.INTER_AREA) + 1e-4).ravel()
    at = surface_terms(size)
    weight = np.ones(len(logs))
    for _ in range(ROUNDS):
        scaled = at * weight[:, None]
        told = np.linalg.solve(scaled.T @ at + 1e-6 * np.eye(6), scaled.T @ logs)
        weight = np.where(logs < at @ told - BELOW, LITTLE, 1.0)
    smooth = np.exp(at @ told).reshape(size[::-1]).astype(np.float32)
    return np.asarray(cv2.resize(smooth, (wide, high)), np.float32)


def surface_terms(size: tuple[int, int]) -> F64:
    """Return (N, 6): terms of a surface of second degree at a grid of ``size`` (wide, high)."""
    grid = np.meshgrid(np.linspace(-1, 1, size[0]), np.linspace(-1, 1, size[1]))
    x, y = (axis.ravel() for axis in grid)
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)


def pale_blacks(level: F32, around: F32, slope: F32, tone: float, per_mm: float) -> Bool:
    """Return (h, w): patches of the page that were filled with its pale ink.

    Args:
        level: (h, w) light of the page without its lines.
        around: (h, w) light of the paper about there.
        slope: (h, w) steepness of the log of light, per mm.
        tone: the lines' light, of that of paper.
        per_mm: samples in a millimetre.
    """
    ratio = level / np.maximum(around, np.float32(1e-4))
    dark = (ratio < (1 + tone) / 2).view(np.uint8)
    count, labels = cv2.connectedComponents(dark, connectivity=4)
    if count <= 1:
        return np.zeros(level.shape, np.bool_)
    flat = np.asarray(labels, np.int64).ravel()
    area = np.maximum(np.bincount(flat, minlength=count), 1)
    mean = np.bincount(flat, ratio.ravel(), count) / area
    edge = (dark != 0) & (cv2.erode(dark, np.ones((3, 3), np.uint8)) == 0)
    steep = cv2.dilate(slope, np.ones((3, 3), np.uint8)) > -SHARP * np.log(tone)
    rim = np.bincount(labels[edge], minlength=count)
    sharp = np.bincount(labels[edge & steep], minlength=count) / np.maximum(rim, 1)
    band = max(1, round(RIM_MM * per_mm))
    out = np.ones(level.shape, np.bool_)
    out[band:-band, band:-band] = False
    drawn = np.abs(mean - tone) < ALIKE * (1 - tone)
    drawn &= (sharp > SHARP_SHARE) & (np.bincount(labels[out], minlength=count) == 0)
    drawn[0] = False
    return np.asarray(drawn[labels], np.bool_)
