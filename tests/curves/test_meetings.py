"""What the centrelines are measured by: junctions and single lines among true lines."""

from __future__ import annotations

import numpy as np
import pytest

from inkclean.base.arrays import F64
from tests.curves.meetings import PARTED, alone, true_junctions

WIDTH = 3.0


def _line(x0: float, y0: float, x1: float, y1: float) -> F64:
    share = np.linspace(0.0, 1.0, round(2 * np.hypot(x1 - x0, y1 - y0)))[:, None]
    return np.asarray([x0, y0] + share * np.array([x1 - x0, y1 - y0]))


@pytest.mark.parametrize("degrees", [50.0, 70.0, 90.0])
def test_lines_that_cross_meet_once_by_either_rule(degrees: float) -> None:
    turn = np.radians(degrees)
    x, y = 40.0 * np.cos(turn), 40.0 * np.sin(turn)
    lines = [_line(-40.0, 0.0, 40.0, 0.0), _line(-x, -y, x, y)]
    for places in (true_junctions(lines, WIDTH), true_junctions(lines, WIDTH, parted=PARTED)):
        assert len(places) == 1
        assert np.hypot(*places[0]) < 1.5
    assert alone(lines, WIDTH).all()


def test_lines_side_by_side_in_one_ink_do_not_meet() -> None:
    lines = [_line(0.0, 0.0, 80.0, 0.0), _line(0.0, 2.5, 80.0, 2.5)]
    assert len(true_junctions(lines, WIDTH, parted=PARTED)) == 0
    assert not alone(lines, WIDTH).any()


def test_lines_that_part_are_single_where_paper_shows_between_them() -> None:
    lines = [_line(0.0, 0.0, 80.0, 0.0), _line(0.0, 0.0, 80.0, 16.0)]
    single = alone(lines, WIDTH)
    points = np.vstack(lines)
    assert not single[points[:, 0] < 12.0].any()
    assert single[points[:, 0] > 22.0].all()
    places = true_junctions(lines, WIDTH, parted=PARTED)
    assert len(places) <= 1
