"""Pages for the press: from a ticket, whose photo is cleaned again as it says, or a photo."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain, islice
from pathlib import Path

import numpy as np

from inkclean.base.arrays import F32, U8
from inkclean.base.errors import UsageError
from inkclean.curves.values import Curves
from inkclean.deliver.files import check_free, placed
from inkclean.deliver.flats_record import read_edits
from inkclean.deliver.plates.inks import LINES
from inkclean.deliver.plates.tints import ColourMap
from inkclean.deliver.press.files import PressSettings, check_ahead, load_colour, press_page
from inkclean.deliver.press.report import PosterReport, PressReport
from inkclean.deliver.press.tile_plan import PosterSettings
from inkclean.deliver.screens.tones import wash_grey
from inkclean.ink.wash import Washed
from inkclean.jobs.batch import FileTask, Outcome, need_mb, need_together, outcome_of
from inkclean.jobs.colours.palettes import palette_of
from inkclean.jobs.inputs import Given, open_input
from inkclean.jobs.reports import PrintReport
from inkclean.jobs.results import Order, by_hand
from inkclean.kept import picture_key, recall
from inkclean.page import Page
from inkclean.settings import Settings
from inkclean.sheet.values import Photo

# what is on the paper beside the ink; the coloured pencil that cleaning removes
GREYS = ("wash", "pencil")


@dataclass(frozen=True)
class PressOrder:
    """What is printed of each page: a press file, or a poster in sheets if ``poster`` is set.

    ``tiff_dpi`` adds the lines as a one-bit TIFF; ``paper`` is the sheet's size as typed. A screen
    is made of the page's ``greys`` (see ``GREYS``), and of a first shade with light from
    ``shade``, degrees clockwise from the top.
    """

    settings: PressSettings
    poster: PosterSettings | None = None
    tiff_dpi: int | None = None
    paper: str = "auto"
    greys: tuple[str, ...] = ()
    shade: float | None = None

    def outputs(self, folder: Path, name: str) -> dict[str, Path]:
        """Return the paths of the results of a page."""
        if self.poster is not None:
            return {"tiles": folder / f"{name}.tiles.pdf"}
        found = {"pdf": folder / f"{name}.press.pdf"}
        if self.tiff_dpi is not None and self.settings.plates:
            files = [*(ink.file for ink in self.settings.plates), LINES]
            found |= {f"plate-{file}": folder / f"{name}.plate-{file}.tiff" for file in files}
        elif self.tiff_dpi is not None:
            found[f"tiff{self.tiff_dpi}"] = folder / f"{name}.press.tiff"
        return found


@dataclass(frozen=True)
class PressJob(FileTask[PressOrder]):
    """One ticket or photo to be made ready for print."""

    def run(self) -> Outcome:
        """Write the print files of its pages; a failure is told in the outcome, never raised."""
        return outcome_of(
            self.source,
            lambda log: log.reports.extend(
                press_file(self.path, self.folder, self.order, self.replace, self.others)
            ),
        )

    def need_mb(self) -> float:
        """Return the memory in MB that its largest page is predicted to take."""
        return need_mb(self.path, Order(Settings())) + need_together(self.others)


def press_file(
    path: Path,
    folder: Path | None,
    order: PressOrder,
    replace_old: bool,
    others: tuple[Path, ...] = (),
) -> Iterator[PrintReport]:
    """Write the print files of every page of a ticket or photo; yield a report a page.

    ``others`` are more photos of the same page.

    Raises:
        InkcleanError: says in one line what stands in the way.
    """
    check_ahead(order.settings)
    place = folder or path.parent
    for name, page, overrides in pages_of(path, order, place, replace_old, others):
        curves = page.curves
        outputs = order.outputs(place, name)
        made: PressReport | PosterReport
        if order.poster is None:
            made = press_one(page, order, outputs, name, replace_old)
        else:
            made = _tiled(curves, order.poster, order.settings, outputs["tiles"], name, replace_old)
        named = {kind: str(result) for kind, result in outputs.items()}
        yield PrintReport(input=str(path), outputs=named, made=made, overrides=overrides)


def press_one(
    page: Page, order: PressOrder, outputs: dict[str, Path], name: str, replace_old: bool
) -> PressReport:
    """Write a page's print files, its grey or its colours with it if they are asked for.

    Raises:
        InkcleanError: says in one line what stands in the way.
    """
    settings = order.settings
    colours = page_colours(page) if settings.plates and settings.under is None else None
    screened = settings.screen is not None and not settings.plates
    greys = grey_layers(page, order.greys, order.shade) if screened else ()
    washes = screened and "wash" in order.greys
    curves = page.lines if washes else page.curves
    layered = not settings.plates and settings.standard is None
    lettering = page.lettering if layered else None
    made = press_page(curves, settings, outputs, name, replace_old, greys, colours, lettering)
    return replace(made, notes=(*wash_notes(page.washed), *made.notes)) if washes else made


def wash_notes(washed: Washed) -> Iterator[str]:
    """Yield in words what of the ink was taken for a dark wash, or may be one."""
    if washed.wash_mm2:
        yield f"{washed.wash_mm2:.0f} mm² of dark, even grey are a wash: screened, not solid"
    if washed.unsure_mm2:
        yield (
            f"{washed.unsure_mm2:.0f} mm² of broad dark grey are nearly as dark as the lines: they "
            "print solid; a wash has to be paler to print as grey"
        )


def _tiled(
    curves: Curves,
    poster: PosterSettings,
    settings: PressSettings,
    path: Path,
    name: str,
    replace_old: bool,
) -> PosterReport:
    from inkclean.deliver.press.tiles import write_tiles

    # a home printer turns colour to its own inks
    colour, _ = load_colour(replace(settings, profile=None))
    with placed(path, replace_old) as draft:
        return write_tiles(curves, poster, draft, title=name, colour=colour)


def pages_of(
    path: Path,
    order: PressOrder,
    folder: Path,
    replace_old: bool,
    others: tuple[Path, ...] = (),
) -> Iterator[tuple[str, Page, tuple[str, ...]]]:
    """Yield each page: its name, itself, and what was typed in place of its ticket, in words.

    Results that may not be replaced stop it first. ``others`` are more photos of the same page.

    Raises:
        InputError: the ticket's photo is gone or has changed, or a file cannot be read.
        UsageError: one picture's colour is asked for under several pages.
    """
    typed = () if order.paper.strip().lower() == "auto" else ("paper",)
    given = open_input(path, Settings(paper=order.paper), others, typed)
    photos = given.pictures()
    if order.settings.under is not None:
        ahead = list(islice(photos, 2))
        if len(ahead) > 1:
            raise UsageError(
                f"--under fits one page only, and {given.photo.name} holds several; clean it, "
                "then press its tickets one by one"
            )
        photos = chain(ahead, photos)
    for number, photo in photos:
        for result in order.outputs(folder, photo.name).values():
            check_free(result, replace_old)
        yield photo.name, _page(path, photo, given, order, number), given.overrides


def _page(path: Path, photo: Photo, given: Given, order: PressOrder, number: int) -> Page:
    """Return the page as it was left: with what its ticket says was corrected by hand.

    What is still kept of it from then is not made again.
    """
    kept = {} if given.ticket is None else given.ticket.edits
    edits, hints = read_edits(kept.get("flats", {}))
    made = partial(
        Page,
        photo,
        given.settings,
        keep=("grey",) if "wash" in order.greys else (),
        **by_hand(kept),
        flat_edits=edits,
        hints=hints,
        palette=palette_of(None, path if given.ticket else None, kept),
        keep_pencil="pencil" in order.greys,
    )
    return made(given=recall(made(), picture_key(given, number)))


def parse_greys(text: str) -> tuple[str, ...]:
    """Return the grey layers named in a list like ``wash,pencil``.

    Raises:
        UsageError: one is unknown.
    """
    kinds = [part.strip().lower() for part in text.split(",") if part.strip()]
    for kind in kinds:
        if kind not in GREYS:
            raise UsageError(f"--grey '{kind}' is unknown; choose from {', '.join(GREYS)}")
    return tuple(dict.fromkeys(kinds))


def grey_layers(page: Page, greys: Sequence[str], shade: float | None) -> list[U8]:
    """Return the layers of a page, (H, W) uint8, 255 = white, as large as its ink.

    ``shade`` is where the light of a first shade comes from, in degrees clockwise from the top,
    None for none.
    """
    found: list[U8] = []
    if "wash" in greys:
        found.append(_beside_ink(page, page.get("grey").ink, page.washed.ink.coverage))
    if "pencil" in greys:
        page.change(keep_pencil=True)
        layer = page.pencil.layer
        if layer is not None:
            found.append(_beside_ink(page, layer, page.ink.coverage))
    if shade is not None:
        page.change(shade=shade)
        shading = page.shading
        if shading is not None:
            found.append(255 - shading.shade)
    return found


def page_colours(page: Page) -> ColourMap:
    """Return the colours of a page's areas, over the whole sheet."""
    flats, colouring = page.coloured, page.colouring
    index = colouring.of_area[flats.labels].astype(np.uint16)
    return ColourMap(index, colouring.palette, colouring.names)


def _beside_ink(page: Page, reflectance: F32, coverage: F32) -> U8:
    sheet = page.sheet
    return wash_grey(reflectance, coverage, sheet.noise, sheet.px_per_mm)
