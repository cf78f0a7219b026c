"""Print files of one page: PDF for a printer, one-bit TIFF, and the check that goes with them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from inkclean.base.arrays import U8
from inkclean.base.errors import UsageError
from inkclean.base.units import MM_PER_INCH, Paper
from inkclean.curves.values import Curves
from inkclean.deliver.files import placed
from inkclean.deliver.layers.under import UnderColour
from inkclean.deliver.pictures.raster import Region, packed_bands, render, size_px
from inkclean.deliver.pictures.tiff import write_one_bit_tiff
from inkclean.deliver.plates.inks import GAIN, PlateInk
from inkclean.deliver.plates.tints import ColourMap, colours_of_picture
from inkclean.deliver.press import standard as press_standard
from inkclean.deliver.press.art import (
    Art,
    art_operators,
    art_resources,
    check_colour_bleed,
    cut_away,
    make_art,
    meeting,
)
from inkclean.deliver.press.check import PRINTER_DECIDES, Finding, check_page
from inkclean.deliver.press.colour import (
    PrintProfile,
    check_total_ink,
    colour_of,
    read_profile,
)
from inkclean.deliver.press.lettered import declare_layers, lettered_art
from inkclean.deliver.press.plated import (
    SPREAD_MM,
    Plated,
    mark_operators,
    plate_art,
    plate_operators,
    plate_resources,
    write_plate,
)
from inkclean.deliver.press.report import PressReport
from inkclean.deliver.press.screened import (
    Screened,
    screen_art,
    screen_stencil,
    stencil_operators,
)
from inkclean.deliver.press.trim import Fit, Margins, Side, TrimmedPage, by_scale, fitted, make_page
from inkclean.deliver.screens.ruling import Screen, check_ruling, dpi_for
from inkclean.deliver.vector import pdf
from inkclean.flats.lettering.values import Lettering

if TYPE_CHECKING:
    import pikepdf

DPI = (600, 800, 1200, 2400)
# common practice, no source; what the printer asks for comes first
BLEED = Margins(3.0, 3.0, 3.0, 3.0)
SAFE = Margins(5.0, 5.0, 5.0, 5.0)

_MARK_PT = 0.25  # breadth of a crop mark
_MARK_MM = 5.0  # its length
_CLEAR_MM = 1.0  # between the bleed and a mark
_SPARE_MM = 7.0  # around the bleed: a mark, its distance, and 1 mm to the page's edge


@dataclass(frozen=True)
class PressSettings:
    """How a page goes to the printer.

    ``trim`` None takes the sheet's own size. ``fit`` or ``scale`` places the art, not both;
    with neither, art is fitted to a given trim, or laid at its own size; ``under`` is the
    colour under the lines. ``ink_limit`` is the
    most that the four inks may sum to, in per cent; ``thinnest_pt`` the thinnest line that
    prints; ``colour_ppi`` the resolution colour is asked to have. With a ``screen`` all grey of
    the page, and the picture under the lines, is drawn in its dots at ``screen_dpi``, None for
    what its ruling needs. With ``plates`` the page's colours, or the picture's, are printed in
    these inks, each ``spread_mm`` on under the lines, and a ``screen`` is theirs; ``plate_gain`` is
    by how much a tone of one half grows on the press.
    """

    trim: Paper | None = None
    bleed: Margins = BLEED
    safe: Margins = SAFE
    side: Side = "recto"
    fit: Fit | None = None
    scale: float | None = None
    marks: bool = False
    standard: Literal["x1a"] | None = None
    intent: str | None = None
    profile: Path | None = None
    under: Path | None = None
    ink_limit: float = 280.0
    thinnest_pt: float = 0.25
    colour_ppi: float = 300.0
    budget_mp: float = 300.0
    screen: Screen | None = None
    screen_dpi: int | None = None
    plates: tuple[PlateInk, ...] = ()
    spread_mm: float = SPREAD_MM
    plate_gain: float = GAIN


@dataclass(frozen=True)
class PressSheet:
    """A page laid out: the art on it, the scale it was brought to, the profile, the findings.

    ``screened`` is the page's grey in dots, None without a screen; ``plated`` its colours in spot
    inks, None without plates.
    """

    page: TrimmedPage
    art: Art
    scale: float
    profile: PrintProfile | None
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]
    screened: Screened | None = None
    plated: Plated | None = None

    @property
    def media(self) -> Region:
        """The page with what lies around its bleed: room for marks."""
        return self.page.with_room(_SPARE_MM)


def check_ahead(settings: PressSettings) -> None:
    """Refuse what no page could be printed with, before any page is worked on.

    Raises:
        InputError: colour or profile cannot be read.
        UsageError: the standard or the screen that is asked for cannot be kept.
    """
    if settings.screen is not None:
        check_ruling(settings.screen, settings.screen_dpi or dpi_for(settings.screen))
    colour, profile = load_colour(settings)
    if settings.standard == "x1a":
        printed = None if settings.screen is not None or settings.plates else colour
        press_standard.check_possible(printed, settings.intent, profile)


def load_colour(settings: PressSettings) -> tuple[UnderColour | None, PrintProfile | None]:
    """Read the colour and the profile that were asked for, the colour turned to its inks.

    Raises:
        InputError: a file cannot be used.
    """
    profile = read_profile(settings.profile) if settings.profile else None
    if settings.under is None:
        return None, profile
    turned = settings.screen is None and not settings.plates
    colour = colour_of(settings.under, settings.budget_mp, profile if turned else None)
    return colour, profile


def lay_out_page(
    sheet: Curves,
    settings: PressSettings,
    greys: Sequence[U8] = (),
    colours: ColourMap | None = None,
    lettering: Lettering | None = None,
) -> PressSheet:
    """Lay the sheet out on its page and look at what would go out.

    ``greys`` are the sheet's grey layers, (H, W) uint8, 255 = white, for a screen; ``colours`` its
    colours, for plates; ``lettering`` gets layers of its own where no plates or standard forbid it.

    Raises:
        InkcleanError: options exclude each other, a file cannot be used, or the standard asked
            for cannot be met.
    """
    if settings.fit is not None and settings.scale is not None:
        raise UsageError("--fit and --scale cannot be used together; give one")
    trim = settings.trim or Paper("sheet", sheet.width_mm, sheet.height_mm)
    spare = _SPARE_MM if settings.marks or settings.plates else 0.0
    page = make_page(trim, settings.bleed, settings.safe, settings.side, spare)
    colour, profile = load_colour(settings)
    fit = settings.fit or ("trim" if settings.trim and settings.scale is None else None)
    placement = fitted(sheet, page, fit) if fit else by_scale(sheet, page, settings.scale or 1.0)
    art = make_art(sheet, placement, colour)
    screened: Screened | None = None
    plated: Plated | None = None
    more: tuple[Finding, ...] = ()
    ink_notes: tuple[str, ...] = ()
    if settings.plates:
        if colour is not None:
            colours = colours_of_picture(colour.pixels)
        if colours is None:
            raise UsageError("--plates needs the page's colours; give them with --under")
        plated, more, ink_notes = plate_art(
            colours,
            settings.plates,
            sheet,
            art.area,
            settings.spread_mm,
            settings.screen,
            settings.screen_dpi,
            settings.plate_gain,
        )
        colour, art = None, replace(art, colour=None)
    elif settings.screen is not None and (greys or colour is not None):
        screened, more, ink_notes = screen_art(
            greys, colour, art.area, settings.screen, settings.screen_dpi
        )
        colour, art = None, replace(art, colour=None)
    if settings.standard == "x1a":
        press_standard.check_possible(colour, settings.intent, profile)
    findings = check_page(
        art.lines, page, thinnest_pt=settings.thinnest_pt, ppi=art.ppi, want_ppi=settings.colour_ppi
    )
    bleeding = check_colour_bleed(art, page)
    if bleeding is not None:
        findings += (bleeding,)
    if colour is not None:
        findings += (check_total_ink(colour, _lines_over(art), settings.ink_limit),)
    findings += more
    lost = cut_away(art, page)
    notes = ((lost,) if lost else ()) + ink_notes + _notes(settings, colour, placement.scale)
    if lettering is not None and plated is None and settings.standard is None:
        art = lettered_art(art, sheet, placement.scale, lettering)
    return PressSheet(page, art, placement.scale, profile, findings, notes, screened, plated)


def _lines_over(art: Art) -> Any:
    """Return the lines on the colour's own pixels."""
    if art.colour is None or not art.colour.cmyk:
        return None
    height, width = art.colour.pixels.shape[:2]
    ppi = width * MM_PER_INCH / art.area.width_mm
    lines = render(art.lines, ppi, region=art.area)
    fitting = np.zeros((height, width), np.bool_)
    fitting[: len(lines)] = lines[:height, :width]
    return fitting


