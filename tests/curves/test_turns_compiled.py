"""Turns of the edge, seen and judged by what is compiled, beside OpenCV's and numpy's ways."""

from __future__ import annotations

import numpy as np
import pytest

from inkclean.base.arrays import F32, F64
from inkclean.curves import seen
from inkclean.curves.outlines import judge, surroundings

pytestmark = pytest.mark.skipif(
    not (seen.CAN_SEE and judge.CAN_JUDGE), reason="nothing was compiled here"
)


def _turns(count: int, low: F64, high: F64) -> tuple[F64, F64, F32]:
    """Return places, ways and hands."""
    rng = np.random.default_rng(count)
    angle = rng.uniform(0, 2 * np.pi, count)
    hands = np.where(rng.random(count) < 0.5, -1, 1).astype(np.float32)
    return rng.uniform(low, high, (count, 2)), np.stack((np.cos(angle), np.sin(angle)), 1), hands


def _both(coverage: F32, at: F64, way: F64, sign: F32) -> tuple[F32, F32]:
    wanted = surroundings._seen(at, way, sign, coverage)
    wanted = np.where(sign[:, None] < 0, 1 - wanted, wanted).astype(np.float32)
    found = np.full((len(at), surroundings.SIZE), 7, np.float32)
    first = 4 * surroundings.REACH
    seen.seen_turned(coverage, at, way, sign, surroundings._taps(), found, first)
    assert (found[:, :first] == 7).all() and (found[:, -2:] == 7).all()
    return wanted, found[:, first:-2]


def test_turns_are_seen_alike_at_borders_too() -> None:
    coverage = np.random.default_rng(3).random((60, 45), np.float32)
    wanted, found = _both(coverage, *_turns(500, np.array([-9.0, -9.0]), np.array([54.0, 69.0])))
    assert np.abs(found - wanted).max() < 5e-7


def test_turns_far_along_a_large_picture_are_seen_alike() -> None:
    coverage = np.random.default_rng(4).random((25, 61_000), np.float32)
    wanted, found = _both(coverage, *_turns(300, np.array([0.0, 0.0]), np.array([61_000, 25.0])))
    assert np.abs(found - wanted).max() < 5e-7


def test_no_way_at_all_is_no_fault() -> None:
    coverage = np.zeros((60, 45), np.float32)
    at, way, sign = _turns(3, np.array([20.0, 20.0]), np.array([25.0, 25.0]))
    way[0], way[1], at[2] = np.nan, 1e9, np.nan
    values = np.zeros((3, surroundings.SIZE), np.float32)
    seen.seen_turned(coverage, at, way, sign, surroundings._taps(), values, 0)


@pytest.mark.parametrize("count", [0, 1, 24, 25, 1000])
def test_turns_are_judged_alike(count: int) -> None:
    rng = np.random.default_rng(count)
    values = rng.normal(0, 2, (count, surroundings.SIZE)).astype(np.float32)
    wanted = judge.run_network(judge._layers(), values)
    assert np.abs(judge.run_compiled(values) - wanted).max(initial=0) < 1e-11


def test_what_does_not_fit_is_refused() -> None:
    weights, sizes = judge._laid()
    values, told = np.zeros((5, surroundings.SIZE), np.float32), np.zeros((5, 3))
    for bad in ((values[:4], weights, sizes, told), (values, weights[1:], sizes, told)):
        with pytest.raises(ValueError, match="do not fit"):
            judge._judge.judge(*bad)
    coverage, (at, way, sign) = np.zeros((9, 9), np.float32), _turns(5, np.zeros(2), np.ones(2))
    with pytest.raises(ValueError, match="do not fit"):
        seen.seen_turned(coverage, at[:4], way, sign, surroundings._taps(), values, 0)
    with pytest.raises(ValueError, match="do not fit"):
        seen.seen_turned(coverage, at, way, sign, surroundings._taps(), values, 60)
