"""The desk's folder: photos in it, the pages they hold, names that the browser may know."""

from __future__ import annotations

import hashlib
import json
import os
import re
import secrets
import threading
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from inkclean.base.errors import InputError, UsageError
from inkclean.deliver.files import placed
from inkclean.desk.work.task import More
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
    """One picture of a photo file: what the desk calls it, and where it comes from.

    ``more`` are more photos of the same page.
    """

    id: str
    path: Path
    sha256: str
    number: int
    name: str
    more: More = field(default_factory=More)


class Shelf:
    """The pages of a folder. Only ids made here lead to files, never a name from outside."""

    def __init__(self, folder: Path, own: Path) -> None:
        self._folder, self._own = folder, own
        self._lock = threading.Lock()
        self._pages: dict[str, ShelfPage] = {}
        self._hidden: dict[str, ShelfPage] = {}
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
            self._pages, self._hidden = self._gathered(pages)

    def _gathered(
        self, pages: dict[str, ShelfPage]
    ) -> tuple[dict[str, ShelfPage], dict[str, ShelfPage]]:
        """Return the pages with their further photos, and those photos, which are no pages."""
        hidden: dict[str, ShelfPage] = {}
        for first, (others, newer) in self._sets().items():
            if first not in pages:
                continue
            groups = [[pages[word] for word in words if word in pages] for words in (others, newer)]
            for page in (*groups[0], *groups[1]):
                hidden[page.id] = page
            with_hash = [tuple((page.path, page.sha256) for page in group) for group in groups]
            pages[first] = replace(pages[first], more=More(*with_hash))
        return {word: page for word, page in pages.items() if word not in hidden}, hidden

    def _sets(self) -> dict[str, tuple[list[str], list[str]]]:
        """Return by the id of a page's first photo those joined with it, and newer ones."""
        try:
            found = json.loads((self._own / "together.json").read_text("utf-8"))
            return {
                str(first): ([str(w) for w in one["others"]], [str(w) for w in one["newer"]])
                for first, one in found.items()
            }
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return {}

    def join(self, words: Sequence[str]) -> ShelfPage:
        """Count several photos as views of one page, that of the first; return it.

        Raises:
            UsageError: there are not two.
            LookupError: one is not on the desk.
        """
        chosen = [self._pages[word] for word in dict.fromkeys(words)]
        if len(chosen) < 2:
            raise UsageError("choose two photos or more that show one page")
        return self._keep(chosen[0], chosen[1:], "others")

    def renew(self, word: str, newer: str) -> ShelfPage:
        """Count a photo as one made later of a page, in place of those before; return the page.

        Raises:
            UsageError: it is the page's own photo.
            LookupError: one is not on the desk.
        """
        if word == newer:
            raise UsageError("this is the photo that the page has already")
        return self._keep(self._pages[word], [self._pages[newer]], "newer")

    def _keep(self, first: ShelfPage, more: Sequence[ShelfPage], kind: str) -> ShelfPage:
        for page in (first, *more) if kind == "others" else more:
            if page.number != 1:
                raise UsageError(
                    f"{page.name} is a page of a file with several; save it as a picture of its own"
                )
            if page is not first and page.more != More():
                raise UsageError(f"{page.name} has several photos already; take them apart first")
        sets = self._sets()
        others, newer = sets.get(first.id, ([], []))
        into = others if kind == "others" else newer
        into += [page.id for page in more]
        sets[first.id] = (others, newer)
        self._write_sets(sets)
        return self._pages[first.id]

    def part(self, word: str) -> ShelfPage:
        """Make the photos of a page pages of their own again; return that of the first.

        Raises:
            LookupError: the page is not on the desk.
        """
        page = self._pages[word]
        self._write_sets({k: v for k, v in self._sets().items() if k != page.id})
        return self._pages[word]

    def _write_sets(self, sets: dict[str, tuple[list[str], list[str]]]) -> None:
        body = {first: {"others": both[0], "newer": both[1]} for first, both in sets.items()}
        with placed(self._own / "together.json", True) as draft:
            draft.write_text(json.dumps(body), "utf-8")
        self.scan()

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
        here = (*self.pages(), *self._hidden.values())
        same = [page for page in here if page.sha256 == digest]
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
