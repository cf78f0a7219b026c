"""The weight that gives a page's lines the width of its book's."""

from __future__ import annotations

from inkclean.base.arrays import F32
from inkclean.ink.weight import WEIGHT_MM, weigh
from inkclean.ink.width import typical_line_mm

# A page is never moved further than this for its book: more is another pen, not another photo.
MOST_MOVE = 0.2
# Lines as near as this to their aim are there: half of what a photo's noise moves the measure.
NEAR_MM = 0.003
# Weights tried on the way.
MOST_TRIES = 4


def weight_for(coverage: F32, weight: float, aim_mm: float, px_per_mm: float) -> float:
    """Return the weight at which the typical line is nearest ``aim_mm``: by secants.

    ``coverage`` is (H, W) before any weight; ``weight`` is where to begin: it is moved, by
    ``MOST_MOVE`` at most, until the line is within ``NEAR_MM``. A page without lines keeps it.
    """
    low, high = max(-1.0, weight - MOST_MOVE), min(1.0, weight + MOST_MOVE)
    line = typical_line_mm(weigh(coverage, weight, px_per_mm), px_per_mm)
    if line is None:
        return weight
    best = (abs(line - aim_mm), weight)
    slope = WEIGHT_MM
    for _ in range(MOST_TRIES):
        if best[0] <= NEAR_MM:
            break
        to = round(min(high, max(low, weight + (aim_mm - line) / slope)), 4)
        if to == weight:
            break
        moved = typical_line_mm(weigh(coverage, to, px_per_mm), px_per_mm)
        if moved is None:
            break
        # lines that do not answer to the weight, or the wrong way, give no slope to go by
        slope = max((moved - line) / (to - weight), WEIGHT_MM / 2)
        line, weight = moved, to
        if abs(line - aim_mm) < best[0]:
            best = (abs(line - aim_mm), weight)
    return best[1]
