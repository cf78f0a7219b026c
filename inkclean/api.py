"""A page for Python programs: opened by the name of its photo, its results as values or files.

``import inkclean`` gives it as ``inkclean.Page``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypedDict, Unpack

from inkclean.page import Page
from inkclean.pipeline import Asked
from inkclean.settings import Settings, check_settings

if TYPE_CHECKING:
    from inkclean.jobs.colours.recolour import RecolourReport
    from inkclean.jobs.reports import CleanReport, FlatsReport, PrintReport
    from inkclean.jobs.results import Origin


class Options(TypedDict, total=False):
    """What may be asked of a page, by the names and units of ``inkclean.Settings``.

    And of its flats: ``gap_mm`` is the widest gap that may be bridged, ``smallest_mm`` the size
    below which an area joins a neighbour, ``colours`` a file of colours to follow, ``palette`` a
    file of the book's colours. ``others`` are more photos of the same page, parts or whole views:
    they are joined with the first into one sheet.
    """

    paper: str
    frame: str
    dpi: int
    drop: str | Sequence[str]
    weight: float
    speck_mm: float
    within_mm: float
    strokes: bool
    budget_mp: float
    gap_mm: float
    smallest_mm: float
    colours: str | PathLike[str] | None
    palette: str | PathLike[str] | None
    others: Sequence[str | PathLike[str]]


class FilePage(Page):
    """One page of a photo or scan; results are made when they are asked for.

    Args:
        photo: the file: JPEG, PNG, TIFF, WebP, HEIC or PDF.
        number: which page of the file, from 1.
        options: what is asked for, see ``Options``; the defaults are right for most pages.

    Raises:
        UsageError: an option has a value that makes no sense.

    The results, each an immutable value that holds arrays. Nothing is read or worked out before
    one of them is asked for; then ``inkclean.InkcleanError`` says in one line what is wrong with
    the photo.

    >>> import inkclean
    >>> page = inkclean.Page("photo.jpg", drop="blue")
    >>> page.sheet.reflectance.shape, round(page.sheet.px_per_mm, 2)
    ((420, 300, 3), 5.91)
    >>> page.ink.coverage.shape, float(page.ink.coverage.max())
    ((420, 300), 1.0)
    >>> page.curves.cubics.shape[1:]  # four control points a segment, in mm
    (4, 2)

    Other settings: what does not rest on them is not made again.

    >>> thin = page.ink.coverage.sum()
    >>> page.change(weight=0.5)
    >>> bool(page.ink.coverage.sum() > thin)
    True

    The areas a person would colour, as a map of numbers and a row for each:

    >>> flats = page.flats(gap_mm=4)
    >>> flats.labels.shape, int(flats.labels.max()) == len(flats.areas)
    ((420, 300), True)

    Files as the commands leave them, and what was found:

    >>> report = page.write("out", also=["proof"])
    >>> sorted(report.outputs)
    ['ink', 'proof', 'svg', 'ticket']
    >>> report.sheet.width_mm
    50.8
    """

    def __init__(
        self, photo: str | PathLike[str], *, number: int = 1, **options: Unpack[Options]
    ) -> None:
        asked = Asked(file=Path(photo), number=number).changed(**_plain(options))
        check_settings(asked.settings)
        super().__init__(None, asked.settings)
        self._asked = asked
        self._typed = frozenset(options) & {item.name for item in fields(Settings)}

    def change(self, **options: Any) -> None:
        """Ask for something else; ``options`` as for the page itself.

        Results that do not rest on it stay; the others are made again when they are asked for.

        Raises:
            UsageError: an option has a value that makes no sense.
        """
        asked = _plain(options)
        check_settings(self.asked.changed(**asked).settings)
        self._typed |= frozenset(asked) & {item.name for item in fields(Settings)}
        super().change(**asked)

    def _follow(self, ticket: Path) -> bool:
        """Take the settings of the page's own ticket that nobody asked for; tell if others differ.

        Raises:
            InputError: the ticket cannot be read.
        """
        from inkclean.jobs.ticket import file_hash, read_ticket

        assert self.asked.file is not None  # noqa: S101 - the page was made with one
        if not ticket.exists():
            return False
        kept = read_ticket(ticket)
        if kept.sha256 != file_hash(self.asked.file) or kept.page != self.asked.number:
            return False
        names = {item.name for item in fields(Settings)} - self._typed
        super().change(**{name: getattr(kept.settings_used, name) for name in names})
        return self.settings != kept.settings_used

    def _photos(self, path: Path) -> Origin:
        from inkclean.jobs.results import Origin
        from inkclean.jobs.ticket import file_hash

        groups = (self.asked.others, self.asked.newer)
        others, newer = (tuple((one, file_hash(one)) for one in group) for group in groups)
        return Origin(path, file_hash(path), self.asked.number, others=others, newer=newer)

    def write(
        self,
        folder: str | PathLike[str] | None = None,
        *,
        also: Sequence[str] = (),
        replace: bool = False,
    ) -> CleanReport:
        """Write the ink, the curves and the ticket, as ``inkclean clean`` does.

        What the ticket of an earlier run keeps of corrections by hand is done again.

        Args:
            folder: where to; beside the photo if None.
            also: more kinds of result: lines, pencil, grey, lettering, tiff, pdf, proof.
            replace: whether to write over results that are there.

        Returns:
            What was found and written: the paths are its ``outputs``, by kind.

        Raises:
            InkcleanError: a kind is not known, the photo cannot be used, or a result stands there.
        """
        from inkclean.jobs.results import (
            Order,
            Target,
            by_hand,
            edits_kept,
            parse_also,
            write_results,
        )

        path = self.asked.file
        assert path is not None  # noqa: S101 - the page was made with one
        order = Order(self.settings, parse_also(",".join(also)))
        target = Target(path.parent if folder is None else Path(folder), self.photo.name, replace)
        target.check(order.kinds)
        origin = self._photos(path)
        edits = edits_kept(origin, target)
        if edits:
            self.change(**by_hand(edits))
        if order.keep_pencil:
            self.change(keep_pencil=True)
        return write_results(self, order, origin, target, edits)

    def write_flats(
        self,
        folder: str | PathLike[str] | None = None,
        *,
        layers: Literal["ora", "png"] = "ora",
        colour_dpi: int | None = None,
        shade: float | None = None,
        replace: bool = False,
    ) -> FlatsReport:
        """Write the flats and their layers, as ``inkclean flats`` does; the ticket notes them.

        Where the ticket of the page is not there, ink and curves are written first. A ticket says
        with which settings the page is made; what was asked of the page wins over it, and the ink
        is then written anew, with ``replace``.

        Args:
            folder: where to; beside the photo if None.
            layers: one OpenRaster file, or a folder of PNG.
            colour_dpi: resolution of the colour files, a whole part of the ink's; 300 if None.
            shade: where the light of a first shade comes from, degrees clockwise from above.
            replace: whether to write over results that are there.

        Returns:
            What was found and written: the paths are its ``outputs``, by kind.

        Raises:
            InkcleanError: the photo cannot be used, or a result stands there.
        """
        from inkclean.deliver.files import check_free
        from inkclean.deliver.flats_record import read_edits
        from inkclean.deliver.flats_set import FlatsSettings, check_flats_settings
        from inkclean.deliver.resolution import colour_dpi as dpi_of
        from inkclean.jobs.colours.palettes import palette_of
        from inkclean.jobs.flat_pages import FlatsOrder, write_page_flats
        from inkclean.jobs.reports import FlatsReport
        from inkclean.jobs.results import ALSO, Order, Target, by_hand, edits_kept
        from inkclean.jobs.ticket import read_ticket

        asked = self.asked
        assert asked.file is not None  # noqa: S101 - the page was made with one
        lengths = (asked.gap_mm, asked.smallest_mm, asked.colours, asked.palette)
        flats = FlatsSettings(*lengths, layers, shade, colour_dpi)
        check_flats_settings(flats)
        place = asked.file.parent if folder is None else Path(folder)
        target = Target(place, self.photo.name, replace)
        ticket = target.path("ticket")
        differs = self._follow(ticket)
        dpi = (float(self.settings.dpi), dpi_of(self.settings.dpi, colour_dpi))
        outputs = flats.outputs(place, target.name)
        for path in outputs.values():
            check_free(path, replace)
        stands = ticket.exists() and not differs
        also = [kind for kind in ALSO if kind in read_ticket(ticket).results] if differs else []
        cleaned = None if stands else self.write(folder, also=also, replace=replace)
        edits = edits_kept(self._photos(asked.file), target)
        flat_edits, hints = read_edits(edits.get("flats", {}))
        palette = palette_of(asked.palette, ticket, edits)
        given = {"flat_edits": flat_edits, "hints": hints, "palette": palette, "shade": shade}
        self.change(**by_hand(edits), **given)
        order = FlatsOrder(Order(self.settings), flats)
        found = write_page_flats(self, order, target, ticket, outputs, dpi)
        return FlatsReport(
            input=str(asked.file),
            outputs={kind: str(path) for kind, path in outputs.items()},
            flats=found,
            cleaned=cleaned,
            seconds=self.watch.seconds,
        )

    def write_press(
        self,
        folder: str | PathLike[str] | None = None,
        *,
        trim: str | None = None,
        bleed: str = "3mm",
        marks: bool = False,
        under: str | PathLike[str] | None = None,
        screen: str | None = None,
        greys: Sequence[str] = ("wash",),
        shade: float | None = None,
        plates: str | None = None,
        spread_mm: float = 0.2,
        standard: Literal["x1a"] | None = None,
        intent: str | None = None,
        profile: str | PathLike[str] | None = None,
        tiff: bool = False,
        dpi: int | None = None,
        replace: bool = False,
    ) -> PrintReport:
        """Write print files and check them, as ``inkclean press`` does.

        What the ticket of an earlier run keeps of settings and corrections by hand is done again.

        Args:
            folder: where to; beside the photo if None.
            trim: size of the trimmed page; the sheet's own if None.
            bleed: one length, or four: top, outer, bottom, inner.
            marks: whether to add crop marks.
            under: colour under the lines, or grey for a screen: a picture, folder or OpenRaster.
            screen: lines per inch, angle and shape, as ``60@45,dots``, for grey in one ink.
            greys: what the screen is made of, without ``under``: wash, pencil.
            shade: where the light of a first shade in the screen comes from, in degrees.
            plates: spot inks, as ``blue=#2a5db0,red=#d03030``, for the page's colours.
            spread_mm: how far colours run on under the lines, and under darker ones without a line.
            standard: ``x1a`` for PDF/X-1a:2003; it needs ``intent`` or ``profile``.
            intent: registered name of the printing condition.
            profile: the printer's CMYK profile (ICC), a file.
            tiff: whether to write a TIFF too, of every plate if there are any.
            dpi: resolution of the TIFF, and of a screen; what they need if None.
            replace: whether to write over results that are there.

        Returns:
            What was written and what the check found, ``made`` its ``PressReport``.

        Raises:
            InkcleanError: says in one line what stands in the way.
        """
        from inkclean.deliver.files import check_free
        from inkclean.deliver.flats_record import read_edits
        from inkclean.deliver.plates.inks import parse_plates
        from inkclean.deliver.press.files import DPI, PressSettings, check_ahead
        from inkclean.deliver.press.trim import parse_edges, parse_trim
        from inkclean.deliver.screens.ruling import dpi_for, parse_screen
        from inkclean.jobs.colours.palettes import palette_of
        from inkclean.jobs.press_pages import PressOrder, parse_greys, press_one
        from inkclean.jobs.reports import PrintReport
        from inkclean.jobs.results import Target, by_hand, edits_kept

        asked = parse_screen(screen) if screen else None
        settings = PressSettings(
            trim=parse_trim(trim) if trim else None,
            bleed=parse_edges(bleed),
            marks=marks,
            under=None if under is None else Path(under),
            screen=asked,
            screen_dpi=dpi,
            plates=parse_plates(plates) if plates else (),
            spread_mm=spread_mm,
            standard=standard,
            intent=intent,
            profile=None if profile is None else Path(profile),
        )
        check_ahead(settings)
        kinds = parse_greys(",".join(greys)) if under is None else ()
        tiff_dpi = (dpi or (dpi_for(asked) if asked else DPI[0])) if tiff else None
        order = PressOrder(settings, tiff_dpi=tiff_dpi, greys=kinds, shade=shade)
        path = self.asked.file
        assert path is not None  # noqa: S101 - the page was made with one
        place = path.parent if folder is None else Path(folder)
        outputs = order.outputs(place, self.photo.name)
        for result in outputs.values():
            check_free(result, replace)
        origin = self._photos(path)
        target = Target(place, self.photo.name, replace)
        self._follow(target.path("ticket"))
        edits = edits_kept(origin, target)
        if edits:
            flats, hints = read_edits(edits.get("flats", {}))
            palette = palette_of(self.asked.palette, target.path("ticket"), edits)
            self.change(**by_hand(edits), flat_edits=flats, hints=hints, palette=palette)
        made = press_one(self, order, outputs, self.photo.name, replace)
        named = {kind: str(result) for kind, result in outputs.items()}
        return PrintReport(input=str(path), outputs=named, made=made)


def recolour(
    ticket: str | PathLike[str],
    palette: str | PathLike[str] | None = None,
    *,
    replace: bool = False,
) -> RecolourReport:
    """Bring a page's colour files to the book's colours, as ``inkclean recolour`` does.

    Args:
        ticket: the page's ticket.
        palette: the file of the book's colours; None for the one that the ticket names.
        replace: whether to write over files that somebody changed since.

    Returns:
        Which colours changed, and the files written.

    Raises:
        InkcleanError: says in one line what stands in the way; all stays as it was.
    """
    from inkclean.jobs.colours.recolour import recolour_page

    return recolour_page(Path(ticket), None if palette is None else Path(palette), replace)


def _plain(options: Any) -> dict[str, Any]:
    """Return the options as the chain takes them: a lone pencil as one of several, paths."""
    asked = dict(options)
    if "drop" in asked:
        drop = asked["drop"]
        asked["drop"] = (drop,) if isinstance(drop, str) else tuple(drop)
    for name in ("colours", "palette"):
        if asked.get(name) is not None:
            asked[name] = Path(asked[name])
    if "others" in asked:
        asked["others"] = tuple(Path(other) for other in asked["others"])
    return asked
