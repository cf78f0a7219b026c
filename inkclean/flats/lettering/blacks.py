"""White letters on black: boxes and balloons filled with ink, of which letters are left out.

Holes of one piece of ink that are as small as letters are looked at as if they were ink on paper,
and the black around them as an inside that the paper beyond it closes off.
"""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F32, I64, U8, Bool
from inkclean.base.pieces import pieces_of
from inkclean.flats.lettering.enclosed import LARGEST, Inked, Inside, balloon_odds, disc, insides
from inkclean.flats.lettering.judge import letter_odds
from inkclean.flats.lettering.marks import Marks, find_marks
from inkclean.flats.rasters import pieces, tally

HIGHEST_MM, WIDEST_MM = 14.0, 40.0  # of a white letter, or of a word written in one go
LEAST_MM2 = 0.03  # holes smaller than this are flaws of the ink
FEWEST = 2  # letters of a box, or words written in one go
THICK_MM = 1.2  # lines of the art narrower than twice this are cut off from the black
EDGE_MM = 1.4  # corners that the cutting off has rounded lie so near
SURE = 0.0  # log-odds from which black around letters is a box,
LETTERS = 0.8  # least share of its white that is letters',
AWAY = 0.65  # a quarter of its black lies so far from these, in their heights: no net does,
ODDS = 3.0  # least mean log-odds of these,
HULL = 0.88  # and least share of its hull that it takes


def find_blacks(marks: Marks) -> list[tuple[tuple[slice, slice], Bool]]:
    """Return the ink of each box with white letters, (h, w) in a window: rows and columns."""
    scale = marks.px_per_mm
    found = []
    holes, own, letter = _holes(marks)
    many = np.bincount(own[letter], minlength=len(marks.size) + 1)
    many[0] = 0
    wide, high = marks.box[:, 2:].T / scale
    for row in np.flatnonzero((many[1:] >= FEWEST) & (np.minimum(wide, high) > 3)).tolist():
        x, y, w, h = marks.box[row].tolist()
        place = slice(y, y + h), slice(x, x + w)
        mine = np.append(False, (own == row + 1) & (letter | ~holes.shaped))
        white = mine[holes.label[place]]
        black = (marks.label[place] == row + 1) | white
        if black.sum() < 3 * white.sum():
            continue
        whole = black | (marks.ink[place] & _within(white))
        for box in _boxes(whole, white, marks.ink.size, scale):
            found.append((place, box & marks.ink[place]))
    return found


def _holes(marks: Marks) -> tuple[Marks, I64, Bool]:
    """Return small pieces of paper as marks, the number of the mark around each, and which look
    like letters.
    """
    scale = marks.px_per_mm
    label, stats = pieces_of(~marks.ink, 4)
    _, y, wide, high, area = stats.T
    small = (wide < WIDEST_MM * scale) & (high < HIGHEST_MM * scale)
    small &= (area > LEAST_MM2 * scale**2) & (y > 0)
    small[0] = False
    holes = find_marks(np.ascontiguousarray(small[label]), scale)
    # what lies above the top row of a hole is of the mark around it
    own = np.zeros(len(holes.size), np.int64)
    for number, (left, top, wide_px, _high) in enumerate(holes.box.tolist()):
        across = int(np.argmax(holes.label[top, left : left + wide_px] == number + 1))
        own[number] = marks.label[top - 1, left + across]
    return holes, own, np.asarray(letter_odds(holes) > 0)


def _within(white: Bool) -> Bool:
    """Return what white letters enclose."""
    contours, _ = cv2.findContours(white.view(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    out: U8 = np.zeros(white.shape, np.uint8)
    cv2.drawContours(out, contours, -1, 1, -1)
    return out > 0


def _boxes(black: Bool, white: Bool, sheet: int, px_per_mm: float) -> list[Bool]:
    """Return the boxes among black (h, w), its ``white`` letters filled in.

    ``sheet`` is the size of the sheet, px.
    """
    pad = round(EDGE_MM * px_per_mm) + 2
    black, white = np.pad(black, pad), np.pad(white, pad)
    body = cv2.morphologyEx(black.view(np.uint8), cv2.MORPH_OPEN, disc(THICK_MM * px_per_mm)) > 0
    letters = find_marks(np.ascontiguousarray(white & body), px_per_mm)
    odds = letter_odds(letters)
    rows = np.flatnonzero(odds > 0)
    if len(rows) < FEWEST:
        return []
    away: F32 = np.asarray(cv2.distanceTransform(body.view(np.uint8), cv2.DIST_L2, 5), np.float32)
    inked = Inked(letters.label, letters.box, odds, away, LARGEST * sheet, px_per_mm)
    inner = slice(pad, -pad), slice(pad, -pad)
    return [
        _with_edge(whole, black, px_per_mm)[inner] for whole in _accepted(inked, rows, black.shape)
    ]


def _accepted(inked: Inked, rows: I64, shape: tuple[int, ...]) -> list[Bool]:
    """Return the insides, (h, w), that hold little but letters that are sure."""
    out = []
    for one in insides(inked, rows, 0.0):
        mark = inked.label[one.place][one.filled]
        white = float((mark > 0).sum())
        letters = float(np.isin(mark, one.held + 1).sum())
        sure = float(inked.odds[one.held].mean()) > ODDS and letters > LETTERS * white
        sure &= _away(one, inked) > AWAY
        hull = cv2.convexHull(cv2.findNonZero(one.filled.view(np.uint8)))
        solid = one.filled.sum() > HULL * cv2.contourArea(hull)
        if sure and solid and len(one.held) >= FEWEST and balloon_odds(one.seen) > SURE:
            whole = np.zeros(shape, bool)
            whole[one.place] = one.filled
            out.append(whole)
    return out


def _away(one: Inside, inked: Inked) -> float:
    """Return how far from its letters a quarter of an inside's black lies, in their heights."""
    mark = inked.label[one.place]
    white = np.isin(mark, one.held + 1) & one.filled
    away = cv2.distanceTransform((~white).view(np.uint8), cv2.DIST_L2, 3)
    high = float(np.median(inked.box[one.held, 3]))
    return float(np.quantile(away[one.filled & ~white], 0.75)) / high


def _with_edge(whole: Bool, black: Bool, px_per_mm: float) -> Bool:
    """Return a box with its corners; lines that go on from it stay out."""
    near = cv2.distanceTransform((~whole).view(np.uint8), cv2.DIST_L2, 3)
    rest = np.asarray(black & ~whole)
    count, piece = pieces(rest)
    beyond = tally(piece[rest & (near > EDGE_MM * px_per_mm)], None, count)
    own = beyond == 0
    own[0] = False
    return np.asarray(whole | own[piece])
