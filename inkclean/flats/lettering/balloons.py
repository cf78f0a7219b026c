"""Balloons and captions' boxes: paper around letters that an outline closes, and its outline.

The inside of a balloon is the paper around letters, closed off by ink (gaps in the outline up to
some length count as closed), of a compact shape that its letters fill to a good part. The outline
is the ink beside it, as broad as it is where only paper lies beyond: so it is cut off from lines
of the art that end on it. A panel's border that a box leans on stays the art's.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import median_filter

from inkclean.base.arrays import F32, F64, I32, I64, U8, Bool
from inkclean.flats.rasters import pieces, tally

LEAKS_MM = (0.0, 0.35, 0.8, 1.4)  # gaps in outlines are closed by this much on both sides, in turn
FILLED = 0.08  # least share of the inside that letters with the room around them take
LARGE_MM2 = 2000.0  # insides larger than this must be filled by
FILLED_LARGE = 0.14
LARGEST = 0.45  # share of the sheet that no balloon takes
TALL_MM = 7.0  # letters taller than this are a sound word's; an inside is filled by them to
FILLED_TALL = 0.5
SOLID_TALL = 0.9
SQUARE = 0.9  # and has no corners: it takes so much of a rectangle at most
DRAWN = 0.6  # least share of its rim that is ink
HELD = 0.28  # least share of an inside that lies between its letters,
ASIDE = 0.3  # whose middle lies off its own by so much of its sides at most
SOLID = 0.8  # least share of its convex hull that an inside takes,
TAIL_MM = 1.5  # tails up to twice as broad left out
OTHER = 2.0  # most ink not told to be letters in an inside, for each of the letters'
WIDER = 8.0  # times a usual letter that other ink in an inside is wide at most,
TALLER = 1.7  # times a usual letter that other ink in an inside is tall at most,
UNLIKE = 2.5  # times the median that the letters with most room are tall at most
ROOM = 0.35  # room around a letter that is counted with it, in its heights
BROADEST_MM = 2.2  # of an outline
USUAL_MM = 0.4  # breadth of an outline of which nothing is seen free
UNEVEN = 1.8  # times its median that an outline is broad at most
ALONG_MM = 2.0  # along which the breadth of an outline is steady
EDGE_MM = 0.09  # beyond that breadth the edge of the ink still lies
CRUMB_MM = 2.6  # pieces that hang on an outline alone and go on no further are its own
BAY_MM = 1.5  # letters that touch the outline make bays in the inside, half as broad at most,
DEEP_MM = 0.75  # and so deep at least
THICK_MM = 1.6  # ink broader than this is no line
STRAIGHT_MM = 12.0  # lines as straight as a ruler's are looked for at this length
LONGER = 1.08  # a border of a panel is longer than the box that leans on it, by this factor
LONGER_MM = 3.0  # and this length


@dataclass(frozen=True)
class Balloon:
    """One balloon or box, in a window of the sheet: ``place`` is its rows and columns.

    ``inside`` and ``outline`` are (h, w) bool: what it encloses, letters too, and its own ink.
    """

    place: tuple[slice, slice]
    inside: Bool
    outline: Bool


def find_balloons(ink: Bool, label: I32, box: I64, letter: Bool, px_per_mm: float) -> list[Balloon]:
    """Return the balloons around letters.

    ``label`` (H, W) numbers the marks of ``ink`` (H, W) from 1, ``box`` (N, 4) are theirs, and
    ``letter`` (N,) tells which are letters.
    """
    rows = np.flatnonzero(letter)
    if not len(rows):
        return []
    is_letter = np.append(False, letter)[label]
    wall = np.asarray(ink & ~is_letter)
    away = np.asarray(cv2.distanceTransform((~wall).view(np.uint8), cv2.DIST_L2, 5), np.float32)
    borders = _Borders(ink, px_per_mm)
    taken = np.zeros(len(letter), bool)
    found: list[Balloon] = []
    for leak in LEAKS_MM:
        left = rows[~taken[rows]]
        for place, inside, held in _insides(away, label, box, left, leak, px_per_mm):
            taken[held] = True
            part = Balloon(place, inside, _outline(ink[place], inside, px_per_mm))
            found.append(Balloon(place, inside, part.outline & ~borders.beside(part)))
    return found


def _insides(
    away: F32, label: I32, box: I64, rows: I64, leak_mm: float, px_per_mm: float
) -> Iterator[tuple[tuple[slice, slice], Bool, I64]]:
    """Yield windows, the insides in them, and the letters that they hold.

    ``away`` (H, W) is how far each pixel lies from ink that is no letter.
    """
    reach = leak_mm * px_per_mm
    free = (away > reach).view(np.uint8)
    _, region, stats, _ = cv2.connectedComponentsWithStats(free, connectivity=4)
    height, width = region.shape
    middle = np.stack([box[rows, 0] + box[rows, 2] // 2, box[rows, 1] + box[rows, 3] // 2], 1)
    # a letter lies where most of the corners and the middle of its box do
    corners = [(0, 0), (1, 0), (0, 1), (1, 1)]
    at = [middle] + [box[rows, :2] + (box[rows, 2:] - 1) * np.array(c) for c in corners]
    seen = np.stack([region[p[:, 1], p[:, 0]] for p in at], 1)
    own = np.sort(seen, axis=1)[:, 2]
    room = box[rows, 2:] + 2 * ROOM * np.minimum(box[rows, 2:], box[rows, 3:])
    size = np.bincount(own, room.prod(axis=1), len(stats))
    large = LARGE_MM2 * px_per_mm**2
    for number in np.flatnonzero(size).tolist():
        x, y, wide, high, area = stats[number].tolist()
        edge = x == 0 or y == 0 or x + wide == width or y + high == height
        if number == 0 or edge or area > LARGEST * region.size:
            continue
        pad = round(4 * px_per_mm + reach)
        place = (slice(max(y - pad, 0), y + high + pad), slice(max(x - pad, 0), x + wide + pad))
        inside = _grown(region[place] == number, away[place] > 0, reach)
        held = rows[own == number]
        tall = float(np.median(box[held, 3])) > TALL_MM * px_per_mm if len(held) else True
        least = FILLED_TALL if tall else FILLED_LARGE if area > large else FILLED
        if size[number] < least * area or len(held) == 0:
            continue
        filled = _filled(inside)
        solid = SOLID_TALL if tall else SOLID
        boxes = _roomy(box[held]) - np.array([place[1].start, place[0].start] * 2)
        if _is_balloon(filled, label[place], held, boxes, solid, px_per_mm) and (
            leak_mm == 0 or _drawn(filled, away[place]) > DRAWN
        ):
            yield place, filled | _bays(filled, px_per_mm), held


def _grown(core: Bool, free: Bool, reach: float) -> Bool:
    """Return the core grown back over free paper, by what it had been drawn in."""
    if reach < 1:
        return core
    away = cv2.distanceTransform((~core).view(np.uint8), cv2.DIST_L2, 5)
    return np.asarray(core | ((away <= reach + 1) & free))


def _filled(mask: Bool) -> Bool:
    contours, _ = cv2.findContours(mask.view(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    out = np.zeros(mask.shape, np.uint8)
    cv2.drawContours(out, contours, -1, 1, -1)
    return out.view(np.bool_)


def _of_one_size(filled: Bool, label: I32, held: I64, boxes: F64) -> bool:
    """Tell whether what an inside holds is letters, and marks that may be letters too."""
    wide, high = (boxes[:, 2:] - boxes[:, :2]).T
    order = np.argsort(high)
    area = np.cumsum((wide * high)[order])
    usual = float(high[order][np.searchsorted(area, area[-1] / 2)]) / (1 + 2 * ROOM)
    if usual > UNLIKE * float(np.median(high)):
        return False
    own = np.isin(label, held + 1) & filled
    rest = np.where(filled & ~own, label, 0)
    if float((rest > 0).sum()) > OTHER * float(own.sum()):
        return False
    number = rest[rest > 0]
    for at, most in zip(np.nonzero(rest), (TALLER, WIDER), strict=True):
        low = np.full(int(label.max()) + 1, max(label.shape))
        np.minimum.at(low, number, at)
        high_end = np.zeros(len(low), np.int64)
        np.maximum.at(high_end, number, at)
        if ((high_end - low + 1) > most * usual).any():
            return False
    return True


def _roomy(box: I64) -> F64:
    """Return left, top, right and bottom of boxes (N, 4) with the room around letters."""
    room = ROOM * np.minimum(box[:, 2:], box[:, 3:])
    return np.concatenate([box[:, :2] - room, box[:, :2] + box[:, 2:] + room], axis=1)


def _is_balloon(
    filled: Bool, label: I32, held: I64, boxes: F64, solid: float, px_per_mm: float
) -> bool:
    """Tell whether an inside has the shape of one, and holds little but letters."""
    if not _of_one_size(filled, label, held, boxes):
        return False
    body = cv2.morphologyEx(filled.view(np.uint8), cv2.MORPH_OPEN, _disc(TAIL_MM * px_per_mm))
    contours, _ = cv2.findContours(body, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return False
    points = np.concatenate(list(contours))
    area = float(body.sum())
    if area < solid * cv2.contourArea(cv2.convexHull(points)):
        return False
    # a panel, or a strip of it, that a sound word fills is no box of a caption
    if solid > SOLID and area > SQUARE * float(np.prod(cv2.minAreaRect(points)[1])):
        return False
    corners = np.concatenate([boxes[:, [k, m]] for k in (0, 2) for m in (1, 3)])
    between = cv2.contourArea(cv2.convexHull(corners.astype(np.float32)))
    own_side = np.ptp(points[:, 0], axis=0)
    middle = points[:, 0].min(axis=0) + own_side / 2
    off = np.abs((corners.min(axis=0) + corners.max(axis=0)) / 2 - middle)
    return bool(between > HELD * body.sum() and (off < ASIDE * own_side).all())


def _drawn(filled: Bool, away: F32) -> float:
    """Return the share of the rim of an inside beside which there is ink."""
    contours, _ = cv2.findContours(filled.view(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    rim = np.concatenate(list(contours))[:, 0]
    return float((away[rim[:, 1], rim[:, 0]] < 2.5).mean())


def _bays(filled: Bool, px_per_mm: float) -> Bool:
    """Return the deep bays of an inside: letters that touch the outline fill them."""
    closed = cv2.morphologyEx(filled.view(np.uint8), cv2.MORPH_CLOSE, _disc(BAY_MM * px_per_mm))
    bay = np.asarray((closed > 0) & ~filled)
    count, piece = pieces(bay)
    deep = np.zeros(count, np.float32)
    away = np.asarray(cv2.distanceTransform(closed, cv2.DIST_L2, 5), np.float32)
    np.maximum.at(deep, piece[bay], away[bay])
    deep[0] = 0
    return np.asarray((deep > DEEP_MM * px_per_mm)[piece])


def _disc(radius: float) -> U8:
    size = 2 * round(radius) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)


def _outline(ink: Bool, inside: Bool, px_per_mm: float) -> Bool:
    """Return the ink of the outline around an inside, (h, w)."""
    away, nearest = _nearest(inside)
    broad = _breadths(ink, inside, away, nearest, px_per_mm)[nearest]
    around = ink & ~inside & (away <= BROADEST_MM * px_per_mm + CRUMB_MM * px_per_mm)
    band = around & (away <= broad + EDGE_MM * px_per_mm)
    rest = np.ascontiguousarray(ink & ~inside & ~band)
    count, piece = pieces(rest)
    size = tally(piece.ravel(), None, count)
    beyond = np.zeros(count)
    np.maximum.at(beyond, piece[rest], (away - broad)[rest])
    usual = float(np.median(broad[band])) if band.any() else USUAL_MM * px_per_mm
    touching = np.zeros(count, bool)
    touching[piece[(cv2.dilate(band.view(np.uint8), np.ones((3, 3), np.uint8)) > 0) & rest]] = True
    # swellings of the line, and the tip of a tail, where its two lines have become one
    own = (beyond < 0.6 * usual + 1) | ((beyond < CRUMB_MM * px_per_mm) & (size < 7 * usual**2))
    own &= touching
    own[0] = False
    return np.asarray(band | own[piece])


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
    """Return a running median around a loop, of the known values and what lies between them."""
    at = np.flatnonzero(known)
    count = len(value)
    places = np.concatenate([at - count, at, at + count])
    whole = np.interp(np.arange(count), places, np.tile(value[at], 3))
    return np.asarray(median_filter(whole, size=min(along, count), mode="wrap"))


class _Borders:
    """Long straight lines of the ink, level and upright."""

    def __init__(self, ink: Bool, px_per_mm: float) -> None:
        length = round(STRAIGHT_MM * px_per_mm)
        self.more = LONGER_MM * px_per_mm
        # the edges of blacks are no lines
        deep = cv2.distanceTransform(ink.view(np.uint8), cv2.DIST_L2, 3) > THICK_MM / 2 * px_per_mm
        away = cv2.distanceTransform((~deep).view(np.uint8), cv2.DIST_L2, 3)
        thin = (ink & (away > THICK_MM / 2 * px_per_mm + 1)).view(np.uint8)
        self.lines = [_long(_opened(thin, shape)) for shape in ((1, length), (length, 1))]

    def beside(self, balloon: Balloon) -> Bool:
        """Return what of a balloon's outline lies on lines longer than it."""
        out = np.zeros(balloon.outline.shape, bool)
        rows, columns = np.nonzero(balloon.inside)
        sides = (np.ptp(columns) + 1, np.ptp(rows) + 1)
        for (label, length), side, axis in zip(self.lines, sides, (1, 0), strict=True):
            out |= (length[axis] > LONGER * side + self.more)[label[balloon.place]]
        return out


def _opened(lines: U8, shape: tuple[int, int]) -> U8:
    kernel = np.ones(shape, np.uint8)
    return np.asarray(cv2.morphologyEx(lines, cv2.MORPH_OPEN, kernel), np.uint8)


def _long(lines: U8) -> tuple[I32, tuple[I64, I64]]:
    """Return the number of each line at its pixels, and heights and widths of all."""
    joined = cv2.dilate(lines, np.ones((3, 3), np.uint8))
    _, label, stats, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
    sides = stats[:, [cv2.CC_STAT_HEIGHT, cv2.CC_STAT_WIDTH]].astype(np.int64)
    sides[0] = 0
    return np.asarray(label, np.int32), (sides[:, 0], sides[:, 1])
