"""Pages with flats: a photo or ink is cleaned first, a ticket's photo cleaned as it says."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Literal

from inkclean import __version__
from inkclean.base.errors import InputError, OutputError, UsageError
from inkclean.base.memory import hand_back, keep_what_is_free
from inkclean.base.units import MM_PER_INCH
from inkclean.deliver.files import check_free, placed
from inkclean.deliver.flats_set import LAYERS, FlatsSettings, result_hash, write_flats
from inkclean.deliver.resolution import colour_dpi
from inkclean.flats.colour.colours import Colouring
from inkclean.flats.values import Flats
from inkclean.jobs.batch import FileTask, Outcome, need_mb, need_together, outcome_of
from inkclean.jobs.colours.palettes import follows, palette_of, palette_record
from inkclean.jobs.inputs import TICKET, open_input
from inkclean.jobs.reports import CleanReport, FlatsFound, FlatsReport, found_from
from inkclean.jobs.results import (
    ALSO,
    Order,
    Origin,
    Target,
    by_hand,
    done_before,
    edits_kept,
    write_results,
)
from inkclean.jobs.ticket import Ticket, file_hash, json_text, read_ticket, ticket_text
from inkclean.kept import keep, picture_key
from inkclean.page import Page
from inkclean.settings import Settings
from inkclean.sheet.values import Photo

# What clean leaves is ink alone already: no desk around it, no pencil in it.
_INK = (".ink.png", ".ink.tiff", ".lines.png")
_EDITS = "flats"
# Areas and layers beside the ink, over what cleaning needs (measured: 1.4 to 1.75 times; most
# where many curves are traced beside them).
_MORE_MEMORY = 1.8
# PNG keeps resolution in whole px per metre: so far may 600 dpi be off.
_NEAR_DPI = 0.02


@dataclass(frozen=True)
class FlatsOrder:
    """What is made of each page: the clean results, and the flats.

    ``typed`` are the names of the settings that were spelled out: they win over a ticket's, whose
    ink is then made anew.
    """

    clean: Order
    flats: FlatsSettings
    typed: frozenset[str] = frozenset()


@dataclass(frozen=True)
class FlatsJob(FileTask[FlatsOrder]):
    """One photo, ink or ticket to be split into areas."""

    def run(self) -> Outcome:
        """Make the flats of its pages; a failure is told in the outcome, never raised."""
        return outcome_of(
            self.source,
            lambda log: log.reports.extend(
                flat_file(self.path, self.folder, self.order, self.replace, self.others)
            ),
        )

    def need_mb(self) -> float:
        """Return the memory in MB that its largest page is predicted to take."""
        need = need_mb(self.path, self.order.clean) + need_together(self.others)
        return _MORE_MEMORY * need


@dataclass(frozen=True)
class _Coming:
    """A page to come: what it came as, and where its results and its ticket go.

    ``clean`` is what is made of its ink, None where that stands already; ``overrides`` says in
    words what was typed in place of the ticket's. ``palette`` is the file of the book's colours.
    """

    photo: Photo
    settings: Settings
    origin: Origin
    given: Literal["photo", "ink", "ticket"]
    target: Target
    ticket: Path | None
    edits: Mapping[str, Any]
    clean: Order | None
    palette: Path | None
    overrides: tuple[str, ...] = ()


def flat_file(
    path: Path,
    folder: Path | None,
    order: FlatsOrder,
    replace_old: bool,
    others: tuple[Path, ...] = (),
) -> Iterator[FlatsReport]:
    """Write the flats of every page of a photo, ink or ticket; yield a report a page.

    ``others`` are more photos of the same page.

    A photo leaves the clean results too, and so does a ticket if other settings were typed. The
    ticket of a photo, made or given, gets the areas, the bridges and the colours; ink has none.
    Pages that stand finished and unchanged are told, not made again.

    Raises:
        InkcleanError: says in one line what stands in the way.
    """
    for coming in _pages(path, folder, order, replace_old, others):
        outputs = order.flats.outputs(coming.target.folder, coming.target.name)
        standing = _Standing.of(coming, order)
        if standing.found is not None and standing.finished(outputs):
            yield _report(path, outputs, standing.found, standing.cleaned, None)
        else:
            yield _make(coming, path, order, outputs, standing)


def _make(
    coming: _Coming, path: Path, order: FlatsOrder, outputs: dict[str, Path], standing: _Standing
) -> FlatsReport:
    clean = coming.clean if standing.cleaned is None else None
    if clean is not None:
        _check_clean(coming, clean)
    replace_old = coming.target.replace or standing.begun
    for result in outputs.values():
        check_free(result, replace_old)
    if coming.given != "ink":
        colour_dpi(coming.settings.dpi, order.flats.colour_dpi)
    keep_what_is_free()
    page = _page(coming, order.flats)
    page.bring("capture", "curves", "lettering", "coloured", "colouring")
    hand_back()  # what was needed to find areas
    ink_dpi = _ink_dpi(coming, page)
    dpi = colour_dpi(ink_dpi, order.flats.colour_dpi)
    cleaned = standing.cleaned
    if clean is not None:
        cleaned = write_results(page, clean, coming.origin, coming.target, coming.edits)
    target = replace(coming.target, replace=replace_old)
    found = write_page_flats(page, order, target, coming.ticket, outputs, (ink_dpi, dpi))
    keep(page, picture_key(coming.origin, coming.origin.page))
    made = _report(path, outputs, found, cleaned, page.watch.seconds)
    return replace(made, overrides=coming.overrides)


def _check_clean(coming: _Coming, clean: Order) -> None:
    """Refuse to write over the ink's files, and say why they would be made anew."""
    if coming.given != "ticket":
        coming.target.check(clean.kinds)
        return
    for kind in clean.kinds:
        path = coming.target.path(kind)
        if path.exists() and not coming.target.replace:
            raise OutputError(
                f"{path} was made otherwise ({'; '.join(coming.overrides)}); add --replace to make "
                "the page's files anew, or use -o DIR"
            )