def _notes(settings: PressSettings, colour: UnderColour | None, scale: float) -> tuple[str, ...]:
    notes = [f"art at {scale:.1%} of the sheet", "lines in black (K) only"]
    if colour is not None:
        notes[-1] += ", overprinting the colour"
        notes += colour.notes
        if not colour.cmyk:
            notes.append(
                "the colours stay RGB: the printer converts them to CMYK, and bright ones may look "
                "duller than on the screen; with the printer's profile they are converted here"
            )
    if settings.standard and settings.plates and settings.profile is None:
        notes.append(
            "spot inks are shown by a rough CMYK on screens and proofs (the standard allows no "
            "other; with --profile by the printer's own); on the press their plates decide"
        )
    if settings.standard:
        notes.append(f"declared as {press_standard.VERSION}")
    return (*notes, PRINTER_DECIDES)


def write_press_pdf(prepared: PressSheet, settings: PressSettings, path: Path, title: str) -> None:
    """Write the page as a PDF of exact boxes; ``path`` is written as it is given."""
    import pikepdf

    page, art, plated = prepared.page, prepared.art, prepared.plated
    media = prepared.media if settings.marks or plated else page.bled
    to = pdf.Points(media)
    with pdf.new_document(title) as document:
        resources = art_resources(document, art)
        content = art_operators(art, to, page.bled)
        if art.layered:
            resources["/Properties"] = declare_layers(document)
        screened = prepared.screened
        if plated is not None:
            # this standard knows no Lab: spot inks are shown by way of the press's own
            in_cmyk = settings.standard == "x1a"
            resources = plate_resources(document, plated, page.bled, in_cmyk, prepared.profile)
            content = plate_operators(plated, meeting(art.lines, page.bled), page.bled, to)
            content += mark_operators(plated, page.bled, media, to)
            resources["/ColorSpace"].Every = _every_ink(document).Every
        if screened is not None:
            stencil = screen_stencil(document, screened, page.bled)
            resources["/XObject"] = pikepdf.Dictionary(Screen=stencil)
            content = pdf.BLACK + stencil_operators("Screen", screened, page.bled, to) + content
        if screened is not None or (plated is not None and plated.screens):
            # a screen that is scaled on the way to the paper turns to moiré
            document.Root.ViewerPreferences = pikepdf.Dictionary(PrintScaling=pikepdf.Name("/None"))
        if settings.marks:
            content += crop_marks(page, to)
            if plated is None:
                resources["/ColorSpace"] = _every_ink(document)
        sheetlet = pdf.Sheetlet(media, content, page.trim, page.bled, resources)
        pdf.add_page(document, sheetlet)
        if settings.standard == "x1a":
            trapped = plated is not None and plated.trapped
            press_standard.declare(document, settings.intent, prepared.profile, trapped)
        pdf.save(document, path, version=pdf.version_for(art.inks, art.layered))


