from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import U8
from inkclean.base.errors import InputError
from inkclean.flats.colour.hints import Hints, colour_by_hints, hints_in_picture
from inkclean.flats.colour.palette import PAPER
from inkclean.flats.values import BACKGROUND, Flats
from tests.flats.small_maps import cells, flats_of, lined, neighbours_of, two_rooms

RED, BLUE, GREEN = (200, 60, 50), (40, 90, 200), (60, 140, 70)


def _points(*rows: tuple[float, float, tuple[int, int, int], str]) -> Hints:
    return Hints(
        np.array([row[:2] for row in rows], np.float64),
        np.arange(len(rows), dtype=np.int32),
        np.array([row[2] for row in rows], np.uint8),
        tuple(row[3] for row in rows),
    )


def _strip(kinds: list[int]) -> Flats:
    """Return upright stripes of 10 × 20 px at 1 px/mm, one for each kind."""
    labels = np.repeat(np.arange(1, len(kinds) + 1, dtype=np.int32), 10)[None].repeat(20, 0)
    return flats_of(labels, 1.0, kinds)


def _colours(flats: Flats, hints: Hints) -> list[tuple[int, ...]]:
    after, colouring = colour_by_hints(flats, lined(flats, 1), hints)
    assert len(after.areas) == len(flats.areas)
    return [tuple(colour) for colour in colouring.palette[colouring.of_area[1:]].tolist()]


def test_each_dab_fills_its_area() -> None:
    found = _colours(_strip([0, 0]), _points((5, 5, RED, ""), (15, 5, BLUE, "")))
    assert found == [RED, BLUE]


def test_dabs_of_one_colour_are_one_colour_under_the_first_name() -> None:
    flats = _strip([0, 0, 0])
    hints = _points((5, 5, RED, ""), (15, 5, BLUE, "sea"), (25, 5, RED, "skin"), (27, 9, RED, "x"))
    _, colouring = colour_by_hints(flats, lined(flats, 1), hints)
    assert colouring.names[1:] == ("skin", "sea")
    assert colouring.of_area.tolist() == [0, 1, 2, 1]


def test_an_untouched_area_follows_the_longest_stretch_of_its_edge() -> None:
    labels = np.full((40, 40), 1, np.int32)
    labels[:, 20:] = 2
    labels[10:30, 14:22] = 3  # mostly in the left one
    flats = flats_of(labels, 1.0)
    assert _colours(flats, _points((5, 5, RED, ""), (35, 5, BLUE, "")))[2] == RED


def test_what_touches_no_coloured_area_follows_at_second_hand() -> None:
    assert _colours(_strip([0, 0, 0, 0]), _points((5, 5, RED, ""))) == [RED] * 4


def test_untouched_background_stays_paper_and_a_pocket_beside_it_does_not() -> None:
    found = _colours(_strip([BACKGROUND, 0, 0]), _points((25, 5, RED, "")))
    assert found == [tuple(PAPER.tolist()), RED, RED]


def test_background_takes_a_dab_like_any_other() -> None:
    assert _colours(_strip([BACKGROUND, 0]), _points((5, 5, BLUE, ""), (15, 5, RED, ""))) == [
        BLUE,
        RED,
    ]


def test_dabs_across_a_missed_gap_split_the_area_at_the_gap() -> None:
    flats, ink = two_rooms()
    hints = _points((5, 5, RED, "left"), (40, 20, BLUE, "right"))
    after, colouring = colour_by_hints(flats, ink, hints)
    shown = colouring.palette[colouring.of_area[after.labels]]
    truth = np.zeros_like(shown)
    truth[:] = PAPER
    truth[20:220, 20:240], truth[20:220, 240:460] = RED, BLUE
    off = ink.coverage == 0
    wrong = (shown != truth).any(axis=2) & off
    # the seam may lie anywhere between the gap's ends, 16 px apart and 4 px thick
    assert wrong.sum() <= 16 * 8
    assert not wrong[:, :228].any()
    assert not wrong[:, 252:].any()


def test_the_pieces_of_a_split_have_true_rows() -> None:
    flats, ink = two_rooms()
    after, _ = colour_by_hints(flats, ink, _points((5, 5, RED, ""), (40, 20, BLUE, "")))
    assert after.areas["label"].tolist() == [1, 2, 3, 4]
    assert set(np.unique(after.labels)) == {1, 2, 3, 4}
    for row in after.areas[[1, 3]]:
        paper = (after.labels == row["label"]) & (ink.coverage < 0.5)
        assert row["size_mm2"] == pytest.approx(paper.sum() / 64)
        y, x = np.nonzero(paper)
        box = (row["left_mm"], row["top_mm"], row["right_mm"], row["bottom_mm"])
        assert box == pytest.approx(
            (x.min() / 8, y.min() / 8, (x.max() + 1) / 8, (y.max() + 1) / 8)
        )
        assert paper[int(row["y_mm"] * 8), int(row["x_mm"] * 8)]
    ring = after.areas[2]
    left = after.labels[120, 40]
    assert ring["enclosing"] == left
    expected = neighbours_of(after.labels.astype(np.int32), 8.0)
    np.testing.assert_array_equal(after.neighbours[["a", "b"]], expected[["a", "b"]])


