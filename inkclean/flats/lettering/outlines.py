"""The outlines of balloons: the ink beside an inside, cut off from the art that ends on it.

An outline is as broad as it is where only paper lies beyond. A panel's border that a box leans on
stays the art's.
"""

from __future__ import annotations

from functools import cached_property

import cv2
import numpy as np
from scipy.ndimage import percentile_filter

from inkclean.base.arrays import F32, F64, I32, I64, U8, Bool, median
from inkclean.base.pieces import HIGH, WIDE, pieces_of
from inkclean.flats.rasters import pieces, tally

BROADEST_MM = 2.2  # of an outline
USUAL_MM = 0.4  # breadth of an outline of which nothing is seen free
UNEVEN = 1.6  # times its median that an outline is broad at most
LOWER = 40.0  # per cent of the breadths nearby that it is taken to be at least as broad as
ALONG_MM = 2.0  # along which the breadth of an outline is steady
EDGE_MM = 0.09  # beyond that breadth the edge of the ink still lies
TAIL_MM = 1.6  # a tail is narrower than this,
DEEP_MM = 1.0  # and runs out so far at least;
TIP_MM = 9.0  # its tip, where its two lines have become one, is so long at most,
SWELLS = 0.6  # lines swell by this share of their breadth
CUSP = 1.3  # and by this much where two arcs of a cloud meet
BOTH = 1.3  # and as broad as this many lines where it begins
THICK_MM = 1.6  # ink broader than this is no line
STRAIGHT_MM = 12.0  # lines as straight as a ruler's are looked for at this length,
MEETS_MM = 8.0  # and go on where blacks so large lie on them
LONGER = 1.08  # a border of a panel is longer than the box that leans on it, by this factor
LONGER_MM = 3.0  # and this length


def outline_of(ink: Bool, inside: Bool, px_per_mm: float) -> Bool:
    """Return the ink of the outline around an inside, (h, w)."""
    away, nearest = _nearest(inside)
    broad = _breadths(ink, inside, away, nearest, px_per_mm)[nearest]
    band = (
        ink & ~inside & (away <= np.minimum(broad + EDGE_MM * px_per_mm, BROADEST_MM * px_per_mm))
    )
    rest = np.ascontiguousarray(ink & ~inside & ~band)
    count, piece = pieces(rest)
    size = tally(piece.ravel(), None, count)
    beyond = np.zeros(count)
    np.maximum.at(beyond, piece[rest], (away - broad)[rest])
    usual = float(median(broad[band])) if band.any() else USUAL_MM * px_per_mm
    touches = (cv2.dilate(band.view(np.uint8), np.ones((3, 3), np.uint8)) > 0) & rest
    touching = tally(piece[touches], None, count)
    at_tail = tally(piece[touches & _in_tail(inside, nearest, px_per_mm)], None, count)
    tip = (at_tail > 0.5 * touching) & (touching >= BOTH * usual)
    tip &= (beyond < TIP_MM * px_per_mm) & (size < 2.5 * usual * (beyond + usual))
    cusp = (beyond < CUSP * usual) & (size < CUSP * usual**2)
    own = ((beyond < SWELLS * usual + 1) | cusp | tip) & (touching > 0)
    own[0] = False
    return np.asarray(band | own[piece])


def _in_tail(inside: Bool, nearest: I32, px_per_mm: float) -> Bool:
    """Return where the nearest of an inside is its tail, (h, w)."""
    size = 2 * round(TAIL_MM / 2 * px_per_mm) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    padded = np.pad(inside.view(np.uint8), size)
    body = cv2.morphologyEx(padded, cv2.MORPH_OPEN, kernel)[size:-size, size:-size]
    own = np.zeros(int(nearest.max()) + 1, bool)
    tail = np.asarray(inside & (body == 0))
    count, piece = pieces(tail)
    deep = np.zeros(count)
    away = cv2.distanceTransform((body == 0).view(np.uint8), cv2.DIST_L2, 3)
    np.maximum.at(deep, piece[tail], away[tail])
    own[nearest[tail & (deep > DEEP_MM * px_per_mm)[piece]]] = True
    return np.asarray(own[nearest])


