"""No outline crosses itself or another: held against an independent search for crossings."""

from __future__ import annotations

import numpy as np
import pytest

from inkclean.base.arrays import F32, F64, I64, offsets_of
from inkclean.curves.outlines.tips import all_crossings, crossing_pieces, pieces_of
from inkclean.curves.trace import trace
from inkclean.page import Page
from tests.curves import drawings, shapes
from tests.curves.crossings import crossings
from tests.curves.raster import coverage_of
from tests.data import missing
from tests.scoring.cases import case, photo, shoot


def _crossed(coverage: F32, px_per_mm: float) -> F64:
    curves = trace(coverage, px_per_mm)
    loops = [shapes.evenly(loop, 1.0) for loop in shapes.loops_px(curves, px_per_mm, 12)]
    return crossings(loops, 1.01)


def test_crossings_are_found() -> None:
    bow = np.array([[0.3, 0.1], [9.2, 8.0], [9.4, 0.2], [0.1, 7.7]])
    far = bow + np.array([30.0, 0.0])
    found = crossings([shapes.evenly(bow, 0.7), shapes.evenly(far, 0.7)], 0.8)
    assert len(found) == 2 and np.ptp(found[:, 0]) == pytest.approx(30.0)
    square = shapes.evenly(np.array([[0, 0], [5, 0], [5, 5], [0, 5.0]]), 0.7)
    assert len(crossings([square], 0.8)) == 0
    assert len(crossings([square, square + np.array([2.3, 1.1])], 0.8)) == 2


def test_tips_between_near_lines_cross_nothing() -> None:
    # Wedges that point at a bar from both sides and nearly touch it, at every slant.
    rng = np.random.default_rng(4)
    for _ in range(30):
        gap, half = rng.uniform(0.3, 1.5), np.tan(np.radians(rng.uniform(4, 20)))
        bar = np.array([[10, 60], [120, 60], [120, 63], [10, 63.0]])
        loops = [bar]
        for x in (30, 60, 90):
            tip = np.array([x + rng.uniform(-8, 8), 60 - gap])
            way = np.array([rng.uniform(-0.7, 0.7), -1.0])
            side = np.array([half, 0.0])
            loops.append(
                shapes.clockwise(np.array([tip, *(tip + 40 * (way + s * side) for s in (-1, 1))]))
            )
        assert len(_crossed(coverage_of(loops, 130, 130), 12.0)) == 0


@pytest.mark.slow
@missing("vector")
@pytest.mark.parametrize("group", drawings.FIGURES)
def test_drawings_cross_nothing(group: str) -> None:
    for file in drawings.files(group)[::4]:
        assert len(_crossed(drawings.figure(file, 256).coverage, 12.0)) == 0


@pytest.mark.slow
def test_a_photographed_page_crosses_nothing() -> None:
    _, shot = shoot(case("plain"))
    ink = Page(photo(shot)).ink
    assert len(_crossed(ink.coverage, ink.px_per_mm)) == 0


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("share", [0.02, 0.5, 1.0])
def test_crossings_of_most_pieces_are_those_found_one_by_one(seed: int, share: float) -> None:
    """Each pair that a search from every side finds, and no other, whatever share is asked for."""
    rng = np.random.default_rng(seed)
    counts = rng.integers(3, 60, 40)
    loops = offsets_of(counts)
    middle = np.repeat(rng.uniform(0, 60, (40, 2)), counts, axis=0)
    pieces = pieces_of(middle + rng.normal(0, 2.5, (int(loops[-1]), 2)), loops)
    side = np.flatnonzero(rng.random(int(loops[-1])) < share)

    def pairs(found: tuple[I64, I64]) -> set[tuple[int, int]]:
        both = np.sort(np.stack(found, axis=1), axis=1)
        return {(int(a), int(b)) for a, b in both}

    wanted = pairs(crossing_pieces(pieces, side))
    assert len(wanted) > 10 or share < 0.1
    assert pairs(all_crossings(pieces, side)) == wanted


def test_no_pieces_cross_nothing() -> None:
    loops = np.array([0, 4])
    square = np.array([[0.0, 0.0], [3.0, 0.0], [3.0, 3.0], [0.0, 3.0]])
    pieces = pieces_of(square, loops)
    for side in (np.zeros(0, np.int64), np.arange(4)):
        assert [part.size for part in all_crossings(pieces, side)] == [0, 0]


def test_pieces_that_come_near_are_found_within_their_reach() -> None:
    # The left square ends just short of a square of the grid, in which the right one begins.
    square = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    tip = np.array([[2.01, 0.5], [2.9, 0.9], [2.9, 0.1]])
    points = np.vstack((square + np.array([0.99, 0.0]), tip))
    pieces, side = pieces_of(points, np.array([0, 4, 7])), np.arange(4)
    assert all_crossings(pieces, side)[0].size == 0
    assert all_crossings(pieces, side, np.full(7, 0.009))[0].size == 0
    one, two = all_crossings(pieces, side, np.full(7, 0.011))
    assert {(int(a), int(b)) for a, b in zip(one, two, strict=True)} == {(1, 4), (1, 6)}
