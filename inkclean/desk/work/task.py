"""What a worker process is asked for, and how far a page may be brought."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from inkclean.desk.edits import PageEdits

if TYPE_CHECKING:
    from inkclean.desk.work.printing import Printing

_INK = ("photo", "frame", "first", "sheet", "pencil", "cut", "specks", "ink", "lit")
_FLATS = ("lines", "labels", "flats", "colours", "things")
GOALS = {
    "look": _INK[:4],
    "ink": _INK,
    "marks": (*_INK, "marks"),
    "lettering": (*_INK, "marks", "lettering"),
    "flats": (*_INK, *_FLATS),
    "shade": (*_INK, *_FLATS, "relief"),
}
# What each purpose takes along: kinds of the clean results, and whether the areas are needed.
USES: dict[str, tuple[tuple[str, ...], bool]] = {
    "colour on": (("ink", "lines"), True),
    "print": (("ink", "tiff"), False),
    "enlarge": (("svg", "pdf"), False),
    "publish": (("lines",), False),
}


@dataclass(frozen=True)
class Purpose:
    """What files are fetched for: one of ``USES``, and the folder of the desk's they go to.

    ``name`` is what they are called, ``sha256`` that of the photo; ``printing`` is how they are
    printed, None for black lines alone.
    """

    use: str
    into: Path
    name: str
    sha256: str
    printing: Printing | None = None


@dataclass(frozen=True)
class More:
    """More photos of a page with their SHA-256: those joined with the first, and newer ones."""

    others: tuple[tuple[Path, str], ...] = ()
    newer: tuple[tuple[Path, str], ...] = ()


@dataclass(frozen=True)
class PageTask:
    """What to do with a page: ``goal`` is one of the stages' goals, or take, for ``purpose``.

    ``count`` is how long the page's log was: tasks of one count and goal are the same.
    ``more`` are more photos of the page; ``need_mb`` is about what the page takes in memory.
    """

    page: str
    source: Path
    number: int
    folder: Path
    work: PageEdits
    goal: str
    budget_mp: float
    count: int = 0
    need_mb: float = 0.0
    purpose: Purpose | None = None
    more: More = field(default_factory=More)
