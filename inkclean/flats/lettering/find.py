"""From ink to what it belongs to: art, text, balloons."""

from __future__ import annotations

import cv2
import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from inkclean.base.arrays import F32, F64, I64, U8, Bool
from inkclean.flats.around import around_ink
from inkclean.flats.lettering.balloons import Balloon, find_balloons
from inkclean.flats.lettering.blacks import find_blacks
from inkclean.flats.lettering.bubbles import find_bubbles
from inkclean.flats.lettering.edits import LetterEdits, apply_moves
from inkclean.flats.lettering.judge import letter_odds
from inkclean.flats.lettering.marks import Marks, find_marks
from inkclean.flats.lettering.values import ART, BALLOON, TEXT, Lettering, spread
from inkclean.ink.values import Ink

PX_PER_MM = 12.0  # about so fine is looked: letters of 2 mm by a pen of 0.2 mm stay apart
SURE = 0.0  # log-odds from which a mark is a letter
BESIDE = 1.3  # marks nearer than this, in heights of the smaller, stand in one group
SUM_OF_GROUP = 5.0  # log-odds that the letters of a group without a balloon make together,
MEAN_OF_GROUP = 1.0  # and on the average
THIN = 0.12  # open letters have strokes so thin, in their own sizes,
LARGE_MM = 4.0  # and are larger than this;
ALIKE = 0.35  # the strokes of their inner outlines are as thin, in logs
STOP = 0.75  # a stop or accent lies so near its letter, in heights
STOP_SIZE = 0.45  # and is so large at most


def find_lettering(ink: Ink) -> Lettering:
    """Return what the ink belongs to: text, the outlines around it, or the art."""
    every = max(1, round(ink.px_per_mm / PX_PER_MM))
    around = around_ink(ink.coverage, ink.px_per_mm)
    inked = _inked(around.cut(ink.coverage), every)
    scale = ink.px_per_mm / every
    marks = find_marks(inked, scale)
    odds = letter_odds(marks)
    letter = _with_stops(marks, _with_insides(marks, odds > SURE))
    balloons = find_balloons(inked, marks.label, marks.box, odds, letter, scale)
    own = [(one.place, one.outline) for one in find_bubbles(inked, balloons, scale)]
    own += find_blacks(marks)
    kind = spread(_kinds(marks, odds, letter, balloons, own))
    if every > 1:
        kind = kind.repeat(every, axis=0).repeat(every, axis=1)
    return Lettering(around.back(kind[: around.high, : around.wide]), ink.px_per_mm)


def sort_lettering(found: Lettering, ink: Ink, edits: LetterEdits) -> Lettering:
    """Return the lettering found, with what was moved by hand."""
    return apply_moves(found, ink.coverage >= 0.5, edits) if edits.moves else found


