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

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Add the time that the block takes to ``name``."""
        clock, start = time.time(), time.perf_counter()
        yield
        spent = time.perf_counter() - start
        self.seconds[name] = self.seconds.get(name, 0.0) + spent
        self.spans.append(Span(name, clock, spent))
