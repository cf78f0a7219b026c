"""The command ``flats``: the colour areas of inked pages, ready to shade."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from inkclean.base.errors import UsageError
from inkclean.base.units import counted
from inkclean.cli.options import (
    as_one_option,
    clean_options,
    doubts,
    finish,
    option_group,
    page_options,
    result_options,
    settings_of,
    shower,
    spent,
    told_as_done,
    typed_settings,
    work_through,
)

if TYPE_CHECKING:
    from inkclean.deliver.flats_set import FlatsSettings
    from inkclean.jobs.reports import FlatsReport

_FILE = click.Path(path_type=Path)


_options = option_group(
    click.option(
        "--gap",
        default="5mm",
        show_default=True,
        metavar="LENGTH",
        help="Widest gap in a line that may be bridged.",
    ),
    click.option(
        "--smallest",
        default="2mm",
        show_default=True,
        metavar="LENGTH",
        help="Merge areas smaller than this into a neighbour.",
    ),
    click.option(
        "--colours",
        type=_FILE,
        metavar="FILE",
        help="Your colours: a PNG of the sheet with dabs of colour, or points in JSON or "
        "CSV (x_mm, y_mm, colour as #RRGGBB, name).",
    ),
    click.option(
        "--palette",
        type=_FILE,
        metavar="FILE",
        help="The book's colours: names and colours as #RRGGBB, in JSON or CSV. Your colours "
        "may then be names.",
    ),
    click.option(
        "--colour-dpi",
        type=click.IntRange(36, 2400),
        metavar="N",
        help="Resolution of flats, areas and layers; must divide --dpi evenly. "
        "[default: 300, or the next above it that does]",
    ),
    click.option(
        "--layers",
        type=click.Choice(("ora", "png")),
        default="ora",
        show_default=True,
        help="Layers as one OpenRaster file (ora), or a folder of PNG with a list (png).",
    ),
    click.option(
        "--shade",
        type=click.FloatRange(-360, 360),
        metavar="DEGREES",
        help="Fill the shade and light layers with a soft first shade. Light direction: 0 "
        "from above, 90 from the right, 315 from the upper left.",
    ),
)


@click.command()
@click.argument("pages", nargs=-1, required=True, metavar="PHOTO|INK|TICKET…", type=_FILE)
@page_options
@result_options
@clean_options
@as_one_option
@_options
def flats(pages: tuple[Path, ...], **options: Any) -> None:
    """Split inked pages into colour areas, and write them as layers ready to shade."""
    from inkclean.deliver.resolution import colour_dpi
    from inkclean.jobs.flat_pages import FlatsJob, FlatsOrder
    from inkclean.jobs.inputs import gather_pages, together
    from inkclean.jobs.results import Order

    typed = typed_settings()
    order = FlatsOrder(Order(settings_of(options)), flats_settings_of(options), typed)
    if order.flats.colour_dpi is not None and not all(map(_brings_its_own, pages)):
        colour_dpi(options["dpi"], order.flats.colour_dpi)
    paths = gather_pages(pages)
    if order.flats.colours is not None and len(paths) > 1 and not options["as_one"]:
        raise UsageError("--colours fits one page only; run flats once for each page")
    more: tuple[Path, ...] = ()
    if options["as_one"]:
        first, more = together(paths)
        paths = [first]
    jobs = [FlatsJob(path, options["folder"], order, options["replace"], more) for path in paths]
    finish(*work_through(told_as_done(jobs, options), shower(options, _summary)))


def _brings_its_own(page: Path) -> bool:
    """Tell whether a ticket or ink is given, which has a resolution already."""
    return page.name.endswith((".ticket.json", ".ink.png", ".ink.tiff", ".lines.png"))


def flats_settings_of(options: dict[str, Any]) -> FlatsSettings:
    """Return what the options of the flats spell.

    Raises:
        UsageError: a length or direction is not understood.
    """
    from inkclean.base.units import parse_length_mm
    from inkclean.deliver.flats_set import FlatsSettings, check_flats_settings

    settings = FlatsSettings(
        gap_mm=parse_length_mm(options["gap"]),
        smallest_mm=parse_length_mm(options["smallest"]),
        colours=options["colours"],
        palette=options["palette"],
        layers=options["layers"],
        shade=options["shade"],
        colour_dpi=options["colour_dpi"],
    )
    check_flats_settings(settings)
    return settings


def _summary(report: FlatsReport) -> list[str]:
    """Return the few lines that tell a person what became of a page."""
    found = report.flats
    lines = [
        f"{Path(report.input).name}: {counted(found.areas, 'area')} in "
        f"{counted(len(found.colours), 'colour')}, {counted(found.bridges, 'bridge')}, "
        f"{spent(report)}",
        f"  ink {found.ink_dpi:.5g} dpi, colour files {found.colour_dpi:.5g} dpi",
        *(f"  {words}" for words in report.overrides),
    ]
    lines += doubts(report.cleaned)
    if found.to_check:
        proof = report.outputs.get("flats_proof")
        where = f", numbered in {Path(proof).name}" if proof else ""
        lines.append(f"  {counted(found.to_check, 'place')} to check in the areas{where}")
    return [*lines, *(f"  {path}" for path in report.outputs.values())]