def _inked(coverage: F32, every: int) -> Bool:
    """Return where there is ink, a pixel for so many of the sheet's either way."""
    if every > 1:
        more = [(0, -side % every) for side in coverage.shape]
        coverage = np.pad(coverage, more)
        size = (coverage.shape[1] // every, coverage.shape[0] // every)
        coverage = np.asarray(cv2.resize(coverage, size, interpolation=cv2.INTER_AREA), np.float32)
    return np.ascontiguousarray(coverage >= 0.5)


def _with_insides(marks: Marks, letter: Bool) -> Bool:
    """Return the letters with the inner outlines of open ones."""
    reach = marks.box[:, 2:].max(axis=1, initial=0)
    thin = marks.stroke < THIN * reach
    open_ = np.flatnonzero(letter & thin & (reach > LARGE_MM * marks.px_per_mm))
    inner = np.flatnonzero(~letter & thin & marks.shaped)
    if not len(open_) or not len(inner):
        return letter
    box, own = marks.box[inner][:, None], marks.box[open_][None]
    within = (box[..., :2] > own[..., :2]) & (
        box[..., :2] + box[..., 2:] < own[..., :2] + own[..., 2:]
    )
    alike = np.abs(np.log(marks.stroke[inner][:, None] / marks.stroke[open_][None])) < ALIKE
    out = letter.copy()
    out[inner[(within.all(axis=2) & alike).any(axis=1)]] = True
    return out


def _with_stops(marks: Marks, letter: Bool) -> Bool:
    """Return the letters with the small marks that belong to them: stops, accents, dots."""
    if not letter.any():
        return letter
    small = np.flatnonzero(~letter & (marks.box[:, 2:].max(axis=1) < 1.5 * marks.px_per_mm))
    rows = np.flatnonzero(letter)
    if not len(small):
        return letter
    count = min(4, len(rows))
    near = cKDTree(marks.centre[rows]).query(marks.centre[small], k=np.arange(1, count + 1))[1]
    box, other = marks.box[small][:, None], marks.box[rows[near]]
    gap = np.maximum(box[..., :2], other[..., :2])
    gap = gap - np.minimum(box[..., :2] + box[..., 2:], other[..., :2] + other[..., 2:])
    away = np.hypot(*np.maximum(gap, 0).transpose(2, 0, 1))
    high = other[..., 3]
    beside = (away < STOP * high) & (box[..., 2:].max(axis=2) < STOP_SIZE * high)
    out = letter.copy()
    out[small[beside.any(axis=1)]] = True
    return out


def _kinds(
    marks: Marks,
    odds: F32,
    letter: Bool,
    balloons: list[Balloon],
    others: list[tuple[tuple[slice, slice], Bool]],
) -> U8:
    """Return (H, W) uint8: ART, TEXT or BALLOON on ink, 0 elsewhere.

    ``others`` are more ink of balloons, in windows.
    """
    within = np.zeros(marks.ink.shape, bool)
    outline = np.zeros(marks.ink.shape, bool)
    for balloon in balloons:
        within[balloon.place] |= balloon.inside
        outline[balloon.place] |= balloon.outline
    held = np.bincount(marks.label[within], minlength=len(marks.size) + 1)[1:] > 0
    free = letter & ~held
    letter = letter & (held | _in_company(marks, odds, free))
    text = np.append(False, letter)[marks.label] | (within & marks.ink)
    kind = np.where(marks.ink, np.uint8(ART), np.uint8(0))
    kind[outline & ~within] = BALLOON
    kind[text] = TEXT
    for place, own in others:
        kind[place][own] = BALLOON
    return np.asarray(kind, np.uint8)


def _in_company(marks: Marks, odds: F32, free: Bool) -> Bool:
    """Return which of the letters outside balloons stand in a group that is sure enough."""
    rows = np.flatnonzero(free)
    out = np.zeros(len(free), bool)
    if not len(rows):
        return out
    group = _groups(marks.box[rows].astype(np.float64))
    shaped = np.where(np.isfinite(odds[rows]), odds[rows], 0.0)
    total = np.bincount(group, np.clip(shaped, 0, 8))
    many = np.maximum(np.bincount(group, shaped > 0), 1)
    sure = (total >= SUM_OF_GROUP) & (total >= MEAN_OF_GROUP * many)
    out[rows] = sure[group]
    return out


def _groups(box: F64) -> I64:
    """Return for each box (x, y, width, height) the number of the group it stands in."""
    centre = box[:, :2] + box[:, 2:] / 2
    high = np.maximum(box[:, 3], 0.5 * box[:, 2])
    count = min(12, len(box))
    near = cKDTree(centre).query(centre, k=np.arange(1, count + 1))[1]
    a, b = np.repeat(np.arange(len(box)), count), near.ravel()
    gap = np.maximum(box[a, :2], box[b, :2])
    gap = gap - np.minimum(box[a, :2] + box[a, 2:], box[b, :2] + box[b, 2:])
    away = np.hypot(*np.maximum(gap, 0).T)
    beside = away < BESIDE * np.maximum(high[a], high[b])
    pairs = (np.ones(int(beside.sum())), (a[beside], b[beside]))
    graph = coo_matrix(pairs, shape=(len(box), len(box)))
    return np.asarray(connected_components(graph, directed=False)[1], np.int64)
