"""Options and endings that the commands share: written once, used by each."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import click
from click.core import ParameterSource

from inkclean.base.errors import printable
from inkclean.base.units import counted

if TYPE_CHECKING:
    from inkclean.jobs.batch import Outcome, Task, Tell
    from inkclean.jobs.crew.choose import Crew
    from inkclean.jobs.reports import CleanReport, FlatsReport, Report, SheetReport
    from inkclean.settings import Settings

_F = TypeVar("_F", bound=Callable[..., Any])
_R = TypeVar("_R")
SOME_FAILED = 4


def option_group(*options: Callable[[_F], _F]) -> Callable[[_F], _F]:
    """Return what adds ``options`` to a command, listed in this order in its help."""

    def add(command: _F) -> _F:
        for option in reversed(options):
            command = option(command)
        return command

    return add


jobs_option = click.option(
    "--jobs",
    type=click.IntRange(1, 64),
    metavar="N",
    help="Pages to process at once (default: as many as cores and memory allow).",
)


# Options that every command on photos has
page_options = option_group(
    click.option(
        "--paper",
        default="auto",
        show_default=True,
        metavar="SIZE",
        help="Paper in the photo: A4, A3, letter, tabloid … or a size such as 210x297mm.",
    ),
    click.option(
        "--dpi",
        type=click.IntRange(72, 2400),
        default=600,
        show_default=True,
        help="Resolution of the bitmaps.",
    ),
    jobs_option,
)


# Options on where results go and what is said of them, which every command has
result_options = option_group(
    click.option(
        "-o",
        "folder",
        type=click.Path(path_type=Path, file_okay=False),
        metavar="DIR",
        help="Folder for the results (default: next to the input).",
    ),
    click.option("--json", "as_json", is_flag=True, help="Print one JSON object per page."),
    click.option("--quiet", is_flag=True, help="Print only errors."),
    click.option("--replace", is_flag=True, help="Overwrite results that already exist."),
)


as_one_option = click.option(
    "--as-one",
    is_flag=True,
    help="The photos show one page: parts or whole views, joined into one sheet.",
)


# Options of cleaning
clean_options = option_group(
    click.option(
        "--frame",
        default="auto",
        show_default=True,
        metavar="HOW",
        help="Where the paper is: auto, whole (the paper fills the picture), or four "
        "corners in photo pixels, clockwise from the top left: x,y;x,y;x,y;x,y.",
    ),
    click.option(
        "--drop",
        multiple=True,
        default=("auto",),
        show_default=True,
        metavar="PENCIL",
        help="Pencil to remove: auto, none, blue, red … or #RRGGBB. Repeat it for several pencils.",
    ),
    click.option(
        "--weight",
        type=click.FloatRange(-1, 1),
        default=0.0,
        show_default=True,
        help="Line weight: −1 thinner, 0 as drawn, 1 heavier.",
    ),
    click.option(
        "--speck",
        default="0.2mm",
        show_default=True,
        metavar="LENGTH",
        help="Marks smaller than this may be removed as dust.",
    ),
    click.option(
        "--within",
        default="0.02mm",
        show_default=True,
        metavar="LENGTH",
        help="How far a curve may stray from the ink's edge.",
    ),
    click.option(
        "--strokes",
        is_flag=True,
        help="Write centrelines with widths to the SVG instead of outlines.",
    ),
    click.option(
        "--budget",
        type=click.FloatRange(1, 5000),
        default=300.0,
        show_default=True,
        metavar="MP",
        help="Refuse photos larger than this, in megapixels.",
    ),
)


def settings_of(options: dict[str, Any]) -> Settings:
    """Return the Settings that the options spell; units are read here.

    Raises:
        UsageError: a length, paper, frame or pencil is not understood.
    """
    from inkclean.base.units import parse_length_mm
    from inkclean.settings import Settings, check_settings

    speck_mm, within_mm = parse_length_mm(options["speck"]), parse_length_mm(options["within"])
    settings = Settings(
        paper=options["paper"],
        frame=options["frame"],
        dpi=options["dpi"],
        drop=tuple(options["drop"]),
        weight=options["weight"],
        speck_mm=speck_mm,
        within_mm=within_mm,
        strokes=options["strokes"],
        budget_mp=options["budget"],
    )
    check_settings(settings)
    return settings


def typed_settings() -> frozenset[str]:
    """Return the names of the settings that were typed, not left at their defaults."""
    from dataclasses import fields

    from inkclean.settings import OPTIONS, Settings

    context = click.get_current_context()
    names = [item.name for item in fields(Settings)]
    options = [OPTIONS.get(name, name) for name in names]
    return frozenset(
        name
        for name, option in zip(names, options, strict=True)
        if option in context.params
        and context.get_parameter_source(option) is not ParameterSource.DEFAULT
    )


def work_through(
    outcomes: Iterable[Outcome],
    show: Callable[[Report], None],
    keep: Callable[[Outcome], None] = lambda outcome: None,
) -> tuple[int, list[tuple[str, int]]]:
    """Show the outcomes of a batch as they come; return how many pages are done, and the failures.

    ``keep`` is given each outcome. Ctrl-C ends the program with a word on what is done.
    """
    done, failures = 0, []
    try:
        for outcome in outcomes:
            keep(outcome)
            for report in outcome.reports:
                done += 1
                show(report)
            if outcome.error is not None:
                failures.append((outcome.error, outcome.exit_code))
                click.echo(f"inkclean: {outcome.error}", err=True)
    except KeyboardInterrupt:
        click.echo(
            f"inkclean: stopped with {counted(done, 'page')} done. To resume, run the same command "
            "again",
            err=True,
        )
        sys.exit(SOME_FAILED)
    return done, failures


def shower(
    options: dict[str, Any], summary: Callable[[_R], Iterable[str]]
) -> Callable[[Report], None]:
    """Return what prints a page's report: a JSON line, the lines of ``summary``, or nothing."""

    def show(report: Report) -> None:
        if options["as_json"]:
            from inkclean.jobs.ticket import json_text

            click.echo(json_text(report.json()))
        elif not options["quiet"]:
            for line in summary(cast("_R", report)):
                click.echo(printable(line))

    return show


