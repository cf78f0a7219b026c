"""Simpler ways to find areas despite gaps, to compare with."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F32, I32, U8, Bool
from inkclean.flats.lines.seams import seam_odds
from inkclean.flats.maps.full import at_full_resolution
from inkclean.flats.nearest import grown
from inkclean.flats.rasters import pieces

SCALE = 8.0  # px/mm of the working raster


def working(coverage: F32, px_per_mm: float) -> Bool:
    """Return the ink on the working raster."""
    factor = SCALE / px_per_mm
    size = (round(coverage.shape[1] * factor), round(coverage.shape[0] * factor))
    small = cv2.resize(coverage, size, interpolation=cv2.INTER_AREA)
    return np.asarray(small >= 0.35)


def plain(ink: Bool) -> I32:
    """Connected components of the paper."""
    return grown(pieces(~ink, connectivity=4)[1])


def trapped_ball(ink: Bool, radius_mm: float) -> I32:
    """One ball that rolls wherever it fits; what it cannot reach goes to the nearest area.

    After Zhang, Chen, Zhang, Hu, Martin, "Vectorizing cartoon animations", IEEE TVCG 15(4), 2009,
    with one radius.
    """
    size = 2 * round(radius_mm * SCALE) + 1
    ball = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    core = cv2.erode((~ink).astype(np.uint8), ball)
    label = pieces(np.asarray(core, np.uint8), connectivity=4)[1]
    return grown(_within(label, np.asarray(ball, np.uint8), ink))


def _within(label: I32, ball: U8, ink: Bool) -> I32:
    """Let each core grow back by the ball, later ones over earlier, inside the paper."""
    back = cv2.dilate(label.astype(np.float32), ball).astype(np.int32)
    return np.where(ink, 0, np.where(label > 0, label, back))


def seams_alone(ink: Bool) -> I32:
    """Paper parted where a seam is likelier than none, with nothing joined or judged."""
    odds = seam_odds(ink.astype(np.float32), SCALE)
    return grown(pieces(odds < 0, connectivity=4)[1])


def full(coverage: F32, label: I32, ink: Bool, px_per_mm: float) -> I32:
    """Return a method's labels at the page's own resolution."""
    _, numbered = np.unique(label, return_inverse=True)
    whole = numbered.reshape(label.shape).astype(np.int32) + 1
    none = np.zeros((0, 4, 2))
    labels = at_full_resolution(coverage, whole, ~ink, none, px_per_mm, SCALE).labels
    return labels.astype(np.int32)
