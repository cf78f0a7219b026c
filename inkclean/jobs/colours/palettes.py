"""Where a page finds the colours of its book, and whether it follows them."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from inkclean.deliver.book_file import read_book
from inkclean.deliver.flats_record import read_edits
from inkclean.jobs.ticket import Ticket

_FLATS = "flats"


def palette_of(asked: Path | None, ticket: Path | None, edits: Mapping[str, Any]) -> Path | None:
    """Return the file of the book's colours: the one asked for, else the ticket's if it is there.

    Without it a page keeps the colours that it had.
    """
    flats = edits.get(_FLATS)
    kept = flats.get("palette") if isinstance(flats, Mapping) else None
    if asked is not None or ticket is None or not isinstance(kept, str) or not kept:
        return asked
    path = ticket.parent / kept
    return path if path.is_file() else None


def palette_record(palette: Path | None, ticket: Path, edits: Mapping[str, Any]) -> dict[str, str]:
    """Return the way from the ticket to the book's colours; what it was if there is no file."""
    if palette is not None:
        try:
            way = os.path.relpath(palette.resolve(), ticket.parent.resolve())
        except ValueError:  # on another drive
            way = str(palette.resolve())
        return {"palette": Path(way).as_posix()}
    flats = edits.get(_FLATS)
    kept = flats.get("palette") if isinstance(flats, Mapping) else None
    return {"palette": kept} if isinstance(kept, str) else {}


def follows(ticket: Ticket, path: Path | None, asked: Path | None) -> bool:
    """Tell whether the ticket's dabs, at ``path``, have the book's colours of now.

    Raises:
        InputError: the file of the book's colours is none.
    """
    palette = palette_of(asked, path, ticket.edits)
    hints = read_edits(ticket.edits.get(_FLATS, {}))[1]
    if palette is None or hints is None:
        return True
    now = read_book(palette).followed(hints)
    return bool((now.colours == hints.colours).all()) and now.names == hints.names