def _nearest(inside: Bool) -> tuple[F32, I32]:
    """Return how far each pixel lies from an inside, and the number of its nearest pixel."""
    away, nearest = cv2.distanceTransformWithLabels(
        (~inside).view(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    return np.asarray(away, np.float32), np.asarray(nearest, np.int32)


def _breadths(ink: Bool, inside: Bool, away: F32, nearest: I32, px_per_mm: float) -> F32:
    """Return how broad the outline is beside each pixel of the inside, by its number.

    Measured outwards to the first paper; steady along the outline, whatever ends on it.
    """
    count = int(nearest.max()) + 1
    beyond = ~ink & ~inside & (away < BROADEST_MM * px_per_mm)
    breadth = np.full(count, np.inf, np.float32)
    np.minimum.at(breadth, nearest[beyond], away[beyond])
    breadth -= 1
    known = breadth[np.isfinite(breadth)]
    known = known[known >= 1]
    usual = float(np.median(known)) if len(known) else USUAL_MM * px_per_mm
    out = np.full(count, usual, np.float32)
    contours, _ = cv2.findContours(inside.view(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    for contour in contours:
        number = nearest[contour[:, 0, 1], contour[:, 0, 0]]
        own = breadth[number].astype(np.float64)
        free = np.isfinite(own) & (own <= UNEVEN * usual) & (own >= 1)
        if free.any():
            out[number] = _steady(own, free, round(2 * ALONG_MM * px_per_mm) + 1)
    return out


def _steady(value: F64, known: Bool, along: int) -> F64:
    """Return what is usual nearby around a loop, of the known values and what lies between them."""
    at = np.flatnonzero(known)
    count = len(value)
    places = np.concatenate([at - count, at, at + count])
    whole = np.interp(np.arange(count), places, np.tile(value[at], 3))
    return np.asarray(percentile_filter(whole, LOWER, size=min(along, count), mode="wrap"))


class Borders:
    """Long straight lines of the ink, level and upright."""

    def __init__(self, ink: Bool, px_per_mm: float) -> None:
        self.ink, self.px_per_mm = ink, px_per_mm
        self.more = LONGER_MM * px_per_mm

    @cached_property
    def lines(self) -> list[tuple[I32, tuple[I64, I64]]]:
        """Numbers and sides of the lines, level and upright; found when they are asked for."""
        length, broad = round(STRAIGHT_MM * self.px_per_mm), THICK_MM / 2 * self.px_per_mm
        # the edges of blacks are no lines
        deep = cv2.distanceTransform(self.ink.view(np.uint8), cv2.DIST_L2, 3) > broad
        away = cv2.distanceTransform((~deep).view(np.uint8), cv2.DIST_L2, 3)
        thin = (self.ink & (away > broad + 1)).view(np.uint8)
        meets = round(MEETS_MM * self.px_per_mm)
        return [
            _long(_closed(_opened(thin, (1, length)), (1, meets), self.ink)),
            _long(_closed(_opened(thin, (length, 1)), (meets, 1), self.ink)),
        ]

    def beside(self, place: tuple[slice, slice], inside: Bool) -> Bool:
        """Return what lies on lines longer than an inside, (h, w)."""
        out = np.zeros(inside.shape, bool)
        rows, columns = np.nonzero(inside)
        sides = (np.ptp(columns) + 1, np.ptp(rows) + 1)
        for (label, length), side, axis in zip(self.lines, sides, (1, 0), strict=True):
            out |= (length[axis] > LONGER * side + self.more)[label[place]]
        return out


def _opened(lines: U8, shape: tuple[int, int]) -> U8:
    kernel = np.ones(shape, np.uint8)
    return np.asarray(cv2.morphologyEx(lines, cv2.MORPH_OPEN, kernel), np.uint8)


def _closed(lines: U8, shape: tuple[int, int], ink: Bool) -> U8:
    """Return lines with the gaps closed where there is ink."""
    closed = cv2.morphologyEx(lines, cv2.MORPH_CLOSE, np.ones(shape, np.uint8))
    return np.asarray(np.where(ink, closed, lines), np.uint8)


def _long(lines: U8) -> tuple[I32, tuple[I64, I64]]:
    """Return the number of each line at its pixels, and heights and widths of all."""
    joined = cv2.dilate(lines, np.ones((3, 3), np.uint8))
    label, told = pieces_of(np.asarray(joined, np.uint8))
    sides = told[:, [HIGH, WIDE]].astype(np.int64)
    sides[0] = 0
    return label, (sides[:, 0], sides[:, 1])