def crop_marks(page: TrimmedPage, to: pdf.Points) -> bytes:
    """Return the operators of eight crop marks, clear of the bleed, in every ink."""
    bled = page.bled
    left, right = bled.x_mm - _CLEAR_MM, bled.x_mm + bled.width_mm + _CLEAR_MM
    top, bottom = bled.y_mm - _CLEAR_MM, bled.y_mm + bled.height_mm + _CLEAR_MM
    lines = []
    for y in (0.0, page.height_mm):
        lines += [[[left, y], [left - _MARK_MM, y]], [[right, y], [right + _MARK_MM, y]]]
    for x in (0.0, page.width_mm):
        lines += [[[x, top], [x, top - _MARK_MM]], [[x, bottom], [x, bottom + _MARK_MM]]]
    return b"q /Every CS 1 SCN %g w\n" % _MARK_PT + to.strokes(np.array(lines)) + b"Q\n"


def _every_ink(document: pikepdf.Pdf) -> Any:
    """Return a colour space whose one ink prints on every plate, as marks must."""
    import pikepdf

    tint = pikepdf.Dictionary(FunctionType=2, Domain=[0, 1], C0=[0] * 4, C1=[1] * 4, N=1)
    space = [pikepdf.Name.Separation, pikepdf.Name.All, pikepdf.Name.DeviceCMYK, tint]
    return pikepdf.Dictionary(Every=document.make_indirect(pikepdf.Array(space)))


