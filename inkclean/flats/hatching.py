"""Families of parallel strokes: ink that shades an area and parts nothing."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.arrays import F32, Bool
from inkclean.flats.families import MOST_ODDS, hatching_odds
from inkclean.flats.rasters import dilated, pieces, square
from inkclean.flats.rooms import grown
from inkclean.flats.skeleton import Lines, lines_of
from inkclean.flats.sticks import Sticks, sticks_of

SCRAP_MM = 3.0  # pieces of ink smaller than this, between strokes taken off, go with them
BROADEST_MM = 1.3  # no stroke of hatching is broader: what it feathers out of is a black
PORE_MM = 0.5  # breaks up to this wide are pores of the stroke, not gaps


@dataclass(frozen=True)
class Shaded:
    """Ink with the hatching told apart.

    ``whole`` (H, W) bool: all the ink, pores of dry strokes closed; ``ink`` the same without
    what is more likely hatching than outline; ``lines`` that, thinned; ``likely`` (H, W)
    float32: log-odds, for every pixel of ink, that it belongs to a stroke of hatching.
    """

    whole: Bool
    ink: Bool
    lines: Lines
    likely: F32


def tell_hatching(ink: Bool, lines: Lines, px_per_mm: float, widest_mm: float) -> Shaded:
    """Tell families of parallel strokes, no more than ``widest_mm`` apart, from the outlines.

    Nothing is taken off for good: where the lines go on is looked for without the hatching,
    and which walls it makes is left to the rooms.
    """
    sticks = sticks_of(ink, lines, px_per_mm)
    if not sticks.count:
        return Shaded(ink, ink, lines, np.full(ink.shape, -MOST_ODDS, np.float32))
    odds = hatching_odds(sticks, ink, px_per_mm, widest_mm)
    number = np.zeros(ink.shape, np.int32)
    number.ravel()[sticks.at] = sticks.of + 1
    of_stick = np.concatenate([[-MOST_ODDS], odds]).astype(np.float32)
    likely = of_stick[grown(number)]
    broadest = BROADEST_MM / 2 * px_per_mm
    gone = _gone(lines, sticks, odds > 0) & (lines.radius <= broadest)
    bare = without(ink, lines, gone, broadest)
    bare = _without_scraps(ink, bare, px_per_mm)
    knitted = knit(bare, ink & ~bare, px_per_mm)
    return Shaded(ink | knitted, knitted, lines_of(knitted), likely)


def _gone(lines: Lines, sticks: Sticks, hatching: Bool) -> Bool:
    """Return the pixels of the lines that are hatching, junctions of nothing else with them."""
    gone, arms = np.zeros(lines.on.shape, bool), np.zeros(lines.on.shape, np.uint8)
    gone.ravel()[sticks.at] = hatching[sticks.of]
    arms.ravel()[sticks.at] = np.where(hatching[sticks.of], 1, 2)
    knots = (lines.on > 0) & (arms == 0)
    count, knot = pieces(knots)
    worst = np.zeros(count, np.uint8)
    np.maximum.at(worst, knot[knots], dilated(arms, square(3))[knots])
    return np.asarray(gone | (knots & (worst == 1)[knot]))


def _without_scraps(whole: Bool, ink: Bool, px_per_mm: float) -> Bool:
    """Take off the small scraps that are left between the strokes of a family."""
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
    """Return the ink without what lies nearest to the lines taken off, within ``reach`` px.

    What is as near to the rest of the lines, at junctions, stays.
    """
    rest = (lines.on == 1) & ~gone
    to_rest = cv2.distanceTransform((~rest).astype(np.uint8), cv2.DIST_L2, 5)
    to_gone = cv2.distanceTransform((~gone).astype(np.uint8), cv2.DIST_L2, 5)
    return np.asarray(ink & ((to_rest <= to_gone) | (to_gone > reach)))
