"""Parts of a disc that black cuts are one thing: told on drawn pages, black on black."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import F32, F64, U8
from inkclean.flats.colour.colours import colour_areas
from inkclean.flats.colour.discs import Black, discs_of
from inkclean.flats.colour.things import things_of
from inkclean.flats.find import find_flats
from inkclean.flats.values import Flats
from inkclean.ink.values import Ink, Pencil

SCALE = 8.0  # px/mm
SIDE = 100  # mm


def _disc(x: float, y: float, radius: float, wobble: float = 0.0, rays: float = 0.0) -> F64:
    t = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    r = radius + wobble * np.sin(3 * t + 1) + rays * (np.arange(720) // 3 % 2)
    return np.stack([x + r * np.cos(t), y + r * np.sin(t)], axis=1)


def _band(x: float, y: float, broad: float, turn: float) -> F64:
    way = np.array([np.cos(turn), np.sin(turn)])
    side = np.array([-way[1], way[0]]) * broad / 2
    middle = np.array([x, y])
    return np.stack(
        [middle + 90 * way + side, middle + 90 * way - side, middle - 90 * way - side,
         middle - 90 * way + side]
    )  # fmt: skip


def _page(*layers: tuple[F64, int]) -> Ink:
    """Return ink: polygons in mm, white (0) or black (255), in a black panel on paper."""
    page: U8 = np.zeros((round(SIDE * SCALE), round(SIDE * SCALE)), np.uint8)
    page[40:-40, 40:-40] = 255
    for points, value in layers:
        inside = np.zeros_like(page)
        cv2.fillPoly(inside, [np.round(points * SCALE * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
        inside[:40] = inside[-40:] = inside[:, :40] = inside[:, -40:] = 0
        page[inside > 0] = value
    coverage: F32 = (page / np.float32(255)).astype(np.float32)
    return Ink(coverage, SCALE, Pencil(False, (), 0.0, None, ""))


def _things(flats: Flats, *places: tuple[float, float]) -> list[int]:
    things = things_of(flats)
    return [int(things[flats.labels[int(y * SCALE), int(x * SCALE)] - 1]) for x, y in places]


@pytest.mark.parametrize("turn", [0.0, 0.8, 1.9])
@pytest.mark.parametrize(("wobble", "rays"), [(0.0, 0.0), (0.6, 0.0), (0.0, 2.0)])
def test_a_moon_behind_a_black_neck_is_one_thing(turn: float, wobble: float, rays: float) -> None:
    ink = _page((_disc(50, 50, 28, wobble, rays), 0), (_band(54, 50, 8, turn), 255))
    flats = find_flats(ink)
    side = 18 * np.array([-np.sin(turn), np.cos(turn)])
    one, other = _things(flats, (52 + side[0], 50 + side[1]), (52 - side[0], 50 - side[1]))
    assert one == other
    rows = colour_areas(flats).of_area[flats.labels]
    a, b = (rows[int((50 + s * side[1]) * SCALE), int((52 + s * side[0]) * SCALE)] for s in (1, -1))
    assert a == b


def test_a_moon_in_four_parts_is_one_thing() -> None:
    ink = _page((_disc(50, 50, 30), 0), (_band(50, 50, 7, 0.3), 255), (_band(50, 50, 6, 1.9), 255))
    turns = 0.3 + np.array([0.8, 2.4, 3.9, 5.5])
    seen = [(50 + 20 * np.cos(t), 50 + 20 * np.sin(t)) for t in turns]
    assert len(set(_things(find_flats(ink), *seen))) == 1


def test_two_moons_in_a_black_sky_are_two_things() -> None:
    ink = _page((_disc(28, 50, 18), 0), (_disc(72, 50, 18), 0))
    one, other = _things(find_flats(ink), (28, 50), (72, 50))
    assert one != other


def test_half_moons_of_other_sizes_are_two_things() -> None:
    ink = _page(
        (_disc(46, 50, 26), 0), (_band(74, 50, 56, np.pi / 2), 255),
        (np.array([[52.0, 38], [74, 38], [74, 62], [52, 62]]), 0),
    )  # fmt: skip
    one, other = _things(find_flats(ink), (30, 50), (60, 50))
    assert one != other


def test_halves_with_a_line_between_are_two_things() -> None:
    ink = _page((_disc(50, 50, 28), 0), (_band(50, 50, 0.5, 0.4), 255))
    one, other = _things(find_flats(ink), (45, 65), (55, 35))
    assert one != other


def test_nothing_is_told_without_a_black() -> None:
    ink = _page((_disc(50, 50, 28), 0))
    flats = find_flats(ink)
    bare = replace(ink, coverage=np.zeros_like(ink.coverage))
    black = Black.of(bare.coverage, SCALE)
    assert discs_of(flats.labels, black, flats.areas).shape == (0, 2, 2)
