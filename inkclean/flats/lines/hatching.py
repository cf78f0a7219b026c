"""Families of parallel strokes: ink that shades an area and parts nothing."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, I32, I64, Bool
from inkclean.base.tiles import both
from inkclean.flats.lines.skeleton import Lines, label_branches, lines_of
from inkclean.flats.rasters import depth, dilated, pieces, square, tally

SCRAP_MM = 3.0  # pieces of ink smaller than this, between removed strokes, go with them
BROADEST_MM = 1.3  # no stroke of hatching is broader: what it feathers out of is a black
RUN_MM = 2.5  # a line may turn from outline to hatching: it is told by runs about this long
MOST_RUNS = 1000
NO_SEAM = -2.0  # log-odds below which a run is surely none: a stroke that stops may go on
PORE_MM = 0.5  # breaks up to this wide are pores of the stroke, not gaps


@dataclass(frozen=True)
class Shaded:
    """Ink with the hatching told apart.

    ``whole`` (H, W) bool: all the ink, pores of dry strokes closed; ``ink`` the same without
    what is more likely hatching than outline; ``lines`` that, thinned.
    """

    whole: Bool
    ink: Bool
    lines: Lines


def tell_hatching(ink: Bool, lines: Lines, seam: F32, px_per_mm: float) -> Shaded:
    """Tell hatching and other strokes that part nothing from the outlines, by the seams seen.

    Nothing is removed for good: where the lines go on is looked for without the hatching,
    and which walls it makes is left to the rooms.
    """
    branch, count = label_branches(lines)
    run, parts = _runs(branch, count, px_per_mm)
    odds = tally(run, seam.ravel()[branch.ravel() > 0], parts) / tally(run, None, parts)
    hatching = odds < NO_SEAM
    broadest = BROADEST_MM / 2 * px_per_mm
    gone = _gone(lines, branch, run, hatching) & (lines.radius <= broadest)
    bare = without(ink, lines, gone, broadest)
    bare = _without_scraps(ink, bare, px_per_mm)
    knitted = knit(bare, ink & ~bare, px_per_mm)
    return Shaded(ink | knitted, knitted, lines_of(knitted))


def _runs(branch: I32, count: int, px_per_mm: float) -> tuple[I64, int]:
    """Cut the pieces of line into runs along their longer side, and number these."""
    at = np.flatnonzero(branch)
    piece = branch.ravel()[at].astype(np.int64)
    place = np.stack([at % branch.shape[1], at // branch.shape[1]])
    low = np.full((2, count + 1), np.iinfo(np.int64).max)
    high = np.zeros((2, count + 1), np.int64)
    for axis in (0, 1):
        np.minimum.at(low[axis], piece, place[axis])
        np.maximum.at(high[axis], piece, place[axis])
    longer = (high - low).argmax(axis=0)[piece]
    along = place[longer, np.arange(len(at))] - low[longer, piece]
    step = np.minimum(along // max(1, round(RUN_MM * px_per_mm)), MOST_RUNS - 1)
    found, run = np.unique(piece * MOST_RUNS + step, return_inverse=True)
    return np.asarray(run, np.int64), len(found)


def _gone(lines: Lines, branch: I32, run: I64, hatching: Bool) -> Bool:
    """Return the pixels of the lines that are hatching, junctions of nothing else with them."""
    on = branch.ravel() > 0
    gone, arms = np.zeros(lines.on.shape, bool), np.zeros(lines.on.shape, np.uint8)
    gone.ravel()[on] = hatching[run]
    arms.ravel()[on] = np.where(hatching[run], 1, 2)
    knots = (lines.on > 0) & (arms == 0)
    count, knot = pieces(knots)
    worst = np.zeros(count, np.uint8)
    np.maximum.at(worst, knot[knots], dilated(arms, square(3))[knots])
    return np.asarray(gone | (knots & (worst == 1)[knot]))


def _without_scraps(whole: Bool, ink: Bool, px_per_mm: float) -> Bool:
    """Remove the small scraps that are left between the strokes of a family."""
    gone = dilated(whole & ~ink, square(3))
    count, label, stats, _ = cv2.connectedComponentsWithStats(ink.astype(np.uint8), connectivity=8)
    small = stats[:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]].max(axis=1) < SCRAP_MM * px_per_mm
    touching = np.bincount(label[gone > 0], minlength=count) > 0
    scrap = small & touching
    scrap[0] = False
    return np.asarray(ink & ~scrap[label])


def knit(ink: Bool, away_from: Bool, px_per_mm: float) -> Bool:
    """Close the pores and hair-fine breaks of a dry stroke, but not beside hatching."""
    size = 2 * round(PORE_MM * px_per_mm / 2) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    closed = cv2.morphologyEx(ink.astype(np.uint8), cv2.MORPH_CLOSE, kernel) > 0
    near = cv2.dilate(away_from.astype(np.uint8), np.ones((2 * size + 1, 2 * size + 1), np.uint8))
    return np.asarray(ink | (closed & (near == 0)))


def without(ink: Bool, lines: Lines, gone: Bool, reach: float) -> Bool:
    """Return the ink without what lies nearest to the removed lines, within ``reach`` px.

    What is as near to the rest of the lines, at junctions, stays.
    """
    rest = (lines.on == 1) & ~gone
    to_rest, to_gone = both(lambda: depth(~rest), lambda: depth(~gone))
    return np.asarray(ink & ((to_rest <= to_gone) | (to_gone > reach)))