def write_press_tiff(prepared: PressSheet, dpi: int, path: Path, title: str) -> None:
    """Write the page with its bleed as a one-bit TIFF with T.6 compression: lines and screen.

    Raises:
        UsageError: the picture would be too large.
    """
    area: Region = prepared.page.bled
    lines, screened = prepared.art.lines, prepared.screened
    # a screen has a resolution of its own
    dpi = dpi if screened is None else screened.dpi
    height, width = size_px(area, dpi)
    bands = packed_bands(lines, dpi, region=area)
    if screened is not None:
        bands = screened.with_lines(lines, area)
    write_one_bit_tiff(bands, height, width, dpi, path, title=title)


def press_page(
    sheet: Curves,
    settings: PressSettings,
    outputs: dict[str, Path],
    title: str,
    replace_old: bool,
    greys: Sequence[U8] = (),
    colours: ColourMap | None = None,
    lettering: Lettering | None = None,
) -> PressReport:
    """Write what ``outputs`` names and return the report of the page.

    ``outputs`` maps ``pdf`` and ``tiff600`` … ``tiff2400`` to paths; ``greys`` are the sheet's grey
    layers for a screen, (H, W) uint8, 255 = white; ``colours`` are its colours for plates, whose
    files are ``plate-NAME``.

    Raises:
        InkcleanError: says in one line what stands in the way.
    """
    prepared = lay_out_page(sheet, settings, greys, colours, lettering)
    for kind, path in outputs.items():
        with placed(path, replace_old) as draft:
            if kind == "pdf":
                write_press_pdf(prepared, settings, draft, title)
            elif prepared.plated is not None:
                write_plate(
                    prepared.plated,
                    kind.removeprefix("plate-"),
                    prepared.art.lines,
                    prepared.page.bled,
                    prepared.media,
                    settings.screen_dpi or DPI[0],
                    draft,
                    title,
                )
            else:
                write_press_tiff(prepared, int(kind.removeprefix("tiff")), draft, title)
    page = prepared.page
    edges = ("top", "outer", "bottom", "inner")
    return PressReport(
        width_mm=round(page.width_mm, 3),
        height_mm=round(page.height_mm, 3),
        bleed={edge: round(getattr(page.bleed, edge), 3) for edge in edges},
        scale=round(prepared.scale, 5),
        verdict=verdict(prepared.findings),
        check=prepared.findings,
        notes=prepared.notes,
        screen=prepared.screened.json() if prepared.screened else None,
        plates=prepared.plated.json() if prepared.plated else None,
    )


def verdict(findings: tuple[Finding, ...]) -> str:
    """Return the worst verdict of all."""
    order = ("passes", "look", "fails")
    return max((f.verdict for f in findings), key=order.index, default="passes")
