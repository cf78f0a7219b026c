"""A wall-size print over the sheets of a home printer.

Each sheet carries, from its edge inwards: the margin that the printer leaves bare; a band for
number and marks; the window of the poster. Sheets are cut at the left and upper edge of their
window and laid over their neighbours, whose far strips are the overlap, so marks and numbers
are cut off or covered and the joined poster shows nothing but the art.
"""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from inkclean.base.units import MM_PER_INCH
from inkclean.curves.values import Curves
from inkclean.deliver.layers.under import UnderColour
from inkclean.deliver.pictures.raster import Region, moved
from inkclean.deliver.press.art import Art, art_operators, art_resources, make_art
from inkclean.deliver.press.report import PosterReport
from inkclean.deliver.press.tile_marks import furniture, key_layout
from inkclean.deliver.press.tile_plan import Plan, PosterSettings, plan_tiles
from inkclean.deliver.press.trim import Margins, fitted, make_page
from inkclean.deliver.vector import pdf

if TYPE_CHECKING:
    import pikepdf

# a home printer's black: full tone of grey, which drivers print with black alone
_GREY = b"0 g\n"
_NONE = Margins(0.0, 0.0, 0.0, 0.0)


def write_tiles(
    sheet: Curves,
    settings: PosterSettings,
    path: Path,
    *,
    title: str = "",
    colour: UnderColour | None = None,
) -> PosterReport:
    """Write the key sheet, then the sheets row by row; return what was laid out.

    The art is as large as the poster takes whole, centred. ``path`` is written as given.

    Raises:
        InkcleanError: the layout is impossible, or the colour does not fit the sheet.
    """
    import pikepdf

    plan = plan_tiles(sheet.width_mm > sheet.height_mm, settings)
    placement = fitted(sheet, make_page(plan.poster, _NONE, _NONE), "trim")
    art = make_art(sheet, placement, colour)
    title = title or "Poster"
    with pikepdf.open(BytesIO(furniture(plan, title))) as document:
        pdf.describe(document, title)
        resources = art_resources(document, art)
        pages = list(document.pages)
        scale, x, y = key_layout(plan)
        _lay_under(document, pages[0], plan, _small(art, scale, x, y), resources, 0.0, 0.0)
        for page, tile in zip(pages[1:], plan.tiles, strict=True):
            left, top = tile.window.x_mm - plan.inset_mm, tile.window.y_mm - plan.inset_mm
            _lay_under(document, page, plan, art, resources, left, top, tile.window)
        pdf.save(document, path, version=pdf.version_for(art.colour is None or art.colour.cmyk))
    return PosterReport(
        width_mm=plan.poster.width_mm,
        height_mm=plan.poster.height_mm,
        sheets=len(plan.tiles),
        columns=plan.columns,
        rows=plan.rows,
        overlap_mm=tuple(round(shared, 3) for shared in plan.overlap_mm),
        scale=round(placement.scale, 5),
        colour_ppi=None if art.ppi is None else round(art.ppi, 1),
        sharp_from_m=None if art.ppi is None else round(sharp_from_m(art.ppi), 2),
    )


def sharp_from_m(ppi: float) -> float:
    """Return the distance in m from which pixels are smaller than one arc-minute.

    An arc-minute is what a good eye resolves: 1 / tan(1′) = 3438 (derivation).
    """
    return 3438.0 / ppi * MM_PER_INCH / 1000.0


def _small(art: Art, scale: float, x: float, y: float) -> Art:
    area = art.area
    return replace(
        art,
        lines=moved(art.lines, scale, x, y),
        area=Region(
            area.x_mm * scale + x,
            area.y_mm * scale + y,
            area.width_mm * scale,
            area.height_mm * scale,
        ),
    )


def _lay_under(
    document: pikepdf.Pdf,
    page: pikepdf.Page,
    plan: Plan,
    art: Art,
    resources: dict[str, Any],
    left: float,
    top: float,
    window: Region | None = None,
) -> None:
    """Put art beneath a page's marks; the page's top left corner lies at (left, top) of it."""
    media = Region(left, top, plan.sheet.width_mm, plan.sheet.height_mm)
    content = art_operators(art, pdf.Points(media), window, black=_GREY)
    page.contents_add(document.make_stream(content), prepend=True)
    for key, value in resources.items():
        page.obj.Resources[key] = value
    page.trimbox = page.mediabox
