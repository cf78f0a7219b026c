"""Pages with flats: a photo or ink is cleaned first, a ticket's photo cleaned as it says."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from inkclean.deliver.files import check_free, placed
from inkclean.deliver.flats_set import FlatsSettings, write_flats
from inkclean.errors import InputError
from inkclean.flats.colours import Colouring
from inkclean.flats.hints import Hints
from inkclean.flats.values import FlatEdits, Flats
from inkclean.ink.edits import InkEdits, read_ink_edits
from inkclean.inputs import TICKET, gather
from inkclean.pipeline import Cleaned, Stopwatch, clean_photo
from inkclean.results import Order, Origin, Target, write_results
from inkclean.sheet.values import Photo
from inkclean.ticket import Settings, file_hash, read_ticket, ticket_text

# What clean leaves is ink alone already: no desk around it, no pencil in it.
_INK = (".ink.png", ".ink.tiff", ".lines.png")
_EDITS = "flats"


@dataclass(frozen=True)
class FlatsOrder:
    """What is made of each page: the clean results, and the flats."""

    clean: Order
    flats: FlatsSettings


@dataclass(frozen=True)
class _Page:
    """A page to come: ``name`` is what its results are called, ``given`` what it came as."""

    name: str
    photo: Photo
    settings: Settings
    origin: Origin
    given: Literal["photo", "ink", "ticket"]
    edits: FlatEdits
    hints: Hints | None
    mended: InkEdits | None


def gather_pages(inputs: Sequence[Path]) -> list[Path]:
    """Return the files named; a folder stands for the tickets in it, else for its pictures.

    Raises:
        InputError: a folder holds neither.
    """
    found: list[Path] = []
    for path in inputs:
        tickets = sorted(path.glob(f"*{TICKET}")) if path.is_dir() else []
        found += tickets or gather([path])
    return list(dict.fromkeys(found))


def flat_file(
    path: Path, folder: Path | None, order: FlatsOrder, replace_old: bool
) -> Iterator[dict[str, Any]]:
    """Write the flats of every page of a photo, ink or ticket; yield a report a page.

    A photo leaves the clean results too. The ticket of a photo, made or given, gets the
    areas, the bridges and the colours; ink has none.

    Raises:
        InkcleanError: says in one line what stands in the way.
    """
    place = folder or path.parent
    for page in _pages(path, order.clean):
        outputs = order.flats.outputs(place, page.name)
        target = Target(place, page.name, replace_old)
        for result in outputs.values():
            check_free(result, replace_old)
        if page.given == "photo":
            target.check(order.clean.kinds)
        watch = Stopwatch()
        cleaned = clean_photo(page.photo, page.settings, watch, edits=page.mended)
        flats, colouring, hints = split_and_colour(
            cleaned, order.flats, page.edits, page.hints, watch
        )
        report: dict[str, Any] = {"input": str(path), "outputs": {}}
        if page.given == "photo":
            report = write_results(cleaned, page.photo, order.clean, page.origin, target)
        with watch.stage("write flats"):
            write_flats(
                flats,
                colouring,
                cleaned.ink,
                cleaned.curves,
                order.flats,
                outputs,
                replace=replace_old,
            )
        if page.given != "ink":
            ticket = path if page.given == "ticket" else target.path("ticket")
            _keep(ticket, flats, colouring, page.edits, hints)
        report["outputs"] |= {kind: str(result) for kind, result in outputs.items()}
        yield {**report, "flats": summary_of(flats, colouring), "seconds": watch.seconds}


def split_and_colour(
    cleaned: Cleaned,
    settings: FlatsSettings,
    edits: FlatEdits,
    hints: Hints | None,
    watch: Stopwatch,
) -> tuple[Flats, Colouring, Hints | None]:
    """Return areas and colours of a cleaned page, and the hints that were followed.

    Raises:
        InputError: the hints cannot be read.
    """
    from inkclean.deliver.hints_read import read_hints
    from inkclean.flats.colours import colour_areas
    from inkclean.flats.find import find_flats
    from inkclean.flats.hints import colour_by_hints

    if settings.colours is not None:
        sheet = cleaned.sheet
        hints = read_hints(settings.colours, sheet.width_mm, sheet.height_mm)
    with watch.stage("flats"):
        flats = find_flats(
            cleaned.ink, gap_mm=settings.gap_mm, smallest_mm=settings.smallest_mm, edits=edits
        )
    with watch.stage("colours"):
        if hints is None:
            return flats, colour_areas(flats), None
        flats, colouring = colour_by_hints(flats, cleaned.ink, hints)
        return flats, colouring, hints


def summary_of(flats: Flats, colouring: Colouring) -> dict[str, Any]:
    """Return the figures of the flats that ``--json`` shows."""
    return {
        "areas": len(flats.areas),
        "colours": [colouring.names[row] for row in colouring.used],
        "bridges": len(flats.bridges),
        "doubtful": int(flats.bridges["doubtful"].sum()),
        "panels": int(flats.areas["panel"].max(initial=0)),
    }


def _pages(path: Path, order: Order) -> Iterator[_Page]:
    from inkclean.deliver.flats_record import read_edits
    from inkclean.sheet.read import read_photos

    settings, wanted, source = order.settings, None, path
    given: Literal["photo", "ink", "ticket"] = "photo"
    edits, hints, mended = FlatEdits(), None, None
    if path.name.endswith(TICKET):
        ticket = read_ticket(path)
        given, settings, wanted = "ticket", ticket.settings_used, ticket.page
        source = path.with_name(Path(ticket.photo).name)
        if not source.exists():
            raise InputError(f"{path} needs {source.name} beside it: put the photo there")
        if file_hash(source) != ticket.sha256:
            raise InputError(f"{source} has changed since {path.name} was written: clean it again")
        edits, hints = read_edits(ticket.edits.get(_EDITS, {}))
        mended = read_ink_edits(ticket.edits.get("ink", {}))
    elif path.name.endswith(_INK):
        given, settings = "ink", replace(settings, frame="whole", drop=("none",))
    digest = file_hash(source)
    for number, photo in enumerate(read_photos(source, budget_mp=settings.budget_mp), 1):
        if wanted in (None, number):
            name = photo.name
            if given == "ink":
                name = name.removesuffix(".ink").removesuffix(".lines")
            origin = Origin(source, digest, number)
            yield _Page(name, photo, settings, origin, given, edits, hints, mended)


def _keep(
    path: Path, flats: Flats, colouring: Colouring, edits: FlatEdits, hints: Hints | None
) -> None:
    """Put areas, bridges and given colours into the page's ticket."""
    from inkclean.deliver.flats_record import edits_record, flats_record

    ticket = read_ticket(path)
    ticket = replace(
        ticket,
        measured={**ticket.measured, "flats": flats_record(flats, colouring)},
        edits={**ticket.edits, _EDITS: edits_record(edits, hints)},
    )
    with placed(path, True) as draft:
        draft.write_text(ticket_text(ticket), "utf-8")
