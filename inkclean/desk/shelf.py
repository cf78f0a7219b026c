"""The desk's folder: photos in it, the pages they hold, names that the browser may know."""

from __future__ import annotations

import hashlib
import json
import os
import re
import secrets
import threading
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from inkclean.base.errors import InputError
from inkclean.deliver.files import placed
from inkclean.jobs.inputs import PICTURES, gather
from inkclean.jobs.ticket import file_hash

_HEADS = (
    (b"\xff\xd8\xff", ".jpg"),
    (b"\x89PNG\r\n\x1a\n", ".png"),
    (b"II*\0", ".tif"),
    (b"MM\0*", ".tif"),
    (b"%PDF-", ".pdf"),
)
_UNFIT = re.compile(r"[^\w \-]+")
_LONGEST_NAME = 60


@dataclass(frozen=True)
class ShelfPage:
    """One picture of a photo file: what the desk calls it, and where it comes from."""

    id: str
    path: Path
    sha256: str
    number: int
    name: str


class Shelf:
    """The pages of a folder. Only ids made here lead to files, never a name from outside."""

    def __init__(self, folder: Path, own: Path) -> None:
        self._folder, self._own = folder, own
        self._lock = threading.Lock()
        self._pages: dict[str, ShelfPage] = {}
        self._known: dict[tuple[Path, int, int], str] = {}
        own.mkdir(parents=True, exist_ok=True)
        self.scan()

    def scan(self) -> None:
        """Look for photos that came into the folder by themselves, or left it."""
        with self._lock:
            try:
                paths = gather([self._folder])
            except InputError:
                paths = []
            pages: dict[str, ShelfPage] = {}
            for path in paths:
                if not path.is_symlink() and path.is_file():
                    for page in self._pages_of(path):
                        pages.setdefault(page.id, page)
            self._pages = pages

    def _pages_of(self, path: Path) -> list[ShelfPage]:
        state = path.stat()
        key = (path, state.st_size, state.st_mtime_ns)
        if key not in self._known:
            self._known[key] = file_hash(path)
        digest = self._known[key]
        count = _count(path)
        found = []
        for number in range(1, count + 1):
            word = hashlib.sha256(f"{digest} {number}".encode()).hexdigest()[:20]
            name = path.stem if count == 1 else f"{path.stem}-{number}"
            found.append(ShelfPage(word, path, digest, number, name))
        return found

    def page(self, word: str) -> ShelfPage:
        """Return the page of that id.

        Raises:
            LookupError: there is none.
        """
        return self._pages[word]

    def pages(self) -> list[ShelfPage]:
        """Return all pages, in the order they were laid out in."""
        place = {word: k for k, word in enumerate(self._order())}
        return sorted(self._pages.values(), key=lambda page: place.get(page.id, len(place)))

    def _order(self) -> list[str]:
        try:
            found = json.loads((self._own / "order.json").read_text("utf-8"))
        except (OSError, ValueError):
            return []
        return [word for word in found if isinstance(word, str)] if isinstance(found, list) else []

    def lay_out(self, words: Iterable[str]) -> None:
        """Keep another order of the pages."""
        known = [word for word in words if word in self._pages]
        with placed(self._own / "order.json", True) as draft:
            draft.write_text(json.dumps(known), "utf-8")

    def draft(self) -> Path:
        """Return a path for bytes on their way in."""
        return self._own / f"incoming-{secrets.token_hex(8)}"

    def take_in(self, draft: Path, called: str) -> list[ShelfPage]:
        """Put a file that came in among the photos under a fit name; return its pages.

        A photo that is there already is not kept twice. ``called`` is a hint and no path.

        Raises:
            InputError: it is no picture of a known kind.
        """
        with draft.open("rb") as handle:
            head = handle.read(1024)
        ending = next((end for start, end in _HEADS if head.startswith(start)), None)
        if ending is None and head[4:8] == b"ftyp":
            ending = ".heic"
        if ending is None and head[:4] == b"RIFF" and head[8:12] == b"WEBP":
            ending = ".webp"
        if ending is None or ending not in PICTURES:
            raise InputError(
                f"{called[:60]} is not a photo; use JPEG, PNG, TIFF, WebP, HEIC or PDF"
            )
        digest = file_hash(draft)
        same = [page for page in self.pages() if page.sha256 == digest]
        if same:
            draft.unlink()
            return same
        stem = _UNFIT.sub(" ", called.rpartition(".")[0] or called).strip(" .")[:_LONGEST_NAME]
        stem = stem or "page"
        number, name = 1, stem
        while any(self._folder.glob(f"{_plain(name)}.*")):
            number += 1
            name = f"{stem} {number}"
        target = self._folder / (name + ending)
        os.link(draft, target)  # fails, rather than writes over, if the name was taken meanwhile
        draft.unlink()
        self.scan()
        return [page for page in self.pages() if page.sha256 == digest]


def _plain(name: str) -> str:
    return "".join(f"[{letter}]" if letter in "[]*?" else letter for letter in name)


def _count(path: Path) -> int:
    """Return how many pictures a file holds, by its header; one where that cannot be told."""
    if path.suffix.lower() == ".pdf":
        import pypdfium2

        try:
            return max(1, len(pypdfium2.PdfDocument(path)))
        except pypdfium2.PdfiumError:
            return 1
    if path.suffix.lower() in (".tif", ".tiff"):
        from PIL import Image

        try:
            with Image.open(path) as image:
                return int(getattr(image, "n_frames", 1))
        except (OSError, ValueError, SyntaxError):
            return 1
    return 1
