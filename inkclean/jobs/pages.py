"""Where a page comes from: a photo, or a ticket whose photo is cleaned as the ticket says."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from inkclean.base.errors import InputError
from inkclean.ink.edits import InkEdits, read_ink_edits
from inkclean.jobs.inputs import TICKET
from inkclean.jobs.ticket import Ticket, file_hash, read_ticket
from inkclean.settings import Settings
from inkclean.sheet.values import Photo


@dataclass(frozen=True)
class Given:
    """What one input names: a photo with its SHA-256, how to clean it, its ticket if it was one."""

    photo: Path
    sha256: str
    settings: Settings
    ticket: Ticket | None = None

    @property
    def mended(self) -> InkEdits:
        """What the ticket says was mended in the ink by hand."""
        return read_ink_edits({} if self.ticket is None else self.ticket.edits.get("ink", {}))

    def pictures(self) -> Iterator[tuple[int, Photo]]:
        """Yield number and picture of each page meant: the ticket's, or all of the file's.

        Raises:
            InputError: the file cannot be read.
        """
        from inkclean.sheet.read import read_photos

        photos = read_photos(self.photo, budget_mp=self.settings.budget_mp)
        for number, photo in enumerate(photos, 1):
            if self.ticket is None or self.ticket.page == number:
                yield number, photo


def open_input(path: Path, settings: Settings) -> Given:
    """Return what an input names; ``settings`` are for a photo, a ticket brings its own.

    Raises:
        InputError: the file cannot be read, or a ticket's photo is gone or has changed.
    """
    if not path.name.endswith(TICKET):
        return Given(path, file_hash(path), settings)
    ticket = read_ticket(path)
    photo = path.with_name(Path(ticket.photo).name)
    if not photo.exists():
        raise InputError(f"{path} needs its photo {photo.name} in the same folder; put it there")
    if file_hash(photo) != ticket.sha256:
        raise InputError(f"{photo} has changed since {path.name} was written; clean it again")
    return Given(photo, ticket.sha256, ticket.settings_used, ticket)
