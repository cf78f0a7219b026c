"""From the sheet to its ink: pencil away, the cut, specks, weight."""

from __future__ import annotations

from inkclean.base.arrays import F32
from inkclean.ink.cut import cut
from inkclean.ink.edits import InkEdits, mend
from inkclean.ink.pencil.separate import separate
from inkclean.ink.specks import clean_specks
from inkclean.ink.values import Ink
from inkclean.ink.weight import WEIGHT_MM, weigh
from inkclean.ink.width import typical_line_mm
from inkclean.sheet.check import edge_blur_px
from inkclean.sheet.values import Sheet

# A page is never moved further than this for its book: more is another pen, not another photo.
MOST_MOVE = 0.2
# Lines as near as this to their aim are there: half of what a photo's noise moves the measure.
NEAR_MM = 0.003
# Weights tried on the way.
MOST_TRIES = 4


def find_ink(
    sheet: Sheet,
    *,
    drop: tuple[str, ...] = ("auto",),
    weight: float = 0.0,
    speck_mm: float = 0.2,
    keep_pencil: bool = False,
) -> Ink:
    """Find the ink on an evenly lit sheet.

    Args:
        sheet: the sheet.
        drop: what is underdrawing, as for :func:`inkclean.ink.pencil.separate.separate`.
        weight: −1..1, thinner to heavier, as for :func:`inkclean.ink.weight.weigh`.
        speck_mm: size up to which a lone mark is a speck, in mm; 0 keeps all.
        keep_pencil: also make the picture of the underdrawing, which costs as much again.

    Returns:
        The ink, with the specks that were removed and the places worth a look.

    Raises:
        UsageError: ``drop`` names no colour.
    """
    ink, _ = find_ink_of_line(
        sheet, drop=drop, weight=weight, speck_mm=speck_mm, keep_pencil=keep_pencil
    )
    return ink


def find_ink_of_line(
    sheet: Sheet,
    *,
    drop: tuple[str, ...] = ("auto",),
    weight: float = 0.0,
    speck_mm: float = 0.2,
    keep_pencil: bool = False,
    line_mm: float | None = None,
    edits: InkEdits | None = None,
) -> tuple[Ink, float]:
    """Find the ink as ``find_ink`` does, with its typical line ``line_mm`` wide if given.

    The weight is moved, by ``MOST_MOVE`` at most, until the typical line is within
    ``NEAR_MM``. ``edits`` are what was mended by hand. Returns the ink and
    its weight.

    Raises:
        UsageError: ``drop`` names no colour.
    """
    grey, pencil = separate(sheet, drop, keep_layer=keep_pencil)
    raw = cut(
        grey,
        noise=sheet.noise,
        blur_px=edge_blur_px(grey.ink),
        scale_known=sheet.frame.scale_known,
    )
    # dust is judged as it lies on the paper, before any weight
    coverage, removed, doubts = clean_specks(
        raw, grey, speck_mm=speck_mm, unsure=sheet.shade_edge, in_place=edits is None
    )
    if line_mm is not None:
        weight = _weight_for(coverage, weight, line_mm, grey.px_per_mm)
    if edits is None:
        coverage = weigh(coverage, weight, sheet.px_per_mm)
    else:
        coverage, removed = mend(coverage, raw, removed, edits, sheet.px_per_mm, weight)
    return Ink(coverage, sheet.px_per_mm, pencil, removed, doubts), weight


def _weight_for(coverage: F32, weight: float, aim_mm: float, px_per_mm: float) -> float:
    """Return the weight at which the typical line is nearest ``aim_mm``: by secants."""
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
