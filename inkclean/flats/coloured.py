"""Colouring that no outline in ink holds: where it lies broad outside all lines, it is an area.

What was drawn in colour alone goes with the pencil and leaves no line, yet a person sees a figure
there. On a page filled with colour, not drawn or washed with it, such a patch keeps its own edge
as outline. Within outlines colour bounds nothing: there the lines decide.
"""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import I32, U8, Bool
from inkclean.base.pieces import SIZE, pieces_of
from inkclean.flats.around import Around
from inkclean.flats.rasters import depth, dilated, square, tally
from inkclean.ink.values import Ink

INKED = 0.35  # share of ink that makes a place of the coarse map ink
BROAD_MM = 4.0  # a stroke of pencil is not so broad; nor is most of what strays over a line
MOSTLY = 0.85  # share of all colour that lies in broad patches where figures are filled with it
LEAST_MM2 = 60.0  # smaller patches are no areas of their own
STRAYS_MM, ALONG = 7.0, 0.3  # nor narrower ones that lie along a line for this share of their edge
GRAIN_MM = 0.8  # holes between the strokes of a crayon, and between colour and line


def coloured(ink: Ink) -> Bool | None:
    """Return where colouring lies broad outside all outlines (h, w), spread over the sheet.

    None if nowhere: nearly always.
    """
    laid = ink.pencil.laid
    if laid is None or not laid.any():
        return None
    per_mm = ink.px_per_mm * laid.shape[1] / ink.coverage.shape[1]
    filled = _closed(laid, GRAIN_MM * per_mm)
    broad = _opened(filled, BROAD_MM / 2 * per_mm)
    if broad.sum() < max(MOSTLY * filled.sum(), LEAST_MM2 * per_mm**2):
        return None
    size = laid.shape[::-1]
    small = cv2.resize(ink.coverage, size, interpolation=cv2.INTER_AREA)
    inked = np.asarray(small >= INKED)
    outside = _outside(inked)
    both = _closed(laid | inked, GRAIN_MM * per_mm)
    patch, told = pieces_of(_opened(both & outside, BROAD_MM / 2 * per_mm), 4)
    kept = told[:, SIZE] >= LEAST_MM2 * per_mm**2
    kept &= ~_strays(patch, inked, len(told), per_mm)
    kept[0] = False
    found = kept[patch]
    return found if found.any() else None


def _outside(inked: Bool) -> Bool:
    """Return the paper that the sheet's sides reach around the ink."""
    patch, told = pieces_of(~inked, 4)
    reached = np.zeros(len(told), bool)
    reached[np.concatenate([patch[0], patch[-1], patch[:, 0], patch[:, -1]])] = True
    reached[0] = False
    return np.asarray(reached[patch])


def _strays(patch: I32, inked: Bool, count: int, per_mm: float) -> Bool:
    """Return which patches are colour that strayed over a line they lie along."""
    inner = np.zeros(count, np.float32)
    np.maximum.at(inner, patch.ravel(), depth(patch > 0).ravel())
    edge = (patch > 0) & (dilated(patch == 0, square(3)) > 0)
    near = dilated(inked, square(2 * max(1, round(GRAIN_MM * per_mm)) + 1)) > 0
    long = np.maximum(tally(patch[edge], None, count), 1)
    along = tally(patch[edge & near], None, count) / long
    return np.asarray((inner < STRAYS_MM / 2 * per_mm) & (along > ALONG))


def outline(found: Bool | None, around: Around, ink: Bool) -> Bool:
    """Return the outlines of what ``coloured`` found, off the ink (H, W).

    ``around`` is the box that the ink's raster is of a sheet of that scale.
    """
    if found is None:
        return np.zeros_like(ink)
    whole = cv2.resize(found.astype(np.float32), around.shape[::-1], interpolation=cv2.INTER_LINEAR)
    inside = around.cut(whole) >= 0.5
    # up to the line: no sliver of paper lies between the two
    inside |= (dilated(inside, square(5)) > 0) & (dilated(ink, square(3)) > 0)
    return np.asarray(inside & (dilated(~inside, square(3)) > 0) & ~ink)


def _disc(radius: float) -> U8:
    size = 2 * max(1, round(radius)) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)


def _opened(mask: Bool, radius: float) -> Bool:
    kernel = _disc(radius)
    return np.asarray(cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, kernel) > 0)


def _closed(mask: Bool, radius: float) -> Bool:
    kernel = _disc(radius)
    return np.asarray(cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, kernel) > 0)
