"""The command ``recolour``: pages follow the book's colours, without being split again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from inkclean.cli.options import (
    finish,
    jobs_option,
    option_group,
    shower,
    told_as_done,
    work_through,
)

if TYPE_CHECKING:
    from inkclean.jobs.colours.recolour import RecolourReport

_FILE = click.Path(path_type=Path)
_options = option_group(
    click.option(
        "--palette",
        type=_FILE,
        metavar="FILE",
        help="The book's colours, in JSON or CSV (default: those that each ticket names).",
    ),
    jobs_option,
    click.option("--json", "as_json", is_flag=True, help="Print one JSON object per page."),
    click.option("--quiet", is_flag=True, help="Print only errors."),
    click.option("--replace", is_flag=True, help="Write over results that were changed by hand."),
)


@click.command()
@click.argument("tickets", nargs=-1, required=True, metavar="TICKET|FOLDER…", type=_FILE)
@_options
def recolour(tickets: tuple[Path, ...], **options: Any) -> None:
    """Write the colour files anew where the book's colours changed, without splitting again."""
    from inkclean.jobs.colours.recolour import RecolourJob, gather_tickets

    paths = gather_tickets(tickets)
    palette, replace_old = options["palette"], options["replace"]
    jobs = [RecolourJob(path, None, palette, replace_old) for path in paths]
    finish(*work_through(told_as_done(jobs, options), shower(options, _summary)))


def _summary(report: RecolourReport) -> list[str]:
    """Return the few lines that tell a person what became of a page."""
    name = Path(report.input).name
    if not report.changes:
        kept = "refers to no colour of the book" if not report.refers else "has them already"
        return [f"{name}: {kept}"]
    words = [
        f"{change.before} {change.colour_before} is now {change.name} {change.colour}"
        for change in report.changes
    ]
    lines = [f"{name}: {'; '.join(words)} ({report.seconds:.1f} s)"]
    if not report.outputs:
        lines.append("  no colour files are here: the ticket follows")
    return [*lines, *(f"  {path}" for path in report.outputs.values())]
