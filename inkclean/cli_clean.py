"""The command ``clean``: photos or scans to clean ink and curves."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import click

from inkclean.cli_options import SOME_FAILED, clean_options, finish, page_options, settings_of


@click.command()
@click.argument(
    "photos", nargs=-1, required=True, metavar="PHOTO…", type=click.Path(path_type=Path)
)
@page_options
@clean_options
@click.option(
    "--also",
    default="",
    metavar="KINDS",
    help="More results: lines, pencil, tone, tiff, pdf, proof (with commas between).",
)
def clean(photos: tuple[Path, ...], also: str, **options: Any) -> None:
    """Turn photos or scans (files or folders) into clean ink and curves."""
    from inkclean.batch import Job, clean_files
    from inkclean.inputs import check_names, gather
    from inkclean.results import Order, parse_also

    order = Order(settings_of(options), parse_also(also))
    paths = gather(photos)
    folder, quiet = options["folder"], options["quiet"]
    check_names(paths, folder)

    def tell(done: int, job: Job, left: float | None) -> None:
        if not quiet and len(paths) > 1:
            click.echo(progress(done, len(paths), job.path.name, left), err=True)

    failures: list[tuple[str, int]] = []
    reports: list[dict[str, Any]] = []
    jobs = [Job(path, folder, order, options["replace"]) for path in paths]
    try:
        for outcome in clean_files(jobs, workers=options["jobs"], tell=tell):
            for report in outcome.reports:
                reports.append(report)
                show(report, as_json=options["as_json"], quiet=quiet)
            if outcome.error is not None:
                failures.append((outcome.error, outcome.exit_code))
                click.echo(f"inkclean: {outcome.error}", err=True)
    except KeyboardInterrupt:
        click.echo(
            f"inkclean: stopped with {len(reports)} pages done: the same command goes on from here",
            err=True,
        )
        sys.exit(SOME_FAILED)
    finish(len(reports), failures)


def progress(done: int, total: int, name: str, left: float | None) -> str:
    """Return the line that tells how far a batch is."""
    text = f"page {done + 1} of {total}: {name}"
    if left is None:
        return text
    minutes = round(left / 60)
    return f"{text}, about {minutes} min left" if minutes else f"{text}, under a minute left"


def show(report: dict[str, Any], *, as_json: bool, quiet: bool) -> None:
    """Print one page's report: a JSON line, or a few lines for people."""
    if as_json:
        click.echo(json.dumps(report, ensure_ascii=False))
    elif not quiet:
        for line in summary(report):
            click.echo(line)


def summary(report: dict[str, Any]) -> list[str]:
    """Return the few lines that tell a person what became of a page."""
    sheet, ink, curves = report["sheet"], report["ink"], report["curves"]
    paper = sheet["paper"] or "sheet"
    size = f"{sheet['width_mm']:.0f} × {sheet['height_mm']:.0f} mm"
    seconds = sum(report["seconds"].values())
    spent = "done before" if report["done_before"] else f"{seconds:.1f} s"
    lines = [
        f"{Path(report['input']).name}: {paper} ({size}, {sheet['framed']}), "
        f"{100 * ink['share']:.1f} % ink, {curves['shapes']} shapes, {spent}"
    ]
    lines += [f"  {note}" for note in (sheet["doubt"], report["pencil"]["note"]) if note]
    if report["capture"]["verdict"] != "good":
        lines.append(f"  {report['capture']['advice']}")
    if ink["doubts"]:
        lines.append(f"  {len(ink['doubts'])} places worth a look: see --also proof")
    lines += [f"  {path}" for path in report["outputs"].values()]
    return lines
