"""Walls where basins of the odds meet. Landscapes of our own."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import label

from inkclean.base.arrays import F32, F64, Bool
from inkclean.flats.walls.joins import on_cubic
from inkclean.flats.walls.ridges import find_ridges

PX_PER_MM = 8.0
SIDE = 160


def _split(gap: tuple[int, int], bend: float = 0.0) -> tuple[Bool, F32, F64]:
    """Return a line from top to bottom with a gap, the odds of a seam along it, and its places."""
    rows = np.arange(SIDE)
    place = 80 + bend * np.sin(np.pi * (rows - gap[0]) / (gap[1] - gap[0]))
    off = np.abs(np.arange(SIDE)[None] - place[:, None])
    ink = off < 2
    ink[gap[0] : gap[1]] = False
    return ink, np.asarray(4 - 1.5 * off, np.float32).clip(-8, 8), place


def _parted(ink: Bool, walls: Bool) -> int:
    return int(label(~(ink | walls))[1])


@pytest.mark.parametrize("bend", [0.0, 6.0, -9.0])
def test_a_gap_where_a_seam_is_seen_gets_one_wall_along_it(bend: float) -> None:
    ink, seam, place = _split((60, 96), bend)
    ridges = find_ridges(ink, seam, PX_PER_MM)
    assert len(ridges.joins) == 1
    assert _parted(ink, ridges.number > 0) == 2
    row, column = np.nonzero(ridges.number)
    assert np.abs(column - place[row]).max() <= 2.5
    x, y = on_cubic(ridges.joins.cubic, 50)[0].T
    inside = (y > 60) & (y < 96)
    assert np.abs(x - place[np.clip(y.astype(int), 0, SIDE - 1)])[inside].max() < 3.0


def test_a_gap_wider_than_the_limit_stays_open() -> None:
    ink, seam, _ = _split((40, 100))
    ridges = find_ridges(ink, seam, PX_PER_MM)
    assert len(ridges.within(5.0)) == 0
    assert len(ridges.within(8.0)) == 1
    nothing = np.zeros(ink.shape, np.int32)
    for joins, parts in ((ridges.within(5.0), 1), (ridges.within(8.0), 2)):
        laid = ridges.laid(nothing, joins, np.arange(len(joins)))
        assert _parted(ink, laid > 0) == parts


def test_no_seam_no_wall() -> None:
    ink, seam, _ = _split((60, 96))
    assert len(find_ridges(ink, np.full_like(seam, -8.0), PX_PER_MM).joins) == 0
    blank = np.zeros((SIDE, SIDE), bool)
    assert len(find_ridges(blank, np.full((SIDE, SIDE), -8, np.float32), PX_PER_MM).joins) == 0


def test_numbers_on_the_raster_are_those_of_the_joins() -> None:
    ink, seam, _ = _split((60, 96))
    ink[:, 20:24], seam[:, 18:26] = True, 4.0
    ink[100:130, 20:24] = False
    ridges = find_ridges(ink, seam, PX_PER_MM)
    assert len(ridges.joins) == 2
    for number in ridges.joins.ridge.tolist():
        row, column = np.nonzero(ridges.number == number)
        middle = on_cubic(ridges.joins.cubic[ridges.joins.ridge == number], 3)[0, 1]
        assert np.hypot(column.mean() - middle[0], row.mean() - middle[1]) < 2.0
