"""From the sheet to its ink: pencil away, the cut, specks."""

from __future__ import annotations

from collections.abc import Callable

from inkclean.base.arrays import F32
from inkclean.ink.cut import WEIGHT_MM, cut
from inkclean.ink.edits import InkEdits, mend
from inkclean.ink.pencil.separate import separate
from inkclean.ink.specks import clean_specks
from inkclean.ink.values import Ink
from inkclean.ink.width import typical_line_mm
from inkclean.sheet.check import edge_blur_px
from inkclean.sheet.values import Sheet

# A page is never moved further than this for its book: more is another pen, not another photo.
MOST_MOVE = 0.5
# Lines as near as this to their aim are there: half of what a photo's noise moves the measure.
NEAR_MM = 0.003
# Cuts tried on the way.
MOST_CUTS = 4


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
        weight: −1..1, thinner to heavier, as for :func:`inkclean.ink.cut.cut`.
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
    the weight it was cut with.

    Raises:
        UsageError: ``drop`` names no colour.
    """
    grey, pencil = separate(sheet, drop, keep_layer=keep_pencil)
    blur_px = edge_blur_px(grey.ink)

    def at(weight: float) -> F32:
        return cut(
            grey,
            noise=sheet.noise,
            blur_px=blur_px,
            weight=weight,
            scale_known=sheet.frame.scale_known,
        )

    coverage = at(weight)
    if line_mm is not None:
        coverage, weight = _moved(at, coverage, weight, line_mm, grey.px_per_mm)
    raw = coverage
    coverage, removed, doubts = clean_specks(
        raw, grey, speck_mm=speck_mm, unsure=sheet.shade_edge, in_place=edits is None
    )
    if edits is not None:
        removed = mend(coverage, raw, removed, edits, sheet.px_per_mm)
    return Ink(coverage, sheet.px_per_mm, pencil, removed, doubts), weight


def _moved(
    at: Callable[[float], F32], coverage: F32, weight: float, aim_mm: float, px_per_mm: float
) -> tuple[F32, float]:
    """Return coverage and weight whose typical line is nearest ``aim_mm``: by secants."""
    low, high = max(-1.0, weight - MOST_MOVE), min(1.0, weight + MOST_MOVE)
    line = typical_line_mm(coverage, px_per_mm)
    if line is None:
        return coverage, weight
    best = (abs(line - aim_mm), coverage, weight)
    slope = 2 * WEIGHT_MM
    for _ in range(MOST_CUTS):
        if best[0] <= NEAR_MM:
            break
        to = round(min(high, max(low, weight + (aim_mm - line) / slope)), 4)
        if to == weight:
            break
        coverage = at(to)
        moved = typical_line_mm(coverage, px_per_mm)
        if moved is None:
            break
        # lines that do not answer to the weight, or the wrong way, give no slope to go by
        slope = max((moved - line) / (to - weight), WEIGHT_MM)
        line, weight = moved, to
        if abs(line - aim_mm) < best[0]:
            best = (abs(line - aim_mm), coverage, weight)
    return best[1], best[2]
