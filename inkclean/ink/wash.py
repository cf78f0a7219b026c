"""Dark washes that were cut as ink: broad, even grey, clearly lighter than the page's ink.

A line is narrow, a black is as dark as the lines are; a wash is neither. So a place is wash if it
is broader than any line, even, and lighter than the darkest ink by what no black differs. What
is broad and even but nearly as dark stays ink, and is told. Lines over a wash are cut anew,
half-way between its grey and the ink's. The limits were set on drawn pages.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from inkclean.base.arrays import F32, Bool
from inkclean.base.pieces import SIZE, pieces_of
from inkclean.ink.values import Grey, Ink

# a line is up to 1.2 mm broad (see ``width``); half of what is broader than any, with room
_HALF_MM = 0.8
# how much lighter than the darkest ink a wash surely is, and what may be one; linear reflectance
_LIGHTER, _MAYBE = 0.08, 0.04
# a wash varies by so much of itself within the breadth of a line; hatching by far more
_UNEVEN = 0.25
# mm beyond a wash in which its edge, blurred, was cut as ink
_RIM_MM = 0.35
# a wash has narrow ends so far; what is as grey, so near to it, belongs to it; no edge of a line is
# as broad as the last
_END_MM, _NEAR_MM, _SAME, _EDGE_MM = 1.5, 6.0, 0.3, 0.2
# a piece of more than so many times its half breadth squared is a line
_LONG = 30.0
_LEAST_MM2 = 4.0
_DOT_MM2 = 0.06
# coverage over a wash that its own grain gives
_GRAIN = 0.2


@dataclass(frozen=True)
class Washed:
    """The ink without washes; ``wash_mm2`` were taken out, ``unsure_mm2`` may be wash and stay."""

    ink: Ink
    wash_mm2: float = 0.0
    unsure_mm2: float = 0.0


def without_washes(ink: Ink, grey: Grey) -> Washed:
    """Return the ink without the washes that were cut with it; itself if there are none."""
    dark, light = ink.coverage >= 0.5, grey.ink
    core = np.asarray(cv2.erode(dark.view(np.uint8), np.ones((3, 3), np.uint8)), np.uint8) != 0
    if not core.any():
        return Washed(ink)
    black = float(np.percentile(light[core], 5))
    maybe = _broad_even(dark & (light > black + _MAYBE), light, ink.px_per_mm)
    if not maybe.any():
        return Washed(ink)
    wash = _broad_even(dark & (light > black + _LIGHTER), light, ink.px_per_mm)
    wash = _with_scraps(wash, dark & (light > black + _LIGHTER), light, ink.px_per_mm)
    each = ink.px_per_mm**-2
    size, unsure = float(wash.sum()) * each, float((maybe & ~wash).sum()) * each
    if size < _LEAST_MM2:
        return Washed(ink, 0.0, unsure + size if unsure + size >= _LEAST_MM2 else 0.0)
    # the rim where a sure wash was trimmed is no other grey
    unsure = unsure if unsure >= max(_LEAST_MM2, 0.2 * size) else 0.0
    return Washed(replace(ink, coverage=_lines_over(ink, light, wash, black)), size, unsure)


def _broad_even(there: Bool, light: F32, px_per_mm: float) -> Bool:
    """Return the parts of a mask that are broader than a line, and even."""
    half = _HALF_MM * px_per_mm
    # the frame counts as outside
    inside = cv2.distanceTransform(np.pad(there, 1).view(np.uint8), cv2.DIST_L2, 3)[1:-1, 1:-1]
    middle = inside >= half
    if not middle.any():
        return middle
    side = (2 * max(1, round(0.6 * half)) + 1,) * 2
    mean = cv2.boxFilter(light, cv2.CV_32F, side)
    spread = np.sqrt(np.maximum(cv2.boxFilter(light * light, cv2.CV_32F, side) - mean * mean, 0))
    middle &= spread < _UNEVEN * mean
    if not middle.any():
        return middle
    return np.asarray((_away(middle) <= half) & there, np.bool_)


def _with_scraps(wash: Bool, there: Bool, light: F32, px_per_mm: float) -> Bool:
    """Return washes with their narrow ends, and scraps as grey near them that lines cut off.

    A scrap is a piece that is no longer than a few times its breadth; a line is longer.
    """
    side = 2 * round(_EDGE_MM * px_per_mm) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    opened = np.asarray(cv2.morphologyEx(there.view(np.uint8), cv2.MORPH_OPEN, disc), np.uint8)
    ends = (opened != 0) & (_away(wash) <= _END_MM * px_per_mm)
    count, pieces = cv2.connectedComponents(opened, connectivity=8)
    at = np.flatnonzero(opened)
    piece = pieces.ravel()[at]
    inside = cv2.distanceTransform(np.pad(opened, 1), cv2.DIST_L2, 3)[1:-1, 1:-1]
    deepest = np.zeros(count, np.float32)
    np.maximum.at(deepest, np.asarray(piece, np.int64), inside.ravel()[at])
    area = np.bincount(piece, minlength=count)
    level = _level_around(light, wash, _NEAR_MM * px_per_mm).ravel()[at]
    grey = np.bincount(piece, light.ravel()[at], minlength=count)
    around = np.bincount(piece, level, minlength=count)
    scrap = (area < _LONG * deepest * deepest) & (np.abs(grey - around) < _SAME * around)
    scrap[piece[wash.ravel()[at]]] = False  # a wash itself
    kept = np.zeros(wash.size, np.bool_)
    kept[at] = scrap[piece]
    return np.asarray(wash | ends | kept.reshape(wash.shape), np.bool_)


def _away(mask: Bool) -> F32:
    """Return how far from the mask each pixel lies, px."""
    return np.asarray(cv2.distanceTransform((~mask).view(np.uint8), cv2.DIST_L2, 3), np.float32)


def _lines_over(ink: Ink, light: F32, wash: Bool, black: float) -> F32:
    """Return the coverage with only what is darker than the wash, there and along its edge."""
    rim = max(2.0, _RIM_MM * ink.px_per_mm)
    near = _away(wash) <= rim
    level = _level_around(light, wash, 2 * rim)
    over = np.clip((level - light) / np.maximum(level - black, 1e-3), 0.0, 1.0)
    over[over < _GRAIN] = 0.0
    found = np.where(near, np.minimum(over, ink.coverage), ink.coverage).astype(np.float32)
    # dots that are left of its edge
    pieces, told = pieces_of(found >= 0.5)
    small = told[:, SIZE] < _DOT_MM2 * ink.px_per_mm**2
    found[small[pieces] & (_away(wash) <= 3 * rim)] = 0.0
    return found


def _level_around(light: F32, wash: Bool, reach: float) -> F32:
    """Return the grey of the wash around each place, as far as ``reach`` px from it."""
    side = (2 * round(reach) + 1,) * 2
    share = cv2.boxFilter(wash.astype(np.float32), cv2.CV_32F, side)
    total = cv2.boxFilter(np.where(wash, light, np.float32(0)), cv2.CV_32F, side)
    return np.asarray(total / np.maximum(share, 1e-6), np.float32)
