"""Edges through points given by hand, checked against curves known in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from inkclean.base.errors import UsageError
from inkclean.base.units import PAPERS
from inkclean.pipeline import parse_outline
from inkclean.sheet.framing.bowed import sides_through
from inkclean.sheet.framing.frame import given_frame, to_photo
from inkclean.sheet.values import Photo

CORNERS = np.array([[100.0, 80.0], [820.0, 80.0], [820.0, 1100.0], [100.0, 1100.0]])
NONE = np.zeros((0, 2))


def test_one_point_makes_a_parabola_through_it() -> None:
    sides = sides_through(CORNERS, [np.array([[460.0, 60.0]]), NONE, NONE, NONE])
    assert sides is not None
    x, y = sides[0].T
    t = (x - 100) / 720
    np.testing.assert_allclose(y, 80 - 4 * 20 * t * (1 - t), atol=1e-9)
    np.testing.assert_allclose(sides[2][[0, -1]], CORNERS[[2, 3]])
    assert np.ptp(sides[1][:, 0]) == 0


def test_a_wave_comes_back_between_its_points() -> None:
    t = np.linspace(0, 1, 17)[1:-1]
    wave = np.stack([100 + 720 * t, 80 + 12 * np.sin(2 * np.pi * t)], axis=1)
    sides = sides_through(CORNERS, [wave, NONE, NONE, NONE])
    assert sides is not None
    s = (sides[0][:, 0] - 100) / 720
    np.testing.assert_allclose(sides[0][:, 1], 80 + 12 * np.sin(2 * np.pi * s), atol=0.05)


def test_the_text_of_an_outline_gives_corners_and_points_between() -> None:
    corners, between = parse_outline("1,2 3,4 5,6;7,8;9,10;11,12 13,14")
    np.testing.assert_array_equal(corners, [[1, 2], [7, 8], [9, 10], [11, 12]])
    assert [len(points) for points in between] == [2, 0, 0, 1]
    np.testing.assert_array_equal(between[0], [[3, 4], [5, 6]])


def test_the_sheet_follows_the_bowed_edge() -> None:
    photo = Photo(np.zeros((1200, 900, 3), np.uint8), None, "blank")
    bowed = [np.array([[460.0, 50.0]]), NONE, NONE, NONE]
    frame = given_frame(photo, CORNERS, PAPERS["A4"], bowed)
    middles = np.array([[105, 0], [105, 297], [0, 148.5], [105, 148.5]])
    at = to_photo(frame, middles)
    # halfway down, a Coons patch has half of the bow
    np.testing.assert_allclose(at, [[460, 50], [460, 1100], [100, 590], [460, 575]], atol=0.2)


@pytest.mark.parametrize(
    "points",
    [[[900, 80]], [[460, 80], [300, 80]], [[460, -400]], [[50, 80]]],
    ids=["past the end", "back", "too far", "before the start"],
)
def test_an_edge_that_turns_back_is_refused(points: list[list[float]]) -> None:
    with pytest.raises(UsageError, match="turns back or bends too far"):
        sides_through(CORNERS, [np.array(points, float), NONE, NONE, NONE])


@pytest.mark.parametrize(
    "text", ["1,2;3,4;5,6", "1,2 3;4,5;6,7;8,9", "a;b;c;d", ";;;", "1,2;3,4;5,6;nan,1"]
)
def test_what_is_no_outline_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="is not understood"):
        parse_outline(text)
