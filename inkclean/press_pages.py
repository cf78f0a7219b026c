"""Pages for the press: from a ticket, whose photo is cleaned again as it says, or a photo."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from inkclean.curves.values import Curves
from inkclean.deliver.files import check_free, placed
from inkclean.deliver.press import PressSettings, load_colour, press_page
from inkclean.deliver.tile_plan import PosterSettings
from inkclean.errors import InputError
from inkclean.ink.edits import InkEdits, read_ink_edits
from inkclean.ticket import Settings, file_hash, read_ticket

TICKET = ".ticket.json"


@dataclass(frozen=True)
class PressOrder:
    """What is printed of each page: a press file, or a poster in sheets if ``poster`` is set.

    ``tiff_dpi`` adds the lines as a one-bit TIFF; ``paper`` is the sheet's size as typed.
    """

    settings: PressSettings
    poster: PosterSettings | None = None
    tiff_dpi: int | None = None
    paper: str = "auto"

    def outputs(self, folder: Path, name: str) -> dict[str, Path]:
        """Return the paths of the results of a page."""
        if self.poster is not None:
            return {"tiles": folder / f"{name}.tiles.pdf"}
        found = {"pdf": folder / f"{name}.press.pdf"}
        if self.tiff_dpi is not None:
            found[f"tiff{self.tiff_dpi}"] = folder / f"{name}.press.tiff"
        return found


def gather_pages(inputs: Sequence[Path]) -> list[Path]:
    """Return the inputs, folders replaced by the tickets in them, or by photos if none is there.

    Raises:
        InputError: an input is not there, or a folder holds neither.
    """
    from inkclean.inputs import gather

    found: list[Path] = []
    for path in inputs:
        tickets = sorted(path.glob(f"*{TICKET}")) if path.is_dir() else [path]
        found += tickets or gather([path])
    return list(dict.fromkeys(found))


def press_file(
    path: Path, folder: Path | None, order: PressOrder, replace_old: bool
) -> Iterator[dict[str, Any]]:
    """Write the print files of every page of a ticket or photo; yield a report a page.

    Raises:
        InkcleanError: says in one line what stands in the way.
    """
    for name, curves in pages_of(path, order, folder or path.parent, replace_old):
        outputs = order.outputs(folder or path.parent, name)
        if order.poster is None:
            report = press_page(curves, order.settings, outputs, name, replace_old)
        else:
            report = _tiled(curves, order, outputs["tiles"], name, replace_old)
        yield {"input": str(path), **report}


def _tiled(
    curves: Curves, order: PressOrder, path: Path, name: str, replace_old: bool
) -> dict[str, Any]:
    from inkclean.deliver.tiles import write_tiles

    if order.poster is None:
        raise ValueError("no poster was asked for")
    # a home printer turns colour to its own inks
    colour, _ = load_colour(replace(order.settings, profile=None))
    with placed(path, replace_old) as draft:
        report = write_tiles(curves, order.poster, draft, title=name, colour=colour)
    return {"outputs": {"tiles": str(path)}, **report}


def pages_of(
    path: Path, order: PressOrder, folder: Path, replace_old: bool
) -> Iterator[tuple[str, Curves]]:
    """Yield name and curves of every page; results that may not be replaced stop it first.

    Raises:
        InputError: the ticket's photo is gone or has changed, or a file cannot be read.
    """
    from inkclean.pipeline import clean_photo
    from inkclean.sheet.read import read_photos

    settings, wanted, source = Settings(paper=order.paper), None, path
    mended: InkEdits | None = None
    if path.name.endswith(TICKET):
        ticket = read_ticket(path)
        settings, wanted = ticket.settings_used, ticket.page
        mended = read_ink_edits(ticket.edits.get("ink", {}))
        source = path.with_name(Path(ticket.photo).name)
        if not source.exists():
            raise InputError(f"{path} needs {source.name} beside it: put the photo there")
        if file_hash(source) != ticket.sha256:
            raise InputError(f"{source} has changed since {path.name} was written: clean it again")
    for number, photo in enumerate(read_photos(source, budget_mp=settings.budget_mp), 1):
        if wanted in (None, number):
            for result in order.outputs(folder, photo.name).values():
                check_free(result, replace_old)
            yield photo.name, clean_photo(photo, settings, edits=mended).curves