def write_page_flats(
    page: Page,
    order: FlatsOrder,
    target: Target,
    ticket: Path | None,
    outputs: Mapping[str, Path],
    dpi: tuple[float, float],
) -> FlatsFound:
    """Write a page's flats to ``outputs`` and tell of them; its ``ticket``, if any, keeps them.

    ``dpi`` are the resolutions of ink and colour files.
    """
    found = found_of(page.coloured, page.colouring, dpi)
    keep = _Keeper(ticket, order, page, found)
    keep.write(outputs, begun=True)
    _write(page, target.name, outputs, dpi[1], target.replace)
    keep.write(outputs, begun=False)
    return found


def _report(
    path: Path,
    outputs: Mapping[str, Path],
    found: FlatsFound,
    cleaned: CleanReport | None,
    seconds: Mapping[str, float] | None,
) -> FlatsReport:
    """Return the report of a page; ``seconds`` None tells that it stood finished."""
    before = {} if cleaned is None else cleaned.outputs
    return FlatsReport(
        input=str(path) if cleaned is None else cleaned.input,
        outputs={**before, **{kind: str(result) for kind, result in outputs.items()}},
        flats=found,
        cleaned=cleaned,
        seconds=seconds or {},
        done_before=seconds is None,
    )


def _ink_dpi(coming: _Coming, page: Page) -> float:
    """Return the resolution of the ink beside the flats: as asked, or that of the ink given."""
    if coming.given != "ink":
        return coming.settings.dpi
    own = page.ink.px_per_mm * MM_PER_INCH
    return round(own) if abs(own - round(own)) < _NEAR_DPI else own


def _write(
    page: Page, name: str, outputs: Mapping[str, Path], dpi: float, replace_old: bool
) -> None:
    """Write the flats, those with shade last: what fills it comes when the rest needs no room."""
    layers = {kind: path for kind, path in outputs.items() if kind in LAYERS}
    plain = {kind: path for kind, path in outputs.items() if kind not in LAYERS}
    flats, colouring, ink, curves = page.coloured, page.colouring, page.ink, page.curves
    with page.watch.stage("write flats"):
        write_flats(name, flats, colouring, ink, curves, None, plain, dpi=dpi, replace=replace_old)
    shading = page.shading
    with page.watch.stage("write flats"):
        of = (name, flats, colouring, ink, curves, shading, layers)
        write_flats(*of, dpi=dpi, lettering=page.lettering, replace=replace_old)


def _page(coming: _Coming, settings: FlatsSettings) -> Page:
    from inkclean.deliver.flats_record import read_edits

    edits, hints = read_edits(coming.edits.get(_EDITS, {}))
    return Page(
        coming.photo,
        coming.settings,
        **by_hand(coming.edits),
        flat_edits=edits,
        hints=hints,
        gap_mm=settings.gap_mm,
        smallest_mm=settings.smallest_mm,
        colours=settings.colours,
        palette=coming.palette,
        shade=settings.shade,
        keep_pencil=coming.clean is not None and coming.clean.keep_pencil,
    )


def found_of(flats: Flats, colouring: Colouring, dpi: tuple[float, float]) -> FlatsFound:
    """Return the figures of the flats that ``--json`` shows; ``dpi`` of ink and colour files."""
    return FlatsFound(
        areas=len(flats.areas),
        colours=tuple(colouring.names[row] for row in colouring.used),
        bridges=len(flats.bridges),
        to_check=len(flats.checks),
        panels=int(flats.areas["panel"].max(initial=0)),
        ink_dpi=round(dpi[0], 3),
        colour_dpi=round(dpi[1], 3),
    )


