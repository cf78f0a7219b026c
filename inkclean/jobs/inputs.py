"""What a command is given: photos, tickets, folders of them, and names that may not clash."""

from __future__ import annotations

import os
import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path

from inkclean.base.errors import InputError, UsageError
from inkclean.deliver.files import is_contact
from inkclean.jobs.ticket import Ticket, file_hash, read_ticket
from inkclean.settings import OPTIONS, Settings
from inkclean.sheet.values import Photo

PICTURES = {".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif", ".pdf"}
SEVERAL_PAGES = {".tif", ".tiff", ".pdf"}
TICKET = ".ticket.json"
# what the tool itself leaves beside a photo is no photo (.tone.png: an older name of .grey.png)
_OWN = (
    *(".ink.png", ".lines.png", ".pencil.png", ".grey.png", ".tone.png", ".proof.png"),
    *(".lettering.png", ".balloons.png", ".art.png", ".contact.png", ".ink.tiff"),
    *(".flats.png", ".areas.png", ".flats-proof.png"),
    *(".press.tiff", ".press.pdf", ".tiles.pdf"),
)

_PLATE = re.compile(r"\.plate-[a-z0-9-]+\.tiff$")


def gather(inputs: Sequence[Path]) -> list[Path]:
    """Return the picture files named, folders replaced by the pictures in them, by name.

    Raises:
        InputError: a folder cannot be read or holds no pictures.
    """
    found: list[Path] = []
    for path in inputs:
        if not is_folder(path):
            found.append(path)
            continue
        held = _pictures(path)
        if not held:
            raise InputError(
                f"{path} holds no photos; give a folder with JPEG, PNG, HEIC or PDF files"
            )
        found.extend(held)
    return list(dict.fromkeys(found))


def gather_pages(inputs: Sequence[Path]) -> list[Path]:
    """Return the files named; a folder stands for the tickets in it, else for its pictures.

    Raises:
        InputError: a folder cannot be read or holds neither.
    """
    found: list[Path] = []
    for path in inputs:
        tickets = sorted(path.glob(f"*{TICKET}")) if is_folder(path) else []
        found += tickets or gather([path])
    return list(dict.fromkeys(found))


def is_folder(path: Path) -> bool:
    """Tell whether a path is a folder; False for one that cannot be read."""
    try:
        return path.is_dir()
    except (OSError, ValueError):  # too long a name, a folder that may not be entered
        return False


def _pictures(folder: Path) -> list[Path]:
    try:
        items = sorted(folder.iterdir())
    except OSError as error:
        raise InputError(f"{folder} cannot be read ({error.strerror})") from error
    names = {item.name for item in items}
    return [
        item
        for item in items
        if item.suffix.lower() in PICTURES
        and not item.name.startswith(".")
        and not is_result_name(item.name, names)
        and not _is_contact(item)
    ]


def is_result_name(name: str, beside: Collection[str]) -> bool:
    """Tell whether a file is a result of the tool; ``beside`` are the names in its folder."""
    if name.endswith(_OWN) or _PLATE.search(name):
        return True
    # NAME.pdf beside NAME.ticket.json was written by the tool; any other PDF is a scan
    return name.endswith(".pdf") and name.removesuffix(".pdf") + TICKET in beside


def _is_contact(path: Path) -> bool:
    """Tell whether a PNG is a contact sheet: those may have any name."""
    return path.suffix.lower() == ".png" and is_contact(path)


def check_names(paths: Sequence[Path], folder: Path | None) -> None:
    """Refuse inputs whose results would have the same names.

    Raises:
        UsageError: two inputs share a name.
    """
    taken: dict[Path, Path] = {}
    for path in paths:
        place = (folder or path.parent) / path.stem
        if place in taken:
            raise UsageError(
                f"{taken[place]} and {path} would give results of the same name; "
                "rename one, or clean them into different folders with -o"
            )
        taken[place] = path


