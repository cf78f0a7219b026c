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
    """Return the ink of ``sheet``; ``keep_pencil`` keeps the picture of the underdrawing."""
    grey, pencil = separate(sheet, drop, keep_layer=keep_pencil)
    blur_px = edge_blur_px(grey.ink)
    coverage = cut(grey, noise=sheet.noise, blur_px=blur_px, weight=weight)
    coverage, removed, doubts = clean_specks(
        coverage, grey, speck_mm=speck_mm, noise=sheet.noise, blur_px=blur_px
    )
    return Ink(coverage, sheet.px_per_mm, pencil, removed, doubts)
