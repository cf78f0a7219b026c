"""Lengths do not depend on where the arrays lie in memory; nearness is exact."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from inkclean.base.arrays import (
    F32,
    any_within,
    count_up,
    distance_to_paper,
    distinct,
    length,
    median,
    offsets_of,
)


def _at(values: F32, start: int) -> F32:
    room = np.empty(values.size + 64, np.float32)
    moved = room[start : start + values.size].reshape(values.shape)
    moved[:] = values
    return moved


def test_the_same_wherever_the_arrays_lie() -> None:
    rng = np.random.default_rng(5)
    across, down = rng.random((2, 503, 497), np.float32)
    first = length(across, down)
    np.testing.assert_allclose(first, np.hypot(across, down), rtol=1e-6)
    for start in range(1, 17):
        assert (length(_at(across, start), _at(down, (3 * start) % 16)) == first).all()


def test_groups_end_to_end() -> None:
    counts = np.array([3, 0, 2])
    assert offsets_of(counts).tolist() == [0, 3, 3, 5]
    assert count_up(counts).tolist() == [0, 1, 2, 0, 1]
    assert offsets_of(np.zeros(0, np.int64)).tolist() == [0]
    assert offsets_of(np.array([True, False, True])).tolist() == [0, 1, 1, 2]


def test_distances_are_roots_of_whole_numbers() -> None:
    mask = np.random.default_rng(2).random((300, 411)) < 0.98
    away = distance_to_paper(mask)
    row, column = np.nonzero(~mask)
    for y, x in ((0, 0), (150, 200), (299, 410)):
        squared = int(((row - y) ** 2 + (column - x) ** 2).min())
        assert away[y, x] == np.sqrt(np.float32(squared))
    assert (away == np.sqrt(np.rint(away.astype(np.float64) ** 2)).astype(np.float32)).all()


def test_distances_on_a_page_that_is_all_ink_are_bounded() -> None:
    assert distance_to_paper(np.ones((30, 40), np.uint8)).max() <= 50.0


@pytest.mark.parametrize(
    ("points", "places", "reach"), [(500, 40, 3.0), (60, 300, 9.0), (0, 3, 1.0)]
)
def test_nearness_is_that_of_all_pairs(points: int, places: int, reach: float) -> None:
    random = np.random.default_rng(points)
    own, other = random.random((points, 2)) * 100 - 20, random.random((places, 2)) * 90
    apart = np.hypot(*(own[:, None] - other).transpose(2, 0, 1))
    assert np.array_equal(any_within(own, other, reach), (apart < reach).any(axis=1))
    assert not any_within(own, np.zeros((0, 2)), reach).any()


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("count", [1, 2, 64, 65, 1000, 10_001])
def test_the_median_is_numpys_to_the_bit(count: int, kind: type[np.float32 | np.float64]) -> None:
    rng = np.random.default_rng(count)
    for values in (rng.normal(size=count), np.round(rng.normal(size=count), 1)):
        some: Any = values.astype(kind)
        found = median(some)
        assert found == np.median(some) and found.dtype == some.dtype
    wide: Any = rng.normal(size=(2 * count, 3)).astype(kind)
    assert median(wide[::2, :2]) == np.median(wide[::2, :2])


def test_a_median_with_what_is_no_number_is_none() -> None:
    values = np.ones(200)
    values[70] = np.nan
    assert np.isnan(median(values))


@pytest.mark.parametrize("count", [0, 1, 2, 1000])
def test_distinct_values_are_those_of_numpy(count: int) -> None:
    values = np.random.default_rng(count).integers(-300, 300, count)
    assert np.array_equal(distinct(values), np.unique(values))
    assert np.array_equal(distinct(np.repeat(values[:1], 5)), values[:1])
