"""The command ``demo``: draws the demo page, photographs it, and takes it all the way."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, cast

import click

from inkclean.base.errors import InkcleanError
from inkclean.base.units import counted
from inkclean.cli.clean import summary

if TYPE_CHECKING:
    from inkclean.jobs.reports import CleanReport

NAME = "lamp-heron"


@click.command()
@click.argument(
    "folder", metavar="[DIR]", default="demo-page", type=click.Path(path_type=Path, file_okay=False)
)
@click.option("--quiet", is_flag=True, help="Print only errors.")
@click.option("--replace", is_flag=True, help="Overwrite results that already exist.")
def demo(folder: Path, quiet: bool, replace: bool) -> None:
    """Draw a demo page, photograph it and take it through the whole job, into DIR."""

    def say(text: str) -> None:
        if not quiet:
            click.echo(text)

    from inkclean.deliver.flats_set import FlatsSettings
    from inkclean.jobs.batch import Job, clean_file
    from inkclean.jobs.flat_pages import FlatsOrder, flat_file
    from inkclean.jobs.results import Order
    from inkclean.settings import Settings

    photo = folder / f"{NAME}.jpg"
    say("Drawing the page and photographing it …")
    shoot(photo, replace)
    say("Cleaning the photo …")
    order = Order(Settings(), ("lines", "pencil", "grey", "proof"))
    outcome = clean_file(Job(photo, folder, order, replace))
    if outcome.error is not None:
        raise DemoError(outcome.error, outcome.exit_code)
    for cleaned in outcome.reports:
        for line in summary(cast("CleanReport", cleaned)):
            say(line)
    say("Finding its colour areas …")
    ticket = folder / f"{NAME}.ticket.json"
    flats = FlatsOrder(order, FlatsSettings(shade=315.0))
    if replace or not flats.flats.outputs(folder, NAME)["ora"].exists():
        for report in flat_file(ticket, folder, flats, replace):
            found = report.flats
            say(f"  {counted(found.areas, 'area')}, {counted(found.bridges, 'bridge')}")
            for path in report.outputs.values():
                say(f"  {path}")
    say(f"Look at {folder / NAME}.proof.png first: before, after, and what to check.")
    say(f"Then open {folder / NAME}.ora in a paint program that reads OpenRaster, and paint on.")


class DemoError(InkcleanError):
    """A step of the demo failed; carries that step's words and exit code."""

    def __init__(self, text: str, exit_code: int) -> None:
        super().__init__(text)
        self.exit_code = exit_code


def shoot(path: Path, replace: bool) -> None:
    """Draw and photograph the demo page; a photo that is there already and the same stays.

    Raises:
        OutputError: another file has the photo's name.
    """
    from inkclean.deliver.files import placed
    from inkclean.demo.camera.shot import photograph
    from inkclean.demo.drawing.page import draw

    jpeg = photograph(draw()).jpeg
    if path.exists() and path.read_bytes() == jpeg:
        return
    with placed(path, replace) as draft:
        draft.write_bytes(jpeg)
