"""Walls that fall: what is compiled gives what tables of Python give, to the bit."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from inkclean.flats.merging import falling
from inkclean.flats.merging.falling import Merging
from inkclean.flats.walls.judge import KNOWN, LOWEST
from inkclean.flats.walls.rooms import Rooms

OF_WALLS = ("wall", "odds", "gaps", "a", "b", "ends", "openings", "patch")
OF_ROOMS = ("size", "inner", "outline", "parent", "whole", "paper")


def _merging(seed: int, rooms: int) -> Merging:
    """Return rooms of all sizes, every one beside some others and most beside the first."""
    rng = np.random.default_rng(seed)
    one, other = rng.integers(1, rooms + 1, (2, 3 * rooms))
    one = np.append(one, np.arange(2, rooms + 1, 2))
    other = np.append(other, np.ones(len(one) - len(other), np.int64))
    pairs = np.unique(np.stack([np.minimum(one, other), np.maximum(one, other)], axis=1), axis=0)
    a, b = pairs[pairs[:, 0] < pairs[:, 1]].T
    size, inner = rng.lognormal(2, 2, (2, rooms + 1))
    of_rooms = SimpleNamespace(count=rooms, size=size, inner=inner, a=a, b=b)
    wall = rng.normal(0, 9, (len(a), KNOWN))
    made = Merging(cast(Rooms, of_rooms), wall, 8.0)
    made.odds = rng.normal(0, 4, len(a))
    made.odds[rng.random(len(a)) < 0.1] = np.inf
    made.gaps = rng.normal(0, 1, len(a))
    made.ends, made.openings, made.patch = rng.integers(0, 9, (3, len(a)))
    made.odds[0] = -np.inf
    made.whole, made.paper = rng.integers(0, 4, (2, rooms + 1)) * (rng.random(rooms + 1) < 0.4)
    made.whole[made.a[0]] = 0
    return made


@pytest.mark.skipif(falling._compiled is None, reason="not compiled here")
@pytest.mark.parametrize("rooms", [2, 60, 700])
@pytest.mark.parametrize("seed", range(4))
def test_walls_fall_the_same(seed: int, rooms: int, monkeypatch: pytest.MonkeyPatch) -> None:
    fast = _merging(seed, rooms)
    monkeypatch.setattr(falling, "_compiled", None)
    plain = _merging(seed, rooms)
    rng = np.random.default_rng(seed)
    for _ in range(12):
        rows = rng.permutation(len(fast.odds))[: 1 + len(fast.odds) // 6]
        limit = rng.normal(0, 3, len(fast.odds))
        monkeypatch.undo()
        changed = fast.fall(rows, limit)
        monkeypatch.setattr(falling, "_compiled", None)
        assert np.array_equal(changed, plain.fall(rows, limit))
        for name in OF_WALLS + OF_ROOMS:
            one, other = getattr(fast, name), getattr(plain, name)
            assert np.array_equal(one, other, equal_nan=one.dtype == np.float64), name
        for made in (fast, plain):
            made.odds[changed] = made.wall[changed, LOWEST]
    assert np.isnan(fast.odds).any()


@pytest.mark.skipif(falling._compiled is None, reason="not compiled here")
def test_walls_that_are_none_are_refused() -> None:
    made = _merging(0, 60)
    none = np.zeros(len(made.odds))
    for rows, limit in (
        (np.array([-1]), none),
        (np.array([10**6]), none),
        (np.arange(1), none[:3]),
    ):
        with pytest.raises(ValueError, match="fit each other"):
            made.fall(rows, limit)
