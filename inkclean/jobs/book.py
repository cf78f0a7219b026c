"""One look for a book: the settings of one page for all, and one weight of ink."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import fields, replace
from pathlib import Path
from statistics import median
from typing import Any

from inkclean.jobs.batch import BookTask, Clean, Outcome, Tell, timed
from inkclean.jobs.reports import BookLine, CleanReport
from inkclean.jobs.results import Evening
from inkclean.jobs.ticket import read_ticket
from inkclean.settings import Settings

# mm that a photo's noise moves the measure by: pages so near to the book's line stay as they are.
_STEP_MM = 0.005


def like(ticket: Path, asked: Settings, explicit: Collection[str]) -> Settings:
    """Return the settings of another page with what was asked for explicitly on top.

    Its paper is taken as it was found; corners of its photo are not carried over, since they
    belong to that photo. ``explicit`` names the fields of ``asked`` that were spelled out.

    Raises:
        InputError: the ticket cannot be read.
    """
    model = read_ticket(ticket)
    found = replace(model.settings_used, even=False)
    if found.frame.strip().lower() not in ("auto", "whole"):
        found = replace(found, frame="auto")
    if found.paper.strip().lower() == "auto":
        found = replace(found, paper=_paper(model.measured.get("sheet")) or found.paper)
    given = {item.name: getattr(asked, item.name) for item in fields(Settings)}
    return replace(found, **{name: given[name] for name in explicit if name in given})


def _paper(sheet: Any) -> str | None:
    if not isinstance(sheet, dict):
        return None
    if isinstance(sheet.get("paper"), str) and sheet["paper"]:
        return str(sheet["paper"])
    sides = [sheet.get("width_mm"), sheet.get("height_mm")]
    if not all(isinstance(side, int | float) and side > 0 for side in sides):
        return None
    return f"{sides[0]:g}x{sides[1]:g}mm"


def even_files(
    jobs: Sequence[BookTask],
    clean: Clean,
    tell: Tell,
    say: Callable[[str], None] = lambda text: None,
    workers: int = 1,
) -> Iterator[Outcome]:
    """Clean the files so that the lines of all pages are equally heavy; yield the outcomes.

    Every page is cleaned with the weight asked for; the median of the pages' typical lines is
    the book's; pages off it are cut again with the weight that brings them there. What was
    asked stays in the tickets, so that the same command finds finished pages done.
    """
    first = list(timed(jobs, clean(jobs), tell, workers))
    lines = _lines(first)
    again = [
        job.evened(wanted)
        for job, outcome, wanted in zip(jobs, first, lines, strict=True)
        if any(
            line.evened_mm != wanted[page].line_mm
            for page, line in _book_lines(outcome).items()
            if page in wanted
        )
    ]
    if again:
        say(f"{len(again)} of {len(jobs)} files are cut again to even out the weight of their ink")
    made = iter(timed(again, clean(again), tell, workers))
    waiting = {job.source for job in again}
    for job, before in zip(jobs, first, strict=True):
        if job.source not in waiting:
            yield before
            continue
        after = next(made)
        if before.error is not None:
            after = replace(after, error=before.error, exit_code=before.exit_code)
        yield replace(after, work=(*before.work, *after.work))


def _lines(outcomes: Sequence[Outcome]) -> list[dict[int, Evening]]:
    """Return the line that each page of each file should get, by its number in the file.

    Pages that are near enough by themselves, and were never moved, are left out.
    """
    natural = [_natural(outcome) for outcome in outcomes]
    known = [line for pages in natural for line in pages.values()]
    if not known:
        return [{} for _ in outcomes]
    aim = round(round(median(known) / _STEP_MM) * _STEP_MM, 4)
    return [
        {
            page: Evening(aim, line)
            for page, line in pages.items()
            if abs(line - aim) > _STEP_MM or _book_lines(outcome)[page].evened_mm is not None
        }
        for pages, outcome in zip(natural, outcomes, strict=True)
    ]


def _natural(outcome: Outcome) -> dict[int, float]:
    lines = _book_lines(outcome)
    return {page: line.natural_mm for page, line in lines.items() if line.natural_mm}


def _book_lines(outcome: Outcome) -> dict[int, BookLine]:
    """Return how wide the lines of each page are, by its number in the file."""
    return {
        page: report.ink.book
        for page, report in enumerate(outcome.reports, 1)
        if isinstance(report, CleanReport) and report.ink.book is not None
    }