def spent(report: CleanReport | FlatsReport) -> str:
    """Return how long a page took, or that it was done already."""
    if report.done_before:
        return "already done"
    return f"{sum(report.seconds.values()):.1f} s"


def doubts(report: CleanReport | None) -> list[str]:
    """Return what a person should check of a cleaned page; nothing if it was not cleaned here."""
    if report is None:
        return []
    lines = [note for note in (_sheet_note(report.sheet), report.pencil.note) if note]
    if report.capture.verdict != "good":
        lines.append(report.capture.advice)
    return [f"  {line}" for line in lines]


def _sheet_note(sheet: SheetReport) -> str | None:
    """Return what to check of the sheet, its size or its outline, and the option that sets it."""
    if not sheet.to_check:
        return None
    option = {"outline": "--frame"}.get(sheet.to_check_of or "", "--paper")
    return f"{sheet.to_check_of or 'size'} to check: {sheet.to_check} (to set it: {option})"


def teller(total: int, quiet: bool) -> Tell:
    """Return what says on standard error how far a batch of ``total`` files is."""

    def tell(done: int, task: Task, left: float | None) -> None:
        if not quiet and total > 1:
            click.echo(progress(done, total, task.name, left), err=True)

    return tell


def progress(done: int, total: int, name: str, left: float | None) -> str:
    """Return the line that tells how far a batch is."""
    text = f"page {done + 1} of {total}: {printable(name)}"
    return text if left is None else f"{text}, about {_time(left)} left"


def _time(seconds: float) -> str:
    """Return a time in words, to about a tenth of itself."""
    if seconds < 57.5:
        return f"{max(5, 5 * round(seconds / 5))} s"
    if seconds < 595:
        minutes, rest = divmod(10 * round(seconds / 10), 60)
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    hours, minutes = divmod(round(seconds / 60), 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min"


def told_as_done(jobs: Sequence[Task], options: dict[str, Any]) -> Iterator[Outcome]:
    """Do the jobs, as many at once as asked or as there is room for; say how far the batch is."""
    from inkclean.jobs.batch import run_tasks, timed

    crew = crew_of(jobs, options)
    outcomes = run_tasks(jobs, workers=crew.workers)
    return timed(jobs, outcomes, teller(len(jobs), options["quiet"]), crew.workers)


def crew_of(jobs: Sequence[Task], options: dict[str, Any]) -> Crew:
    """Return how many jobs are done at once, and say it where nobody asked for a number."""
    from inkclean.jobs.crew.choose import crew_for

    crew = crew_for(jobs, options["jobs"])
    if len(jobs) > 1 and options["jobs"] is None and not options["quiet"]:
        click.echo(crew.text(), err=True)
    return crew


def finish(done: int, failures: list[tuple[str, int]]) -> None:
    """End with the exit code that the failures ask for."""
    if not failures:
        return
    if done:
        click.echo(f"inkclean: {len(failures)} failed, {done} done", err=True)
        sys.exit(SOME_FAILED)
    codes = {code for _, code in failures}
    sys.exit(codes.pop() if len(codes) == 1 else SOME_FAILED)
