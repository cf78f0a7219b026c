"""The paper that letters enclose, which has the colour of what they stand on."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import I32, Bool
from inkclean.base.pieces import HIGH, SIZE, WIDE, pieces_of
from inkclean.flats.lettering.values import TEXT, Lettering
from inkclean.flats.nearest import grown
from inkclean.flats.rasters import dilated, pieces, square, tally

APART_MM = 2.0  # letters this near each other stand in one text
# Taller letters are drawn: what they enclose is an area, and their gaps are gaps.
TALLEST_MM = 9.0
FEWEST = 3  # pieces of ink in a text; fewer may as well be eyes, buttons or leaves
ENCLOSING = 0.4  # texts that enclose a larger share of their boxes are windows, or buttons
HELD = 0.03  # ink that is as much of the paper around it is no speck in a letter


@dataclass(frozen=True)
class Written:
    """Ink of letters (H, W) bool, and the paper that they enclose (H, W) bool."""

    ink: Bool
    counters: Bool


def written(lettering: Lettering, ink: Bool, px_per_mm: float) -> Written:
    """Return what ``ink`` (H, W) has of letters, and what they enclose.

    ``lettering`` lies on the same sheet at any resolution. Letters as tall as things drawn, and
    those that stand alone, are left out: an area taken for a letter would be lost.
    """
    text = lettering.at(*ink.shape) == TEXT
    letters = _small(np.asarray(ink & text), px_per_mm)
    if not letters.any():
        return Written(letters, np.zeros(ink.shape, bool))
    left, top, width, height = cv2.boundingRect(letters.view(np.uint8))
    page = slice(top, top + height), slice(left, left + width)  # the part that is written on
    counters = np.zeros(ink.shape, bool)
    counters[page] = _counters(letters[page], px_per_mm)
    return Written(letters, counters)


def _small(letters: Bool, px_per_mm: float) -> Bool:
    """Return the letters (H, W) no taller than lettering is, in texts of some pieces of ink."""
    if not letters.any():
        return letters
    label, told = pieces_of(letters)
    count = len(told)
    low = told[:, HIGH] <= TALLEST_MM * px_per_mm
    low[0] = False
    letters = low[label]
    _, text = pieces(dilated(letters, square(2 * round(APART_MM / 2 * px_per_mm) + 1)))
    of = np.zeros(count, np.int64)
    of[label[letters]] = text[letters]
    many = np.bincount(of[low], minlength=int(of.max()) + 1) >= FEWEST
    return np.asarray(letters & (low & many[of])[label])


def _counters(letters: Bool, px_per_mm: float) -> Bool:
    """Return the paper that letters (H, W) enclose, without that of texts that enclose too much.

    What has ink inside is an eye, or a button: no letter has.
    """
    rooms, room = pieces(np.pad(~letters, 1, constant_values=True), connectivity=4)
    label, told = pieces_of(letters)
    count = len(told)
    bare = ~_holding(room, rooms, label, told)
    bare[[0, room[0, 0]]] = False
    enclosed = np.asarray(bare[room[1:-1, 1:-1]])
    if not enclosed.any():
        return enclosed
    _, text = pieces(dilated(letters, square(2 * round(APART_MM / 2 * px_per_mm) + 1)))
    text_of = np.zeros(count, np.int64)
    text_of[label[letters]] = text[letters]
    # only what is enclosed need be told, and letters are nearer to it than other paper
    around = grown(np.where(enclosed | letters, label, -1).astype(np.int32))
    inside = tally(around[enclosed], None, count)
    texts = int(text_of.max()) + 1
    size = (told[:, WIDE] * told[:, HIGH]).astype(np.float64)
    size[0] = 0.0
    share = tally(text_of, inside, texts) / np.maximum(tally(text_of, size, texts), 1e-9)
    return np.asarray(enclosed & (share[text_of] <= ENCLOSING)[around])


def _holding(room: I32, rooms: int, label: I32, told: I32) -> Bool:
    """Return which rooms (R,) between letters hold a letter that is more than a speck in them.

    ``room`` (H + 2, W + 2) has a rim of paper that ``label`` (H, W), the letters' pieces, has not.
    """
    flat = label.ravel()
    starts = np.flatnonzero((np.diff(flat, prepend=0) != 0) & (flat > 0))
    piece, nth = np.unique(flat[starts], return_index=True)
    row, column = np.divmod(starts[nth], label.shape[1])
    around = room[row, column + 1]  # what lies above a piece's first pixel lies around it
    size = tally(room.ravel(), None, rooms)
    held = told[piece, SIZE] > HELD * size[around]
    found = np.zeros(rooms, bool)
    found[around[held]] = True
    return found
