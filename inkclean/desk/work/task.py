"""What a worker process is asked for."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from inkclean.desk.edits import PageEdits
from inkclean.desk.work.printing import Printing


@dataclass(frozen=True)
class Purpose:
    """What files are fetched for: one of ``take.USES``, and the folder of the desk's they go to.

    ``name`` is what they are called, ``sha256`` that of the photo; ``printing`` is how they are
    printed.
    """

    use: str
    into: Path
    name: str
    sha256: str
    printing: Printing = field(default_factory=Printing)


@dataclass(frozen=True)
class PageTask:
    """What to do with a page: ``goal`` is one of the stages' goals, or take, for ``purpose``.

    ``count`` is how long the page's log was: tasks of one count and goal are the same.
    ``need_mb`` is about what the page takes in memory.
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
