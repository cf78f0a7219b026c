"""Lettering: rows of small pieces of ink, whose strokes go on nowhere."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from inkclean.base.arrays import F64, I32, I64, Bool
from inkclean.flats.nearest import grown
from inkclean.flats.rasters import pieces, tally

TALLEST_MM = 9.0  # height of the tallest letter
LEAST_MM = 1.2  # height of the smallest
WIDEST = 4.0  # width of a letter with those it touches, in heights
APART = 1.0  # most between letters of a row, in heights
ALIKE = 1.7  # factor between the heights of letters in a row
LEVEL = 0.5  # share of the lower letter by which two of a row overlap
FEWEST = 4  # letters in a row of lettering
ENCLOSING = 0.4  # pieces that enclose a larger share of their boxes are windows, or buttons


@dataclass(frozen=True)
class Lettering:
    """Ink of letters (H, W) bool, and the paper that they enclose (H, W) bool."""

    ink: Bool
    counters: Bool


def find_lettering(ink: Bool, px_per_mm: float) -> Lettering:
    """Return the lettering: rows of pieces alike in height, close together.

    Marks much smaller than a letter (stops, accents) go with the row they stand in. Common
    practice, no source: letters of a balloon touch neither each other nor its outline.
    """
    count, label, stats, _ = cv2.connectedComponentsWithStats(ink.astype(np.uint8), connectivity=8)
    box = stats[:, :4].astype(np.float64) / px_per_mm
    height, width = box[:, 3], box[:, 2]
    letter = (height <= TALLEST_MM) & (height >= LEAST_MM) & (width <= WIDEST * height)
    letter[0] = False
    at = np.flatnonzero(letter)
    row = _rows(box[at])
    members = np.bincount(row) if len(at) else np.zeros(0, np.int64)
    written = np.zeros(count, bool)
    written[at[members[row] >= FEWEST]] = True
    mark = (height < LEAST_MM) & (width < LEAST_MM)
    mark[0] = False
    if written.any() and mark.any():
        centres = box[:, :2] + box[:, 2:] / 2
        away, _ = cKDTree(centres[written]).query(centres[mark])
        written[np.flatnonzero(mark)[away < APART * np.median(height[written])]] = True
    lettering = Lettering(np.zeros(ink.shape, bool), np.zeros(ink.shape, bool))
    if not written.any():
        return lettering
    left, top = stats[written, :2].min(axis=0)
    right, bottom = (stats[written, :2] + stats[written, 2:4]).max(axis=0)
    page = slice(top, bottom), slice(left, right)  # the part of it that is written on
    letters = np.where(written, np.arange(count), 0).astype(np.int32)[label[page]]
    row_of = np.full(count, -1)
    row_of[at] = row
    row_of[~written] = -1
    size = height * width * px_per_mm**2
    lettering.ink[page] = letters > 0
    lettering.counters[page] = _counters(letters, row_of, size)
    return lettering


def _counters(letters: I32, row: I64, size: F64) -> Bool:
    """Return the paper that letters enclose: it has the colour of what they stand on.

    ``letters`` (H, W) are their numbers, ``row`` the row of each, −1 for none, and ``size`` that
    of its box in px². Rows that enclose too much of their boxes are no letters to look into.
    """
    _, room = pieces(np.pad(letters == 0, 1, constant_values=True), connectivity=4)
    enclosed = (room[1:-1, 1:-1] != room[0, 0]) & (letters == 0)
    if not enclosed.any():
        return np.asarray(enclosed)
    # only what is enclosed need be told, and letters are nearer to it than other paper
    around = grown(np.where(enclosed | (letters > 0), letters, -1).astype(np.int32))
    inside = tally(around[enclosed], None, len(row))
    rows = int(row.max(initial=-1)) + 2
    own = row + 1
    share = tally(own, inside, rows) / np.maximum(tally(own, size, rows), 1e-9)
    share[0] = 0.0  # marks that stand in no row of their own
    return np.asarray(enclosed & (share[own] <= ENCLOSING)[around])


def _rows(box: F64) -> I64:
    """Return for each box (x, y, width, height) the number of the row it stands in."""
    if len(box) < 2:
        return np.zeros(len(box), np.int64)
    centre = box[:, :2] + box[:, 2:] / 2
    pairs = cKDTree(centre).query_pairs(2 * TALLEST_MM, output_type="ndarray")
    a, b = box[pairs[:, 0]], box[pairs[:, 1]]
    low, high = np.minimum(a[:, 3], b[:, 3]), np.maximum(a[:, 3], b[:, 3])
    apart = np.maximum(a[:, 0], b[:, 0]) - np.minimum(a[:, 0] + a[:, 2], b[:, 0] + b[:, 2])
    shared = np.minimum(a[:, 1] + a[:, 3], b[:, 1] + b[:, 3]) - np.maximum(a[:, 1], b[:, 1])
    beside = (apart < APART * low) & (apart > -0.3 * low)
    beside &= (high < ALIKE * low) & (shared > LEVEL * low)
    one, other = pairs[beside].T
    graph = coo_matrix((np.ones(len(one)), (one, other)), shape=(len(box), len(box)))
    return np.asarray(connected_components(graph, directed=False)[1])
