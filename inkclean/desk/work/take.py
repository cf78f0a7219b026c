"""Get files: what they are needed for decides which of the commands' files are made."""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from inkclean.deliver.files import placed
from inkclean.deliver.flats_record import edits_record, flats_record
from inkclean.deliver.flats_set import FlatsSettings, write_flats
from inkclean.deliver.layers.composite import render
from inkclean.deliver.layers.stack import layered
from inkclean.deliver.pictures.png import picture_png
from inkclean.deliver.press.files import PressSettings, press_page
from inkclean.deliver.press.report import PressReport
from inkclean.desk.edits import PageEdits
from inkclean.ink.edits import ink_edits_record
from inkclean.jobs.results import Order, Origin, Target, write_results
from inkclean.jobs.ticket import Ticket, read_ticket, ticket_text

if TYPE_CHECKING:
    from inkclean.desk.work.stages import Bench
    from inkclean.desk.work.task import PageTask
    from inkclean.page import Page

# What each purpose takes along: kinds of the clean results, and whether the areas are needed.
USES: dict[str, tuple[tuple[str, ...], bool]] = {
    "colour on": (("ink", "lines"), True),
    "print": (("ink", "tiff"), False),
    "enlarge": (("svg", "pdf"), False),
    "publish": (("lines",), False),
}


def take_away(
    bench: Bench,
    task: PageTask,
    send: Callable[[dict[str, Any]], None],
    check: Callable[[], None],
) -> None:
    """Make the files of one purpose in the folder that ``task.extra`` names, and a zip of them.

    ``extra`` has ``use``, ``into`` (a folder of the desk's own), ``name`` and ``sha256``.

    Raises:
        CancelledError: something newer is asked for.
        InkcleanError: a file cannot be written.
    """
    extra, work = task.extra or {}, task.work
    kinds, areas = USES[extra["use"]]
    coloured = bool(work.dabs or work.names or work.flats != PageEdits(work.settings).flats)
    areas = areas or (extra["use"] == "publish" and coloured)

    def tell(stage: str, said: dict[str, Any]) -> None:
        send({"event": "taking", "stage": stage})

    bench.run(work, "flats" if areas else "ink", tell, check)
    tell("curves", {})
    order = Order(work.settings, tuple(kind for kind in kinds if kind not in ("ink", "svg")))
    page = bench.page
    page.bring(*order.values)
    check()
    tell("files", {})
    into, name = Path(extra["into"]), str(extra["name"])
    into.mkdir(parents=True, exist_ok=True)
    origin = Origin(task.source, extra["sha256"], task.number)
    target = Target(into, name, True)
    write_results(page, order, origin, target, edits_of(work))
    files = [target.path(kind) for kind in kinds]
    if areas:
        files += _areas(bench, work, into, name, extra["use"] == "colour on")
    elif extra["use"] == "publish":
        files.append(_plain_page(page, into / f"{name}.page.png"))
    report: PressReport | None = None
    if extra["use"] == "print":
        outputs = {"pdf": into / f"{name}.press.pdf"}
        report = press_page(page.curves, PressSettings(), outputs, name, True)
        files.append(outputs["pdf"])
    finish_ticket(target.path("ticket"), work, bench)
    files.append(target.path("ticket"))
    bundle = into / f"{name}.zip"
    with placed(bundle, True) as draft, zipfile.ZipFile(draft, "w", zipfile.ZIP_STORED) as archive:
        for path in files:
            archive.write(path, path.name)
    send(
        {
            "event": "taken",
            "use": extra["use"],
            "count": extra["count"],
            "files": [{"name": path.name, "bytes": path.stat().st_size} for path in files],
            "zip": {"name": bundle.name, "bytes": bundle.stat().st_size},
            "verdict": None if report is None else report.verdict,
            "check": [] if report is None else report.json()["check"],
        }
    )


def _areas(bench: Bench, work: PageEdits, into: Path, name: str, layers: bool) -> list[Path]:
    page, colouring = bench.page, bench.colouring
    if colouring is None:
        return []
    flats, ink, shading = page.coloured, page.ink, page.shading
    if layers:
        outputs = {
            kind: path
            for kind, path in FlatsSettings().outputs(into, name).items()
            if kind in ("flats", "ora")
        }
        write_flats(name, flats, colouring, ink, page.curves, shading, outputs, replace=True)
        return list(outputs.values())
    path = into / f"{name}.page.png"
    pixels = render(layered(flats, colouring, ink, shading))
    with placed(path, True) as draft:
        draft.write_bytes(picture_png(pixels, ink.px_per_mm))
    return [path]


def _plain_page(page: Page, path: Path) -> Path:
    """Write the ink on white paper, its edges soft for screens."""
    from inkclean.deliver.pictures.bitmap import own_alpha

    grey = 255 - own_alpha(page.ink)
    pixels = grey[..., None].repeat(3, axis=2)
    with placed(path, True) as draft:
        draft.write_bytes(picture_png(pixels, page.ink.px_per_mm))
    return path


def edits_of(work: PageEdits, bench: Bench | None = None) -> dict[str, Any]:
    """Return the work's edits as the ticket keeps them, with the colours followed, if any."""
    coloured = bench is not None and bench.page.has("coloured")
    hints = bench.page.followed if bench is not None and coloured else None
    return {"ink": ink_edits_record(work.ink), "flats": edits_record(work.flats, hints)}


def finish_ticket(path: Path, work: PageEdits, bench: Bench) -> None:
    """Put the edits, and the areas if there are any, into a ticket just written."""
    ticket: Ticket = read_ticket(path)
    measured = dict(ticket.measured)
    colouring = bench.colouring
    if colouring is not None:
        measured["flats"] = flats_record(bench.page.coloured, colouring)
    ticket = replace(ticket, measured=measured, edits=edits_of(work, bench), folder="")
    with placed(path, True) as draft:
        draft.write_text(ticket_text(ticket), "utf-8")
