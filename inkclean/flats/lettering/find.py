"""From ink to what it belongs to: art, text, balloons."""

from __future__ import annotations

import cv2
import numpy as np
from scipy.spatial import cKDTree

from inkclean.base.arrays import F32, U8, Bool
from inkclean.base.tiles import both
from inkclean.flats.around import around_ink
from inkclean.flats.lettering.balloons import Balloon, find_balloons
from inkclean.flats.lettering.blacks import find_blacks
from inkclean.flats.lettering.bubbles import find_bubbles
from inkclean.flats.lettering.edits import LetterEdits, apply_moves
from inkclean.flats.lettering.judge import letter_odds
from inkclean.flats.lettering.marks import Marks, find_marks
from inkclean.flats.lettering.values import ART, BALLOON, TEXT, Lettering, spread
from inkclean.flats.lettering.words import row_mates, words_among
from inkclean.ink.values import Ink

PX_PER_MM = 12.0  # about so fine is looked: letters of 2 mm by a pen of 0.2 mm stay apart
SURE = 0.0  # log-odds from which a mark is a letter
THIN = 0.12  # open letters have strokes so thin, in their own sizes,
LARGE_MM = 4.0  # and are larger than this;
ALIKE = 0.35  # the strokes of their inner outlines are as thin, in logs
STOP = 0.75  # a stop or accent lies so near its letter, in heights
STOP_SIZE = 0.45  # and is so large at most


def find_lettering(ink: Ink) -> Lettering:
    """Return what the ink belongs to: text, the outlines around it, or the art."""
    every = max(1, round(ink.px_per_mm / PX_PER_MM))
    around = around_ink(ink.coverage, ink.px_per_mm)
    inked = _inked(around.seen(ink.coverage), every)
    scale = ink.px_per_mm / every
    marks = find_marks(inked, scale)
    odds = letter_odds(marks)
    letter = letters_of(marks, odds)
    balloons, blacks = both(
        lambda: find_balloons(inked, marks.label, marks.box, odds, letter, scale),
        lambda: find_blacks(marks),
    )
    own = [(one.place, one.outline) for one in find_bubbles(inked, balloons, scale)]
    own += blacks
    kind = spread(_kinds(marks, odds, letter, balloons, own))
    if every > 1:
        kind = kind.repeat(every, axis=0).repeat(every, axis=1)
    return Lettering(around.back(kind[: around.high, : around.wide]), ink.px_per_mm)


def letters_of(marks: Marks, odds: F32) -> Bool:
    """Return which marks are taken for letters, (N,), by the log-odds of each."""
    return _with_stops(marks, _with_insides(marks, odds > SURE))


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


def held_by(marks: Marks, within: Bool) -> Bool:
    """Return which marks lie in what is ``within`` (H, W) balloons."""
    return np.asarray(np.bincount(marks.label[within], minlength=len(marks.size) + 1)[1:] > 0)


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
    held = held_by(marks, within)
    free = letter & ~held
    words = words_among(marks, odds, free)
    mates = row_mates(marks, odds, words, ~held)
    if mates.any():
        words = _with_stops(marks, words | mates) & ~held
    letter = (letter & held) | words
    text = np.append(False, letter)[marks.label] | (within & marks.ink)
    kind = np.where(marks.ink, np.uint8(ART), np.uint8(0))
    kind[outline & ~within] = BALLOON
    kind[text] = TEXT
    for place, own in others:
        kind[place][own] = BALLOON
    return np.asarray(kind, np.uint8)