def test_three_colours_in_one_area_give_three_pieces() -> None:
    flats = flats_of(np.ones((60, 200), np.int32), 4.0)
    ink = lined(flats)
    hints = _points((5, 7, RED, ""), (25, 7, BLUE, ""), (45, 7, GREEN, ""))
    after, colouring = colour_by_hints(flats, ink, hints)
    shown = colouring.palette[colouring.of_area[after.labels[28]]]
    turns = np.flatnonzero((shown[1:] != shown[:-1]).any(axis=1))
    assert len(turns) == 2
    # half-way between the dabs, as nothing else tells where
    np.testing.assert_allclose(turns / 4, [15, 35], atol=1.5)


def test_the_flats_given_are_left_as_they_were() -> None:
    flats, ink = two_rooms()
    before = flats.labels.copy(), flats.areas.copy()
    colour_by_hints(flats, ink, _points((5, 5, RED, ""), (40, 20, BLUE, "")))
    np.testing.assert_array_equal(flats.labels, before[0])
    np.testing.assert_array_equal(flats.areas, before[1])


def _painted(width: int = 300, height: int = 200) -> U8:
    return np.zeros((height, width, 4), np.uint8)


def test_a_picture_of_soft_dabs_gives_their_colours_exactly() -> None:
    picture = _painted()
    cv2.circle(picture, (60, 60), 20, (*RED, 255), -1, cv2.LINE_AA)
    cv2.line(picture, (150, 50), (250, 150), (*BLUE, 255), 7, cv2.LINE_AA)
    cv2.circle(picture, (60, 150), 10, (*RED, 255), -1)
    hints = hints_in_picture(picture, 30, 20)
    assert sorted(map(tuple, hints.colours.tolist())) == sorted([RED, RED, BLUE])
    assert len(hints.names) == 3  # blended rims make no dabs of their own
    for dab in range(3):
        at = hints.points[hints.dab == dab]
        assert (at >= 0).all()
        assert (at <= [30, 20]).all()
    middles = [hints.points[hints.dab == dab].mean(axis=0) for dab in range(3)]
    found = sorted((round(x), round(y)) for x, y in middles)
    assert found == [(6, 6), (6, 15), (20, 10)]


def test_a_picture_without_transparency_reads_colour_not_ink() -> None:
    picture = np.full((200, 300, 4), 255, np.uint8)
    cv2.line(picture, (0, 100), (300, 100), (0, 0, 0, 255), 5, cv2.LINE_AA)
    cv2.circle(picture, (60, 50), 20, (*GREEN, 255), -1, cv2.LINE_AA)
    hints = hints_in_picture(picture, 30, 20)
    assert hints.colours.tolist() == [list(GREEN)]
    assert np.hypot(*(hints.points - [6, 5]).T).max() < 2.3


def test_a_dab_that_spills_a_little_does_not_colour_the_neighbour() -> None:
    flats = _strip([0, 0, 0])
    picture = _painted(300, 200)
    cv2.rectangle(picture, (40, 50), (110, 80), (*RED, 255), -1)  # a seventh lies in the second
    cv2.rectangle(picture, (140, 120), (170, 150), (*BLUE, 255), -1)
    cv2.rectangle(picture, (240, 120), (270, 150), (*GREEN, 255), -1)
    assert _colours(flats, hints_in_picture(picture, 30, 20)) == [RED, BLUE, GREEN]


def test_one_stroke_over_many_areas_colours_them_all() -> None:
    picture = _painted(300, 200)
    cv2.rectangle(picture, (4, 20), (296, 180), (*RED, 255), -1)
    assert _colours(_strip([0] * 3), hints_in_picture(picture, 30, 20)) == [RED] * 3


def test_the_smallest_dab_is_not_lost_in_a_large_picture() -> None:
    picture = _painted(3000, 2000)
    cv2.rectangle(picture, (100, 100), (2500, 900), (*RED, 255), -1)
    picture[1500:1503, 2800:2803] = (*BLUE, 255)
    hints = hints_in_picture(picture, 30, 20)
    assert hints.colours.tolist() == [list(RED), list(BLUE)]
    np.testing.assert_allclose(hints.points[hints.dab == 1].mean(axis=0), [28, 15], atol=0.03)


def test_thin_strokes_beside_broad_ones_keep_their_colour() -> None:
    picture = _painted()
    cv2.circle(picture, (60, 60), 20, (*RED, 255), -1)
    cv2.line(picture, (150, 50), (250, 60), (*BLUE, 255), 1)
    picture[150, 20] = (*GREEN, 255)
    hints = hints_in_picture(picture, 30, 20)
    assert sorted(map(tuple, hints.colours.tolist())) == sorted([RED, BLUE, GREEN])


@pytest.mark.parametrize("value", [0, 255])
def test_a_picture_without_a_dab_is_refused(value: int) -> None:
    with pytest.raises(InputError, match="no dab"):
        hints_in_picture(np.full((20, 30, 4), value, np.uint8), 30, 20)


def test_more_colours_than_a_palette_holds_are_refused() -> None:
    count = 300
    rows = [(1.0, 1.0, (k % 256, k // 256, 7), "") for k in range(count)]
    flats = cells(5, 40, 1)
    with pytest.raises(InputError, match="too many"):
        colour_by_hints(flats, lined(flats), _points(*rows))


def test_no_area_at_all() -> None:
    flats = _strip([0])
    none = replace(flats, labels=flats.labels * 0, areas=flats.areas[:0])
    _, colouring = colour_by_hints(none, lined(none, 1), _points((5, 5, RED, "")))
    assert colouring.used == []
