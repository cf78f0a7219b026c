"""A drawing is laid the same way however its sheet was turned or mirrored."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from inkclean.flats.turns import Turn, turn_of

WAYS = list(product((False, True), repeat=3))


@pytest.mark.parametrize("way", WAYS)
def test_there_and_back_is_where_it_was(way: tuple[bool, bool, bool]) -> None:
    raster = np.arange(35).reshape(5, 7)
    turn = Turn(5, 7, *way)
    assert np.array_equal(turn.back(turn.there(raster)), raster)
    points = np.random.default_rng(1).uniform(0, 5, (4, 3, 2))
    assert np.allclose(turn.points_back(turn.points(points)), points)


@pytest.mark.parametrize("way", WAYS)
def test_points_move_with_the_pixels_they_lie_in(way: tuple[bool, bool, bool]) -> None:
    raster = np.arange(35).reshape(5, 7)
    turn = Turn(5, 7, *way)
    row, column = np.indices(raster.shape)
    at = turn.points(np.stack([column, row], axis=-1) + 0.5)
    x, y = np.floor(at).astype(int).transpose(2, 0, 1)
    assert np.array_equal(turn.there(raster)[y, x], raster)


def test_every_way_to_hold_a_sheet_is_laid_the_same() -> None:
    rng = np.random.default_rng(5)
    for _ in range(200):
        size = rng.integers(3, 40, 2)
        size[1] = size[0] if rng.random() < 0.3 else size[1]
        coverage = rng.random(size).astype(np.float32)
        laid = turn_of(coverage).there(coverage)
        for mirrored, turns in product((False, True), range(4)):
            held = np.rot90(coverage[:, ::-1] if mirrored else coverage, turns)
            assert np.array_equal(turn_of(held).there(held), laid)


def test_a_bare_sheet_stays_as_it_is() -> None:
    assert turn_of(np.zeros((9, 5), np.float32)) == Turn(9, 5)