@dataclass(frozen=True)
class Given:
    """What one input names: a photo with its SHA-256, how to clean it, its ticket if it was one.

    ``others`` are more photos of the same page, with theirs, ``newer`` those made later.
    """

    photo: Path
    sha256: str
    settings: Settings
    ticket: Ticket | None = None
    others: tuple[tuple[Path, str], ...] = ()
    newer: tuple[tuple[Path, str], ...] = ()

    @property
    def overrides(self) -> tuple[str, ...]:
        """What was asked for in place of what the ticket says, each in words."""
        if self.ticket is None:
            return ()
        now, before = self.settings, self.ticket.settings_used
        names = [item.name for item in fields(Settings)]
        return tuple(
            f"--{OPTIONS.get(name, name)} {_shown(getattr(now, name))} as typed, in place of "
            f"{_shown(getattr(before, name))} in the ticket"
            for name in names
            if getattr(now, name) != getattr(before, name)
        )

    def pictures(self) -> Iterator[tuple[int, Photo]]:
        """Yield number and picture of each page meant: the ticket's, or all of the file's.

        Raises:
            InputError: the file cannot be read.
        """
        from inkclean.page import Page
        from inkclean.sheet.read import read_photos

        if self.others or self.newer:
            number = 1 if self.ticket is None else self.ticket.page
            others, newer = (tuple(p for p, _ in group) for group in (self.others, self.newer))
            page = Page(self.photo, self.settings, number=number, others=others, newer=newer)
            yield number, page.photo
            return
        photos = read_photos(self.photo, budget_mp=self.settings.budget_mp)
        for number, photo in enumerate(photos, 1):
            if self.ticket is None or self.ticket.page == number:
                yield number, photo


def open_input(
    path: Path,
    settings: Settings,
    others: Sequence[Path] = (),
    typed: Collection[str] = (),
) -> Given:
    """Return what an input names; ``settings`` are for a photo, a ticket brings its own.

    ``others`` are more photos of the same page. ``typed`` are the names of the settings that
    were spelled out: they win over the ticket's.

    Raises:
        InputError: the file cannot be read, or a ticket's photo is gone or has changed.
    """
    if not path.name.endswith(TICKET):
        more = tuple((other, file_hash(other)) for other in others)
        return Given(path, file_hash(path), settings, None, more)
    ticket = read_ticket(path)
    photo = photo_of(path, ticket)
    more = tuple(
        (_photo_of(path, Path(o.photo).name, Path(o.photo).parent.as_posix()), o.sha256)
        for o in ticket.others
    )
    for each, sha256 in ((photo, ticket.sha256), *more):
        if file_hash(each) != sha256:
            raise InputError(f"{each} has changed since {path.name} was written; clean it again")
    newer = [other.newer for other in ticket.others]
    joined = tuple(one for one, late in zip(more, newer, strict=True) if not late)
    later = tuple(one for one, late in zip(more, newer, strict=True) if late)
    wanted = replace(ticket.settings_used, **{name: getattr(settings, name) for name in typed})
    return Given(photo, ticket.sha256, wanted, ticket, joined, later)


def _shown(value: object) -> str:
    if isinstance(value, tuple):
        return ",".join(map(str, value))
    return f"{value:g}" if isinstance(value, float) else str(value)


def together(paths: Sequence[Path]) -> tuple[Path, tuple[Path, ...]]:
    """Return the first of several photos of one page, and the others.

    Raises:
        UsageError: there is one only, or a ticket or address among them.
    """
    if len(paths) < 2:
        raise UsageError("--as-one joins photos of one page: give two or more")
    for path in paths:
        if path.name.endswith(TICKET):
            raise UsageError(f"--as-one joins photos; {path.name} is a ticket, give its photos")
    return paths[0], tuple(paths[1:])


def photo_of(path: Path, ticket: Ticket) -> Path:
    """Return where the photo of the ticket at ``path`` lies.

    Raises:
        InputError: it is not there.
    """
    return _photo_of(path, Path(ticket.photo).name, ticket.folder)


def _photo_of(path: Path, name: str, folder: str) -> Path:
    """Return where a ticket's photo lies: where it was, or beside the ticket."""
    places = [path.with_name(name)]
    if folder:
        places.insert(0, path.parent / folder / name)
    for place in places:
        if place.exists():
            return place
    looked = " and ".join(str(Path(os.path.normpath(place.parent))) for place in places)
    raise InputError(f"{path} needs its photo {name}, which is not in {looked}; put it there")
