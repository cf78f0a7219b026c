"""The book's colours on the desk: one file beside the pages, and which pages refer to it."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from inkclean.base.errors import InkcleanError
from inkclean.deliver.book_file import PALETTE, read_book, write_book
from inkclean.deliver.files import placed
from inkclean.desk.edits import Dab, PageEdits
from inkclean.flats.colour.book import BookColour, BookColours


class DeskBook:
    """The colours in ``palette.json``; whoever else changes the file is followed.

    ``count`` grows with every change, over restarts too.
    """

    def __init__(self, folder: Path, own: Path) -> None:
        self._path = folder / PALETTE
        self._kept = own / "book.count"
        self._lock = threading.RLock()
        self._seen: tuple[int, int] | None = None
        self._colours = BookColours()
        self._count = 0
        with suppress(OSError, ValueError):
            self._count = int(self._kept.read_text("ascii"))
        with suppress(InkcleanError):
            self._read()

    def now(self) -> BookColours:
        """Return the colours; what the file held last while it cannot be read."""
        with self._lock:
            with suppress(InkcleanError):
                self._read()
            return self._colours

    @property
    def count(self) -> int:
        """How often the book was changed."""
        with self._lock:
            return self._count

    def change(self, out: Sequence[BookColour], into: Sequence[BookColour]) -> None:
        """Replace the colours ``out`` by ``into``; it is on the disk when this returns.

        Raises:
            UsageError: they were changed meanwhile, or a name is taken.
            InkcleanError: the file cannot be read or written.
        """
        with self._lock:
            self._read()
            made = self._colours.changed(out, into)
            if made != self._colours:
                write_book(made, self._path)
                self._colours, self._seen = made, self._state()
                self._more()

    def _read(self) -> None:
        state = self._state()
        if state is None or state == self._seen:
            return
        found = read_book(self._path)
        if found != self._colours and self._seen is not None:
            self._more()
        self._colours, self._seen = found, state

    def _state(self) -> tuple[int, int] | None:
        try:
            found = self._path.stat()
        except OSError:
            return None
        return found.st_mtime_ns, found.st_size

    def _more(self) -> None:
        self._count += 1
        with placed(self._kept, True) as draft:
            draft.write_text(f"{self._count}", "ascii")


def in_book(edits: PageEdits, book: BookColours) -> PageEdits:
    """Return the edits with what refers to the book in the colours and names of now."""

    def of_now(dab: Dab) -> Dab:
        found = book.find(dab[4]) if len(dab) == 5 else None
        return dab if found is None else (*dab[:2], found.colour, found.name, found.name)

    bound = {}
    for colour, (name, before) in edits.bound.items():
        found = book.find(name)
        bound[colour] = (name, before) if found is None else (found.name, found.colour)
    return replace(edits, dabs=tuple(map(of_now, edits.dabs)), bound=bound)


def refers(edits: PageEdits) -> set[str]:
    """Return the names of the book that a page refers to."""
    return {dab[4] for dab in edits.dabs if len(dab) == 5} | {n for n, _ in edits.bound.values()}


def change_told(out: Sequence[BookColour], into: Sequence[BookColour], pages: Sequence[str]) -> str:
    """Return in words what a change did, and to which ``pages``."""
    if not out:
        return f"{into[0].name} is a colour of the book now."
    if not into or all(colour.gone for colour in into):
        what = f"{out[0].name} is offered no more; pages that have it keep it."
    elif len(out) > 1:
        what = f"{' and '.join(colour.name for colour in out)} are one colour now, {into[0].name}"
    elif out[0].name != into[0].name:
        what = f"{out[0].name} is called {into[0].name} now"
    else:
        what = f"{into[0].name} changed"
    if what.endswith("."):
        return what
    if not pages:
        return f"{what}. No page has it yet."
    return f"{what} on {len(pages)} page{'s' * (len(pages) > 1)}: {', '.join(pages)}."
