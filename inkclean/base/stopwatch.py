"""How long each stage of the work took, and when it ran."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Span:
    """When a stage ran: its start in seconds since 1970, its length in seconds."""

    stage: str
    start: float
    seconds: float


@dataclass
class Stopwatch:
    """Seconds a stage, in the order of the stages, and when each ran."""

    seconds: dict[str, float] = field(default_factory=dict)
    spans: list[Span] = field(default_factory=list)
    _told: float = 0.0  # by all stages that have ended

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Add the time that the block takes to ``name``, but for what stages within it take.

        These may run in another thread, one after another, while the block does something else.
        """
        clock, start, told = time.time(), time.perf_counter(), self._told
        yield
        within = self._told - told
        spent = max(0.0, time.perf_counter() - start - within)
        self.seconds[name] = self.seconds.get(name, 0.0) + spent
        self.spans.append(Span(name, clock + within, spent))
        self._told += spent
