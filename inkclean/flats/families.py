"""How likely each stick is one of a family of strokes side by side: hatching, no outline."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.arrays import F64, I32, I64, Bool
from inkclean.flats.family_weights import DIRECT, HIDDEN, OUTPUT
from inkclean.flats.rasters import square, tally
from inkclean.flats.skeleton import xy
from inkclean.flats.sticks import Sticks

PARALLEL = np.cos(np.radians(18.0))  # strokes of one family differ by less
FAMILY = 4  # lines side by side that make a full family
EVEN = np.log(2.5)  # spacings of neighbours in one family differ by less
LEAST_BESIDE = 0.25  # share of a stick that must have a parallel line beside it
CLOSEST_MM = 0.65  # lines nearer each other are the bristles' traces in one dry stroke
LONGEST_MM = 60.0  # longer strokes are outlines
MOST_ODDS = 6.0

FEATURES = (
    "one",
    "both",  # share of the stick with a parallel line on both sides
    "any",  # on one side at least
    "size",  # lines side by side, up to 5
    "full",  # share with a full family
    "uneven",  # log of one side's spacing over the other's
    "uneven_next",  # of the spacing over the next one on the same side
    "width",  # log of its width over that of the lines beside it
    "angle",  # sine of the angle to the lines beside it
    "length",  # log, mm
    "bent",  # stray over length
    "stray",  # mm
    "broad",  # log of its width over that of lines that stand alone
    "onward_most",  # how far its line runs on inside the ink beyond its ends, mm
    "onward_least",
    "free",  # ends that touch nothing
    "gap",  # spacing, mm
    "open",  # spacing over width
    "cell",  # log of the paper beside it, mm², on the side where that is smaller
    "cells",  # and on the other
    "turns",  # sticks it goes on in
)


@dataclass(frozen=True)
class _Beside:
    """For every pixel and either side: the pixel of the next parallel line (−1), how far."""

    normal: F64
    hit: tuple[I64, I64]
    gap: tuple[F64, F64]


def hatching_odds(sticks: Sticks, ink: Bool, px_per_mm: float, widest_mm: float) -> F64:
    """Return the log-odds (S,) that each stick is a stroke of hatching.

    Looks square across from every pixel of a stick for the next parallel line, up to
    ``widest_mm`` away, and from there on; what is seen is weighed by a small network of one
    hidden layer, fitted on drawn pages whose hatching is known.
    """
    if not sticks.count:
        return np.zeros(0)
    beside = _looks(sticks, ink.shape, px_per_mm, widest_mm)
    own = _features(sticks, beside, _cells(sticks, beside, ink, px_per_mm), px_per_mm)
    lonely = own[:, FEATURES.index("any")] < LEAST_BESIDE
    lonely |= sticks.length > LONGEST_MM * px_per_mm
    lonely |= own[:, FEATURES.index("gap")] < CLOSEST_MM
    odds = np.tanh(own @ HIDDEN) @ OUTPUT + own @ DIRECT
    return np.asarray(np.where(lonely, -MOST_ODDS, np.clip(odds, -MOST_ODDS, MOST_ODDS)))


def _looks(sticks: Sticks, shape: tuple[int, int], px_per_mm: float, widest_mm: float) -> _Beside:
    points = xy(sticks.at, shape[1]).astype(np.float64)
    spots = np.zeros(shape, np.float32)
    spots.ravel()[sticks.at] = np.arange(1, len(sticks.at) + 1)
    index = np.asarray(cv2.dilate(spots, square(3)), np.int32)
    normal = np.stack([-np.sin(sticks.angle), np.cos(sticks.angle)], axis=1)
    furthest = max(4, round(widest_mm * px_per_mm))
    one = _next_parallel(index, points, normal, sticks, furthest)
    other = _next_parallel(index, points, -normal, sticks, furthest)
    return _Beside(normal, (one[0], other[0]), (one[1], other[1]))


def _next_parallel(
    index: I32, points: F64, direction: F64, sticks: Sticks, furthest: int
) -> tuple[I64, F64]:
    """Look from each point for the next parallel line: its pixel (−1: none) and how far."""
    height, width = index.shape
    n = len(points)
    hit, gap = np.full(n, -1), np.ones(n)
    alive = np.arange(n)
    for step in range(3, furthest + 1):
        spot = points[alive] + direction[alive] * step
        column = np.clip(spot[:, 0].astype(np.int64), 0, width - 1)
        row = np.clip(spot[:, 1].astype(np.int64), 0, height - 1)
        found = index[row, column].astype(np.int64) - 1
        ok = found >= 0
        ok &= np.abs(np.cos(sticks.angle[found] - sticks.angle[alive])) > PARALLEL
        ok &= sticks.of[found] != sticks.of[alive]
        hit[alive[ok]] = found[ok]
        offset = points[found[ok]] - points[alive[ok]]
        across = np.abs((offset * direction[alive[ok]]).sum(axis=1))
        gap[alive[ok]] = np.maximum(across, 1.0)
        alive = alive[~ok]
        if not len(alive):
            break
    return hit, gap


def _cells(sticks: Sticks, beside: _Beside, ink: Bool, px_per_mm: float) -> F64:
    """Return the log of the size of the patch of paper on either side of each stick, sorted."""
    _, patch, stats, _ = cv2.connectedComponentsWithStats((~ink).astype(np.uint8), connectivity=4)
    size = np.log(stats[:, cv2.CC_STAT_AREA] / px_per_mm**2 + 0.1)
    size[0] = np.log(0.1)
    points = xy(sticks.at, ink.shape[1]).astype(np.float64)
    out = beside.normal * (sticks.width[sticks.of] / 2 + 1.5)[:, None]
    found = []
    for side in (1, -1):
        spot = points + side * out
        column = np.clip(spot[:, 0].astype(np.int64), 0, ink.shape[1] - 1)
        row = np.clip(spot[:, 1].astype(np.int64), 0, ink.shape[0] - 1)
        found.append(np.clip(size[patch[row, column]], -2.3, 4.0))
    return np.stack([np.minimum(*found), np.maximum(*found)])


def _features(sticks: Sticks, beside: _Beside, cells: F64, px_per_mm: float) -> F64:
    n, of = sticks.count, sticks.of
    total = np.maximum(np.bincount(of, minlength=n), 1)
    there = [hit >= 0 for hit in beside.hit]
    both, any_ = there[0] & there[1], there[0] | there[1]
    spacing = [np.log(gap) for gap in beside.gap]
    uneven = np.where(both, np.minimum(np.abs(spacing[0] - spacing[1]), 1.2), 0)
    size = np.ones(len(of))
    uneven_next, width, angle, hits, nexts = np.zeros((5, len(of)))
    for side in (0, 1):
        here = np.where(there[side], beside.hit[side], 0)
        ratio = np.log(sticks.width[of] / sticks.width[of[here]])
        width += there[side] * np.minimum(np.abs(ratio), 1)
        angle += there[side] * np.abs(np.sin(sticks.angle - sticks.angle[here]))
        hits += there[side]
        more, step, known = _further(beside, side)
        size += more
        uneven_next += step
        nexts += known
    per_hit = np.maximum(tally(of, hits, n), 1e-9)

    def mean(value: F64 | Bool) -> F64:
        return tally(of, value.astype(float), n) / total

    any_share = mean(any_)
    gap = tally(of, there[0] * beside.gap[0] + there[1] * beside.gap[1], n) / per_hit / px_per_mm
    broad, long = sticks.width / px_per_mm, sticks.length / px_per_mm
    columns = {
        "one": np.ones(n),
        "both": mean(both),
        "any": any_share,
        "size": mean(np.minimum(size, FAMILY + 1) - 1) / FAMILY,
        "full": mean(size >= FAMILY),
        "uneven": tally(of, uneven, n) / np.maximum(tally(of, both.astype(float), n), 1e-9),
        "uneven_next": tally(of, uneven_next, n) / np.maximum(tally(of, nexts, n), 1e-9),
        "width": tally(of, width, n) / per_hit,
        "angle": 5 * tally(of, angle, n) / per_hit,
        "length": np.log(long + 0.2),
        "bent": np.minimum(20 * sticks.stray / sticks.length, 2),
        "stray": np.minimum(3 * sticks.stray / px_per_mm, 2),
        "broad": np.clip(np.log(sticks.width / _usual_width(sticks, any_share)), -1, 1),
        "onward_most": np.minimum(sticks.onward[:, 0] / px_per_mm, 2.5),
        "onward_least": np.minimum(sticks.onward[:, 1] / px_per_mm, 2.5),
        "free": np.minimum(sticks.free, 2).astype(float),
        "gap": gap,
        "open": np.minimum(gap / np.maximum(broad, 0.1), 6) / 3 * any_share,
        "cell": mean(cells[0]),
        "cells": mean(cells[1]),
        "turns": np.minimum(np.bincount(sticks.turns[:, 0], minlength=n), 2).astype(float),
    }
    return np.stack([columns[name] for name in FEATURES], axis=1)


def _further(beside: _Beside, side: int) -> tuple[F64, F64, Bool]:
    """Follow the family on one side: how many lines, how uneven the next spacing, if known."""
    alive = beside.hit[side] >= 0
    direction = beside.normal * (1 - 2 * side)
    here, spacing = np.where(alive, beside.hit[side], 0), beside.gap[side]
    more, step, known = np.zeros(len(here)), np.zeros(len(here)), np.zeros(len(here), bool)
    for k in range(FAMILY - 1):
        more += alive
        same = (beside.normal[here] * direction).sum(axis=1) > 0
        onward = np.where(same, beside.hit[0][here], beside.hit[1][here])
        gap = np.where(same, beside.gap[0][here], beside.gap[1][here])
        alive = alive & (onward >= 0)
        uneven = np.abs(np.log(gap / spacing))
        if k == 0:
            known, step = alive, np.where(alive, np.minimum(uneven, 1.2), 0)
        alive = alive & (uneven < EVEN)
        here, spacing = np.where(alive, onward, here), np.where(alive, gap, spacing)
    return more, step, known


def _usual_width(sticks: Sticks, any_share: F64) -> float:
    """Return the width of lines that stand alone, or of all where few do."""
    alone = any_share[sticks.of] < 0.2
    chosen = sticks.width[sticks.of][alone] if alone.sum() > 200 else sticks.width[sticks.of]
    return float(np.median(chosen))
