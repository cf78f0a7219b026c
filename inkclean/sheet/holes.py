"""Punched holes: what shows through them is the desk, not ink.

ISO 838: 6 mm across, centres 12 mm from the edge and 80 mm apart; US three-hole
punching (common practice, no source): 1/4 to 5/16 in across, some 1/2 in from the edge. A drawn
dot may look the same, so a hole needs company: a second of its size, as far from the same edge.
"""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I32, I64, Bool

SMALLEST_MM = 4.5  # diameter of a hole
LARGEST_MM = 9.0
FARTHEST_MM = 16.0  # of a hole's centre from the edge
NEAREST_MM = 4.0
IN_LINE_MM = 1.5  # how far the distances from the edge may differ, framing included
APART_MM = 30.0  # holes of a binder lie further apart than drawn circles in a row
FULL = 0.88  # area over that of the ellipse in its box
ASPECT = 0.78  # of that box; the sheet may be a little out of square
ALIKE = 1.25  # ratio of two holes' diameters
DARK = 0.65  # of bare paper, in the darkest channel
GROW_MM = 0.7  # the hole's rim: a bevel, a shadow, a torn edge


def punched_holes(samples: F32, per_mm: float) -> Bool | None:
    """Return (h, w) bool, True in punched holes and their rims; None if there are none.

    Args:
        samples: (h, w, 3) float32, the sheet's reflectance averaged onto a grid.
        per_mm: samples in a millimetre.
    """
    red, green, blue = cv2.split(samples)
    dark = (cv2.min(cv2.min(red, green), blue) < DARK).astype(np.uint8)
    # Grid lines that touch a hole are cut off before shapes are judged.
    size = max(3, round(1.5 * per_mm) | 1)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    dark = np.asarray(cv2.morphologyEx(dark, cv2.MORPH_OPEN, disc), np.uint8)
    count, labels, stats, centres = cv2.connectedComponentsWithStats(dark, connectivity=8)
    if count < 3:
        return None
    chosen = _holes(
        np.asarray(stats[1:], np.int32), np.asarray(centres[1:], np.float64), dark.shape, per_mm
    )
    if chosen.size == 0:
        return None
    mask = np.isin(labels, chosen + 1).astype(np.uint8)
    reach = max(1, round(GROW_MM * per_mm))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    return np.asarray(cv2.dilate(mask, disc), np.bool_)


def _holes(stats: I32, centres: F64, shape: tuple[int, ...], per_mm: float) -> I64:
    """Numbers of the components that are round, of a hole's size, and in line."""
    boxes = stats[:, 2:4] / per_mm
    sides = boxes.max(axis=1)
    area = stats[:, 4] / per_mm**2
    fits = area > FULL * np.pi / 4 * boxes.prod(axis=1)
    fits &= boxes.min(axis=1) > ASPECT * sides
    fits &= (sides > SMALLEST_MM) & (sides < LARGEST_MM)
    x, y = centres.T / per_mm
    edges = np.stack([x, y, shape[1] / per_mm - x, shape[0] / per_mm - y])
    along = np.stack([y, x, y, x])
    near = fits & (edges > NEAREST_MM) & (edges < FARTHEST_MM)
    paired = np.zeros(sides.shape, np.bool_)
    for distance, place, candidates in zip(edges, along, near, strict=True):
        numbers = np.flatnonzero(candidates)
        level, spot, size = distance[numbers], place[numbers], sides[numbers]
        fellow = np.abs(level[:, None] - level) < IN_LINE_MM
        fellow &= np.abs(spot[:, None] - spot) > APART_MM
        fellow &= np.maximum(size[:, None], size) < ALIKE * np.minimum(size[:, None], size)
        paired[numbers] |= fellow.any(axis=1)
    return np.flatnonzero(paired).astype(np.int64)