def _pages(
    path: Path, folder: Path | None, order: FlatsOrder, replace_old: bool, others: tuple[Path, ...]
) -> Iterator[_Coming]:
    settings, place = order.clean.settings, folder or path.parent
    given: Literal["photo", "ink", "ticket"] = "photo"
    if path.name.endswith(TICKET):
        given = "ticket"
    elif path.name.endswith(_INK):
        given, settings = "ink", replace(settings, frame="whole", drop=("none",))
        if "dpi" in order.typed:
            raise UsageError(
                f"{path.name} has a resolution of its own: leave out --dpi, or give its photo or "
                "ticket"
            )
    source = open_input(path, settings, others, order.typed)
    for number, photo in source.pictures():
        name = photo.name
        if given == "ink":
            name = name.removesuffix(".ink").removesuffix(".lines")
        origin = Origin(
            source.photo, source.sha256, number, others=source.others, newer=source.newer
        )
        target = Target(place, name, replace_old)
        ticket: Path | None = None
        edits: Mapping[str, Any] = {}
        clean: Order | None = None
        if source.ticket is not None:
            ticket, edits = path, source.ticket.edits
        elif given == "photo":
            ticket, edits = target.path("ticket"), edits_kept(origin, target)
            clean = order.clean
        palette = palette_of(order.flats.palette, ticket, edits)
        if source.ticket is not None and source.overrides:
            more = tuple(kind for kind in ALSO if kind in source.ticket.results)
            ticket, clean = target.path("ticket"), Order(source.settings, more)
        of = (photo, source.settings, origin, given, target, ticket, edits, clean, palette)
        yield _Coming(*of, source.overrides)


@dataclass(frozen=True)
class _Standing:
    """What stands of a page: its ticket, the report of its clean results if they are whole.

    ``found`` is what the ticket tells of flats that were finished; ``begun`` tells that a run of
    the same order was cut short while it wrote.
    """

    ticket: Ticket | None
    cleaned: CleanReport | None
    found: FlatsFound | None
    begun: bool

    @classmethod
    def of(cls, coming: _Coming, order: FlatsOrder) -> _Standing:
        ticket, cleaned = None, None
        if coming.ticket is not None:
            try:
                ticket = read_ticket(coming.ticket)
            except InputError:
                ticket = None
        if coming.given == "ticket" and coming.clean is not None:
            return cls(None, None, None, begun=False)
        if coming.given == "photo" and ticket is not None:
            cleaned = done_before(order.clean, coming.origin, coming.target)
            ticket = ticket if cleaned else None
        measured = ticket.measured.get(_EDITS) if ticket is not None else None
        run = measured.get("run") if isinstance(measured, Mapping) else None
        record = run if isinstance(run, Mapping) else {}
        same = ticket is not None and record.get("order") == order_hash(order.flats, ticket)
        done = bool(same and record.get("done"))
        told = done and ticket is not None and follows(ticket, coming.ticket, order.flats.palette)
        found = found_from(record.get("found")) if told else None
        return cls(ticket, cleaned, found, same and not done)

    def finished(self, outputs: Mapping[str, Path]) -> bool:
        """Tell whether the flats asked for stand as they were left."""
        left = {} if self.ticket is None else self.ticket.results
        return self.found is not None and all(
            left.get(kind) == result_hash(path) for kind, path in outputs.items()
        )


@dataclass(frozen=True)
class _Keeper:
    """Puts areas, bridges and given colours into the page's ticket, if it has one."""

    path: Path | None
    order: FlatsOrder
    page: Page
    found: FlatsFound

    def write(self, outputs: Mapping[str, Path], *, begun: bool) -> None:
        """Note in the ticket that the files are being written, or that they stand."""
        from inkclean.deliver.flats_record import edits_record, flats_record

        if self.path is None:
            return
        page, ticket = self.page, read_ticket(self.path)
        flats = edits_record(page.asked.flat_edits, page.followed)
        flats |= palette_record(page.asked.palette, self.path, ticket.edits)
        edits = {**ticket.edits, _EDITS: flats}
        ticket = replace(ticket, edits=edits)
        run = {
            "order": order_hash(self.order.flats, ticket),
            "settings": _asked(self.order.flats),
            "found": asdict(self.found),
            "done": not begun,
        }
        record = {**flats_record(page.coloured, page.colouring), "run": run}
        results = dict(ticket.results)
        if not begun:
            results |= {kind: result_hash(result) for kind, result in outputs.items()}
        ticket = replace(ticket, measured={**ticket.measured, _EDITS: record}, results=results)
        with placed(self.path, True) as draft:
            draft.write_text(ticket_text(ticket), "utf-8")


def order_hash(settings: FlatsSettings, ticket: Ticket) -> str:
    """Return a hash of all that decides the flats: settings, edits, version.

    Colours given are among the edits once they are followed; a file of them counts by itself.
    """
    return order_hash_of(_asked(settings), ticket)


def _asked(settings: FlatsSettings) -> dict[str, Any]:
    """Return the settings as a ticket keeps them: a file of colours by its hash."""
    colours = None if settings.colours is None else file_hash(settings.colours)
    return {**asdict(settings), "colours": colours, "palette": None}


def order_hash_of(asked: Mapping[str, Any], ticket: Ticket) -> str:
    """Return :func:`order_hash` of settings as a ticket keeps them."""
    of = [__version__, asked, asdict(ticket.settings_used), ticket.sha256, ticket.edits]
    of += [other.sha256 for other in ticket.others]
    return hashlib.sha256(json_text(of).encode("utf-8", "surrogateescape")).hexdigest()
