"""Order, memory and deaths of the processes that share the work."""

from __future__ import annotations

import itertools
from pathlib import Path

from inkclean.jobs.crew.room import _container_mb, free_memory_mb
from inkclean.jobs.processes import Pool
from tests.jobs import pool_tasks


def test_results_come_in_order() -> None:
    items = [(3, "slow"), (1, ""), (2, ""), (5, "slow"), (4, "")]
    pool = Pool(pool_tasks.square, pool_tasks.lost, jobs=2)
    assert list(pool.run(items, [1.0] * 5)) == [9, 1, 4, 25, 16]
    assert list(pool.run([], [])) == []


def test_one_death_loses_one_item_and_no_other() -> None:
    items = [(1, ""), (2, "die"), (3, "slow"), (4, ""), (5, "")]
    pool = Pool(pool_tasks.square, pool_tasks.lost, jobs=2)
    assert list(pool.run(items, [1.0] * 5)) == [1, -2, 9, 16, 25]


def test_an_item_is_tried_once_more(tmp_path: Path) -> None:
    items = [(2, f"once:{tmp_path / 'mark'}"), (3, "")]
    pool = Pool(pool_tasks.square, pool_tasks.lost, jobs=2)
    assert list(pool.run(items, [1.0] * 2)) == [4, 9]


def test_no_more_side_by_side_than_memory_holds() -> None:
    pool = Pool(pool_tasks.span, lambda item: (0.0, 0.0), jobs=2, room_mb=100.0)
    spans = list(pool.run(["", "", ""], [80.0, 80.0, 300.0]))
    for (_, end), (start, _) in itertools.pairwise(spans):
        assert start >= end


def test_free_memory_is_believable() -> None:
    assert 50.0 < free_memory_mb() < 1e8


def test_a_container_has_less(tmp_path: Path) -> None:
    # Linux, control groups v2: memory.max in bytes, or the word max; memory.current in bytes
    assert _container_mb(tmp_path) == float("inf")
    (tmp_path / "memory.current").write_text(f"{300 << 20}\n")
    (tmp_path / "memory.max").write_text("max\n")
    assert _container_mb(tmp_path) == float("inf")
    (tmp_path / "memory.max").write_text(f"{1024 << 20}\n")
    assert _container_mb(tmp_path) == 724.0
