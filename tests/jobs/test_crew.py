"""How many pages are worked on at once, and how well the time left is foreseen."""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from inkclean.cli.options import progress
from inkclean.jobs.crew import choose
from inkclean.jobs.crew.choose import crew_for
from inkclean.jobs.crew.foresight import Foresight
from inkclean.jobs.crew.room import cores


@dataclass(frozen=True)
class _Task:
    mb: float = 700.0
    mp: float = 12.0

    def need_mb(self) -> float:
        return self.mb

    def megapixels(self) -> float:
        return self.mp


@pytest.mark.parametrize(
    ("there", "room_mb", "task", "count", "asked", "workers"),
    [
        (4, 16000.0, _Task(), 50, None, 4),
        (4, 16000.0, _Task(), 3, None, 3),
        (4, 2000.0, _Task(), 50, None, 2),  # 0.8 of it holds two
        (4, 100.0, _Task(), 50, None, 1),
        (4, 16000.0, _Task(mp=0.5), 20, None, 1),  # done before a second process has begun
        (1, 16000.0, _Task(), 50, None, 1),
        (1, 100.0, _Task(), 50, 3, 3),
    ],
)
def test_as_many_pages_at_once_as_cores_memory_and_work_allow(
    monkeypatch: pytest.MonkeyPatch,
    there: int,
    room_mb: float,
    task: _Task,
    count: int,
    asked: int | None,
    workers: int,
) -> None:
    monkeypatch.setattr(choose, "cores", lambda: there)
    monkeypatch.setattr(choose, "free_memory_mb", lambda: room_mb)
    chosen = crew_for([task] * count, asked)
    assert chosen.workers == workers
    if asked is None:
        assert f"{there} core" in chosen.text() and "GB of memory free" in chosen.text()


def test_a_container_may_have_fewer_cores(tmp_path: Path) -> None:
    # Linux, control groups v2: cpu.max has the quota, or the word max, and the period
    everything = cores(tmp_path)
    (tmp_path / "cpu.max").write_text("max 100000\n")
    assert cores(tmp_path) == everything >= 1
    (tmp_path / "cpu.max").write_text("100000 100000\n")
    assert cores(tmp_path) == 1
    (tmp_path / "cpu.max").write_text("5000 100000\n")
    assert cores(tmp_path) == 1


def _ran(seconds: list[float], workers: int, start: float) -> list[tuple[float, float]]:
    """Return when each page was begun and done by workers that take them in order."""
    free = [start] * workers
    heapq.heapify(free)
    spans = []
    for each in seconds:
        begun = heapq.heappop(free)
        spans.append((begun, begun + each))
        heapq.heappush(free, begun + each)
    return spans


@pytest.mark.parametrize("workers", [1, 2, 4])
@pytest.mark.parametrize("known", [True, False])
def test_after_a_tenth_the_time_left_is_right_within_a_fifth(workers: int, known: bool) -> None:
    # fifty pages of 3 to 48 MP in turn; known: as many seconds as foreseen, else all as large
    sizes = np.tile([3.0, 12.0, 12.0, 24.0, 48.0], 10) if known else np.full(50, 12.0)
    seconds = sizes**0.6 * np.random.default_rng(4).uniform(0.9, 1.1, 50)
    spans = _ran(seconds.tolist(), workers, start=1.5)
    foresight = Foresight(sizes.tolist(), workers)
    assert foresight.left(1.0) is None
    end = max(done for _, done in spans)
    told_at = 0.0
    for number, (begun, done) in enumerate(spans[:-1], 1):
        told_at = max(told_at, done)
        foresight.learn(begun, done - begun, stood=False)
        left = foresight.left(told_at)
        assert left is not None
        # near the end nobody knows better than half of the longest page
        if number >= 5:
            assert left == pytest.approx(end - told_at, rel=0.2, abs=max(seconds) / 2)


def test_pages_that_stood_foretell_nothing_of_the_rest() -> None:
    foresight = Foresight([12.0] * 10, 1)
    for _ in range(4):
        foresight.learn(0.0, 0.01, stood=True)
    assert foresight.left(0.04) is None
    foresight.learn(0.04, 5.0, stood=False)
    assert foresight.left(5.04) == pytest.approx(25.0)


def test_time_left_is_told_to_about_a_tenth() -> None:
    told = [progress(1, 9, "a", left) for left in (2.0, 48.0, 58.0, 192.0, 700.0, 7300.0)]
    assert [line.partition("about ")[2] for line in told] == [
        *("5 s left", "50 s left", "1 min left"),
        *("3 min 10 s left", "12 min left", "2 h 2 min left"),
    ]
    assert progress(0, 9, "a", None) == "page 1 of 9: a"
