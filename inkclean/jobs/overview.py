"""What became of a batch, page by page, as cells of its contact sheet."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath

from inkclean.deliver.pictures.contact import Cell, shrink_page
from inkclean.jobs.batch import Outcome
from inkclean.jobs.remote import read_bytes
from inkclean.jobs.reports import CleanReport


def cells(outcomes: Sequence[Outcome]) -> list[Cell]:
    """Return a cell a page, in order; a file that failed has one of its own, without picture."""
    found: list[Cell] = []
    for outcome in outcomes:
        found += [_cell(r) for r in outcome.reports if isinstance(r, CleanReport)]
        if outcome.error is not None:
            why = outcome.error.replace(outcome.source, "").lstrip(" :")
            found.append(Cell(PurePath(outcome.source).name, "failed", why, None))
    return found


def _cell(report: CleanReport) -> Cell:
    ink, capture = report.ink, report.capture
    to_check = len(ink.to_check)
    note = f"{100 * ink.share:.1f} % ink" + (f", {to_check} to check" if to_check else "")
    name = PurePath(report.outputs["ticket"]).name.removesuffix(".ticket.json")
    picture = shrink_page(read_bytes(report.outputs["ink"]))
    if picture is None:
        return Cell(name, "failed", "its ink file is missing", None)
    return Cell(name, capture.verdict, note, picture)
