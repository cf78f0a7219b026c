"""The command line: parses, calls the pipeline, prints; nothing else."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from inkclean import __version__
from inkclean.errors import InkcleanError

_F = TypeVar("_F", bound=Callable[..., Any])
SOME_FAILED = 4


class Group(click.Group):
    """The command group: every foreseeable failure is one line and an exit code."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; turn the package's errors into one line and their exit code."""
        try:
            return super().invoke(ctx)
        except InkcleanError as error:
            click.echo(f"inkclean: {error}", err=True)
            sys.exit(error.exit_code)


@click.group(cls=Group, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="inkclean")
def main() -> None:
    """From a photo of an inked page: clean ink, curves, flats and print files.

    Work on pages that you have the right to use.
    """


def page_options(command: _F) -> _F:
    """Add the options that every command on photos has."""
    for option in reversed(
        (
            click.option(
                "--paper",
                default="auto",
                show_default=True,
                metavar="SIZE",
                help="A4, A3, letter, tabloid … or a size such as 210x297mm.",
            ),
            click.option(
                "--dpi",
                type=click.IntRange(72, 2400),
                default=600,
                show_default=True,
                help="Resolution of the bitmaps.",
            ),
            click.option(
                "--jobs",
                type=click.IntRange(1, 64),
                default=1,
                show_default=True,
                help="Processes that work side by side.",
            ),
            click.option(
                "-o",
                "folder",
                type=click.Path(path_type=Path, file_okay=False),
                metavar="DIR",
                help="Folder for the results; else beside the photo.",
            ),
            click.option("--json", "as_json", is_flag=True, help="Print one JSON object a page."),
            click.option("--quiet", is_flag=True, help="Print nothing but errors."),
            click.option("--replace", is_flag=True, help="Write over results that are there."),
        )
    ):
        command = option(command)
    return command


def clean_options(command: _F) -> _F:
    """Add the options of cleaning."""
    for option in reversed(
        (
            click.option(
                "--frame",
                default="auto",
                show_default=True,
                metavar="HOW",
                help="auto, whole, or four corners in photo px: x,y;x,y;x,y;x,y.",
            ),
            click.option(
                "--drop",
                multiple=True,
                default=("auto",),
                show_default=True,
                metavar="PENCIL",
                help="Underdrawing to take off: auto, none, blue, red … or #RRGGBB; "
                "may be given several times.",
            ),
            click.option(
                "--weight",
                type=click.FloatRange(-1, 1),
                default=0.0,
                show_default=True,
                help="Thinner to heavier ink.",
            ),
            click.option(
                "--speck",
                default="0.2mm",
                show_default=True,
                metavar="LENGTH",
                help="Marks up to this size are judged as specks.",
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
                help="Centrelines with widths in the SVG in place of outlines.",
            ),
            click.option(
                "--budget",
                type=click.FloatRange(1, 5000),
                default=300.0,
                show_default=True,
                metavar="MP",
                help="Largest photo that is opened, in megapixels.",
            ),
        )
    ):
        command = option(command)
    return command


@main.command()
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


def settings_of(options: dict[str, Any]) -> Any:
    """Return the Settings that the options spell; units are read here.

    Raises:
        UsageError: a length, paper, frame or pencil is not understood.
    """
    from inkclean.ticket import Settings, check_settings
    from inkclean.units import parse_length_mm

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


def finish(done: int, failures: list[tuple[str, int]]) -> None:
    """End with the exit code that the failures ask for."""
    if not failures:
        return
    if done:
        click.echo(f"inkclean: {len(failures)} failed, {done} done", err=True)
        sys.exit(SOME_FAILED)
    codes = {code for _, code in failures}
    sys.exit(codes.pop() if len(codes) == 1 else SOME_FAILED)


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


if __name__ == "__main__":
    main()
