"""How long a batch will still take, from what its pages took so far.

Pages are weighed by their size: time grows with the pixels to the power of 0.6 (measured, see
``tests/benchmarks/RESULTS.md``). What workers have done of pages that are not told yet counts as
done.
"""

from __future__ import annotations

from collections.abc import Sequence

_POWER = 0.6


class Foresight:
    """Learns from each page in turn; ``sizes`` are the megapixels of all, in their order.

    ``workers`` work at once; 0 where nobody knows how many: then what came so far, in the time
    since the first was begun, tells how much comes.
    """

    def __init__(self, sizes: Sequence[float], workers: int) -> None:
        self._weights = [float(max(size, 0.1) ** _POWER) for size in sizes]
        self._workers = workers
        self._told = 0
        self._seconds = 0.0  # spent on pages told, also on those that stood
        self._made_seconds = 0.0
        self._made_weight = 0.0
        self._made = 0
        self._begun: float | None = None

    def learn(self, begun: float, seconds: float, stood: bool) -> None:
        """Take note of the next page: when work on it began, what it took, whether it stood."""
        if self._begun is None:
            self._begun = begun
        self._seconds += seconds
        if not stood:
            self._made += 1
            self._made_seconds += seconds
            self._made_weight += self._weights[self._told]
        self._told += 1

    def left(self, now: float) -> float | None:
        """Return the seconds until all is done, None before any page was made."""
        if not self._made or self._begun is None:
            return None
        rest = sum(self._weights[self._told :]) / self._made_weight
        if not self._workers:
            return rest * (now - self._begun)
        rest *= self._made_seconds
        ahead = 0.0
        if self._workers > 1:
            ahead = (now - self._begun) * self._workers - self._seconds
        # at the end one worker goes on while the others have nothing left
        tail = (self._workers - 1) / (2 * self._workers) * self._made_seconds / self._made
        return max(0.0, rest - max(0.0, ahead)) / self._workers + (tail if rest else 0.0)
