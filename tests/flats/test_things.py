"""Parts of one thing behind another get one first colour: told on drawn pages."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import F64, I32
from inkclean.flats.colour.colours import colour_areas
from inkclean.flats.colour.things import things_of
from inkclean.flats.find import find_flats
from inkclean.flats.values import BACKGROUND, FIGURE, Flats
from inkclean.ink.values import Ink, Pencil
from tests.flats.small_maps import flats_of

SCALE = 8.0  # px/mm


def _page(*layers: tuple[F64, int], size: tuple[int, int] = (100, 100)) -> Flats:
    """Return a page of polygons (mm), one over the other; parts that are cut are areas apart."""
    drawn = np.zeros((round(size[1] * SCALE), round(size[0] * SCALE)), np.uint8)
    for points, number in layers:
        at = np.round(points * SCALE * 16).astype(np.int32)
        cv2.fillPoly(drawn, [at], number, cv2.LINE_8, 4)
    labels: I32 = np.zeros(drawn.shape, np.int32)
    kinds: list[int] = []
    for number in range(int(drawn.max()) + 1):
        count, parts = cv2.connectedComponents((drawn == number).astype(np.uint8), connectivity=4)
        for part in range(1, count):
            kinds.append(FIGURE if number else BACKGROUND)
            labels[parts == part] = len(kinds)
    return flats_of(labels, SCALE, kinds)


def _disc(x: float, y: float, radius: float) -> F64:
    t = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    return np.stack([x + radius * np.cos(t), y + radius * np.sin(t)], axis=1)


def _box(left: float, top: float, right: float, bottom: float, turn: float = 0.0) -> F64:
    points = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    middle = points.mean(axis=0)
    c, s = np.cos(turn), np.sin(turn)
    return np.asarray((points - middle) @ np.array([[c, s], [-s, c]]) + middle)


def _thing(flats: Flats, *places: tuple[float, float]) -> list[int]:
    things = things_of(flats)
    return [int(things[flats.labels[int(y * SCALE), int(x * SCALE)] - 1]) for x, y in places]


def _colour(flats: Flats, *places: tuple[float, float]) -> list[int]:
    of = colour_areas(flats).of_area
    return [int(of[flats.labels[int(y * SCALE), int(x * SCALE)]]) for x, y in places]


@pytest.mark.parametrize("turn", np.linspace(0, np.pi, 9).tolist())
@pytest.mark.parametrize("width", [5.0, 12.0])
def test_a_moon_behind_a_neck_is_one_thing(turn: float, width: float) -> None:
    neck = _box(50 - width / 2, 5, 50 + width / 2, 95, turn)
    flats = _page((_disc(52, 48, 24), 1), (neck, 2))
    side = 16 * np.array([np.cos(turn), np.sin(turn)])
    halves = tuple((52 + s * side[0], 48 + s * side[1]) for s in (1, -1))
    one, other, front = _thing(flats, *halves, (50.0, 50.0))
    assert one == other != front
    first, second, before = _colour(flats, *halves, (50.0, 50.0))
    assert first == second != before


def test_a_wall_seen_through_a_rail_is_one_thing() -> None:
    posts = [(_box(x, 20, x + 3, 95), 2) for x in (20.0, 35.0, 50.0, 65.0)]
    flats = _page((_box(8, 45, 90, 80), 1), *posts)
    seen = [(14.0, 60.0), (28.0, 60.0), (42.0, 60.0), (58.0, 60.0), (80.0, 60.0)]
    assert len(set(_thing(flats, *seen))) == 1
    assert len(set(_colour(flats, *seen))) == 1


def test_two_moons_are_two_things() -> None:
    neck = _box(45, 5, 55, 95)
    flats = _page((_disc(38, 30, 14), 1), (_disc(62, 72, 14), 3), (neck, 2))
    one, other = _thing(flats, (32.0, 30.0), (68.0, 72.0))
    assert one != other


def test_areas_that_touch_stay_apart() -> None:
    flats = _page((_box(10, 10, 50, 90), 1), (_box(50, 10, 90, 90), 2))
    assert len(set(_thing(flats, (30.0, 50.0), (70.0, 50.0), (5.0, 5.0)))) == 3


def test_a_page_without_areas_has_no_things() -> None:
    flats = flats_of(np.ones((50, 50), np.int32), SCALE, [BACKGROUND])
    assert things_of(flats).tolist() == [0]


def _inked(*lines: F64, white: F64 | None = None, width_mm: float = 0.5) -> Ink:
    """Return ink of lines (mm); the last lies over a white ``white``, which hides the others."""
    page = np.zeros((round(100 * SCALE), round(100 * SCALE)), np.uint8)
    for number, line in enumerate(lines):
        if number == len(lines) - 1 and white is not None:
            cv2.fillPoly(page, [np.round(white * SCALE * 16).astype(np.int32)], 0, cv2.LINE_AA, 4)
        at = np.round(line * SCALE * 16).astype(np.int32)
        cv2.polylines(page, [at], True, 255, round(width_mm * SCALE), cv2.LINE_AA, 4)
    soft = np.asarray(cv2.GaussianBlur(page, (0, 0), 0.7) / np.float32(255), np.float32)
    return Ink(soft, SCALE, Pencil(False, (), 0.0, None, "none"))


@pytest.mark.parametrize("turn", [0.2, 1.1, 2.4])
def test_a_moon_drawn_in_ink_behind_a_neck_gets_one_colour(turn: float) -> None:
    neck = _box(46, 15, 54, 85, turn)
    flats = find_flats(_inked(_disc(52, 48, 24), neck, white=neck))
    side = 16 * np.array([np.cos(turn), np.sin(turn)])
    halves = tuple((52 + s * side[0], 48 + s * side[1]) for s in (1, -1))
    assert len({int(flats.labels[int(y * SCALE), int(x * SCALE)]) for x, y in halves}) == 2
    one, other, front = _colour(flats, *halves, (50.0, 50.0))
    assert one == other != front
