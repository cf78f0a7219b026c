"""How many pages are worked on at once: as many as there are cores, memory and work for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Protocol

from inkclean.jobs.crew.room import SHARE, cores, free_memory_mb

# Megapixels that a process must get for its start (about 1 s) to pay: some 3 s of work
_PAYS_MP = 8.0
_MB_PER_GB = 1024.0


class Sized(Protocol):
    """A task whose need is known beforehand."""

    def need_mb(self) -> float:
        """Return the memory in MB that its largest page is predicted to take."""

    def megapixels(self) -> float:
        """Return how many megapixels are worked on, about."""


@dataclass(frozen=True)
class Crew:
    """``workers`` pages are worked on at once; ``why`` says what that rests on, in words."""

    workers: int
    why: str

    def text(self) -> str:
        """Return the line that says what was chosen."""
        at_once = "1 page at a time" if self.workers == 1 else f"{self.workers} pages at once"
        return f"{at_once}: {self.why}"


def crew_for(tasks: Sequence[Sized], asked: int | None = None) -> Crew:
    """Return how many tasks run side by side: ``asked``, or what this machine has room for.

    One process more costs its start: what is soon done is not shared out.
    """
    if asked is not None:
        return Crew(max(1, min(asked, len(tasks))), "as typed")
    there = cores()
    room = free_memory_mb()
    need = median(task.need_mb() for task in tasks) if tasks else 0.0
    fits = max(1, int(room * SHARE / need)) if need else there
    enough = max(1, int(sum(task.megapixels() for task in tasks) / _PAYS_MP))
    workers = max(1, min(there, fits, len(tasks), enough))
    have = f"{there} core{'' if there == 1 else 's'}, {room / _MB_PER_GB:.1f} GB of memory free"
    if workers == fits < there:
        have += f", a page takes {need / _MB_PER_GB:.1f}"
    elif workers == enough < there:
        have += ", soon done"
    return Crew(workers, have)
