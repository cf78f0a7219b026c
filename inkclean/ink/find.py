"""From the sheet to its ink: pencil away, the cut, specks."""

from __future__ import annotations

from inkclean.ink.cut import cut
from inkclean.ink.pencil import separate
from inkclean.ink.specks import clean_specks
from inkclean.ink.values import Ink
from inkclean.sheet.check import edge_blur_px
from inkclean.sheet.values import Sheet


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
        drop: what is underdrawing, as for :func:`inkclean.ink.pencil.separate`.
        weight: −1..1, thinner to heavier, as for :func:`inkclean.ink.cut.cut`.
        speck_mm: size up to which a lone mark is a speck, in mm; 0 keeps all.
        keep_pencil: also make the picture of the underdrawing, which costs as much again.

    Returns:
        The ink, with the specks that were removed and the places worth a look.

    Raises:
        UsageError: ``drop`` names no colour.
    """
    grey, pencil = separate(sheet, drop, keep_layer=keep_pencil)
    blur_px = edge_blur_px(grey.ink)
    coverage = cut(grey, noise=sheet.noise, blur_px=blur_px, weight=weight)
    coverage, removed, doubts = clean_specks(
        coverage, grey, speck_mm=speck_mm, unsure=sheet.shade_edge
    )
    return Ink(coverage, sheet.px_per_mm, pencil, removed, doubts)
