"""The command ``clean``: photos or scans to clean ink and curves."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from inkclean.cli_options import clean_options, finish, page_options, settings_of


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
    from inkclean.batch import check_names, clean_files, gather
    from inkclean.results import Order, parse_also

    order = Order(settings_of(options), parse_also(also))
    paths = gather(photos)
    folder, quiet = options["folder"], options["quiet"]
    check_names(paths, folder)

    def tell(number: int, path: Path) -> None:
        if not quiet and len(paths) > 1:
            click.echo(f"page {number + 1} of {len(paths)}: {path.name}", err=True)

    failures: list[tuple[str, int]] = []
    done = 0
    for outcome in clean_files(
        paths, folder, order, replace=options["replace"], jobs=options["jobs"], tell=tell
    ):
        for report in outcome.reports:
            done += 1
            show(report, as_json=options["as_json"], quiet=quiet)
        if outcome.error is not None:
            failures.append((outcome.error, outcome.exit_code))
            click.echo(f"inkclean: {outcome.error}", err=True)
    finish(done, failures)


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
    lines += [f"  {note}" for note in (report["pencil"]["note"],) if note]
    if report["capture"]["verdict"] != "good":
        lines.append(f"  {report['capture']['advice']}")
    if ink["doubts"]:
        lines.append(f"  {len(ink['doubts'])} places worth a look: see --also proof")
    lines += [f"  {path}" for path in report["outputs"].values()]
    return lines
