"""Get files: what they are needed for decides which of the commands' files are made."""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from inkclean.base.units import MM_PER_INCH
from inkclean.deliver.book_file import PALETTE
from inkclean.deliver.files import placed
from inkclean.deliver.flats_record import edits_record, flats_record
from inkclean.deliver.flats_set import FlatsSettings, write_flats
from inkclean.deliver.layers.composite import render_group
from inkclean.deliver.layers.stack import layered
from inkclean.deliver.pictures.png import picture_png
from inkclean.deliver.press.report import PressReport
from inkclean.deliver.resolution import at_dpi, colour_dpi
from inkclean.desk.edits import PageEdits
from inkclean.desk.work.printing import Printing, print_files
from inkclean.desk.work.task import USES
from inkclean.flats.lettering.edits import letter_edits_record
from inkclean.ink.edits import ink_edits_record
from inkclean.jobs.results import Order, Origin, Target, write_results
from inkclean.jobs.ticket import Ticket, read_ticket, ticket_text

if TYPE_CHECKING:
    from inkclean.desk.work.stages import Bench
    from inkclean.desk.work.task import PageTask
    from inkclean.page import Page


@dataclass(frozen=True)
class FileMade:
    """A file to be fetched."""

    name: str
    bytes: int

    @classmethod
    def of(cls, path: Path) -> FileMade:
        """Return what is told of a file that was written."""
        return cls(path.name, path.stat().st_size)


@dataclass(frozen=True)
class Taken:
    """The files made for one purpose and a zip of all; ``press`` is what the check found of print.

    ``count`` is how long the page's log was when they were made.
    """

    use: str
    count: int
    files: tuple[FileMade, ...]
    zip: FileMade
    press: PressReport | None

    def json(self) -> dict[str, Any]:
        """Return the event that the browser is told."""
        press = {} if self.press is None else self.press.json()
        return {
            "event": "taken",
            "use": self.use,
            "count": self.count,
            "files": [asdict(file) for file in self.files],
            "zip": asdict(self.zip),
            "verdict": press.get("verdict"),
            "check": press.get("check", []),
        }


def make_files(
    bench: Bench, task: PageTask, at: Callable[[str], None], check: Callable[[], None]
) -> Taken:
    """Make the files of the task's purpose in the folder that it names, and a zip of them.

    ``at`` is told which stage the work is at.

    Raises:
        CancelledError: by ``check``: something newer is asked for.
        InkcleanError: a file cannot be written.
    """
    purpose, work = task.purpose, task.work
    assert purpose is not None  # noqa: S101 - the goal is to take
    kinds, areas = USES[purpose.use]
    coloured = bool(
        work.dabs or work.names or work.bound or work.flats != PageEdits(work.settings).flats
    )
    areas = areas or (purpose.use == "publish" and coloured)
    printing = purpose.printing or Printing() if purpose.use == "print" else None
    drawn = areas or (printing is not None and printing.coloured)
    goal = "flats" if drawn else "ink"
    bench.run(work, goal, lambda stage, said: at(stage), check)
    bench.settle(work, goal)
    at("curves")
    order = Order(work.settings, tuple(kind for kind in kinds if kind not in ("ink", "svg")))
    page = bench.page
    page.bring(*order.values)
    check()
    at("files")
    into, name = purpose.into, purpose.name
    into.mkdir(parents=True, exist_ok=True)
    target = Target(into, name, True)
    more = task.more
    of = (task.source, purpose.sha256, task.number)
    origin = Origin(*of, others=more.others, newer=more.newer)
    write_results(page, order, origin, target, edits_of(work))
    files = [target.path(kind) for kind in kinds]
    if areas:
        files += _areas(bench, work, into, name, purpose.use == "colour on")
    elif purpose.use == "publish":
        files.append(_plain_page(page, into / f"{name}.page.png"))
    press: PressReport | None = None
    if printing is not None:
        made_of, press = print_files(page, printing, into, name)
        files += made_of
    finish_ticket(target.path("ticket"), work, bench)
    files.append(target.path("ticket"))
    bundle = into / f"{name}.zip"
    with placed(bundle, True) as draft, zipfile.ZipFile(draft, "w", zipfile.ZIP_STORED) as archive:
        for path in files:
            archive.write(path, path.name)
    made = tuple(FileMade.of(path) for path in files)
    return Taken(purpose.use, task.count, made, FileMade.of(bundle), press)


def _areas(bench: Bench, work: PageEdits, into: Path, name: str, layers: bool) -> list[Path]:
    page, colouring = bench.page, bench.colouring
    if colouring is None:
        return []
    flats, ink, shading = page.coloured, page.ink, page.shading
    dpi = colour_dpi(page.settings.dpi)
    if layers:
        outputs = {
            kind: path
            for kind, path in FlatsSettings().outputs(into, name).items()
            if kind in ("flats", "ora")
        }
        of = (name, flats, colouring, ink, page.curves, shading, outputs)
        write_flats(*of, dpi=dpi, lettering=page.lettering, replace=True)
        return list(outputs.values())
    path = into / f"{name}.page.png"
    flats, ink, shading = at_dpi(flats, ink, shading, dpi)
    pixels = render_group(layered(flats, colouring, ink, shading))
    with placed(path, True) as draft:
        draft.write_bytes(picture_png(pixels, ink.px_per_mm))
    return [path]


def _plain_page(page: Page, path: Path) -> Path:
    """Write the ink on white paper, its edges soft for screens."""
    from inkclean.deliver.pictures.bitmap import edge_alpha

    dpi = colour_dpi(page.settings.dpi)
    grey = 255 - edge_alpha(page.ink.coverage, page.ink.px_per_mm, dpi)
    pixels = grey[..., None].repeat(3, axis=2)
    with placed(path, True) as draft:
        draft.write_bytes(picture_png(pixels, dpi / MM_PER_INCH))
    return path


def edits_of(work: PageEdits, bench: Bench | None = None) -> dict[str, Any]:
    """Return the work's edits as the ticket keeps them, with the colours followed, if any."""
    coloured = bench is not None and bench.page.has("coloured")
    hints = bench.page.followed if bench is not None and coloured else None
    record: dict[str, Any] = {"ink": ink_edits_record(work.ink)}
    if work.letters.moves:
        record["lettering"] = letter_edits_record(work.letters)
    record["flats"] = edits_record(work.flats, hints)
    if hints is not None and any(hints.book):
        record["flats"]["palette"] = PALETTE  # it lies beside the photo, as the ticket will
    if work.checked:
        record["checked"] = [list(place) for place in work.checked]
    return record


def finish_ticket(path: Path, work: PageEdits, bench: Bench) -> None:
    """Put the edits, and the areas if there are any, into a ticket just written."""
    ticket: Ticket = read_ticket(path)
    measured = dict(ticket.measured)
    colouring = bench.colouring
    if colouring is not None:
        measured["flats"] = flats_record(bench.page.coloured, colouring)
        asked = measured["flats"]["to_check"]
        measured["flats"]["to_check"] = [
            place for place in asked if (place["x_mm"], place["y_mm"]) not in work.checked
        ]
    # it is left beside the photos
    beside = tuple(replace(other, photo=Path(other.photo).name) for other in ticket.others)
    edits = edits_of(work, bench)
    ticket = replace(ticket, measured=measured, edits=edits, folder="", others=beside)
    with placed(path, True) as draft:
        draft.write_text(ticket_text(ticket), "utf-8")
