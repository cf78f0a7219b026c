"""What to check: few places, those whose mistake would cost most, and what the answers do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from inkclean.base.arrays import F64
from inkclean.flats.find import find_flats
from inkclean.flats.prepared import prepare
from inkclean.flats.values import AREA, BRIDGED, LINE, OPEN_GAP, FlatEdits, Rows
from inkclean.flats.walls.doubts import MOST, Judged, Tried, find_doubts
from inkclean.flats.walls.rooms import Rooms, find_rooms, lay, regrouped
from tests.flats.pages import LOOSE, make_page

# Rooms side by side on a page of 1 px/mm, all 20 mm high; a bridge of 2 mm between each two.
HIGH = 20


def _row_of_rooms(widths: tuple[int, ...], lines: tuple[int, ...] = ()) -> tuple[Rooms, F64]:
    """Return rooms in a row, and the cubics between them; those of ``lines`` are all ink."""
    at = np.cumsum(widths)[:-1]
    cubics = np.array([[(x + 0.5, y) for y in (9.0, 9.7, 10.3, 11.0)] for x in at])
    ink = np.zeros((HIGH, sum(widths)), bool)
    for number, x in enumerate(at.tolist()):
        ink[:, x] = True
        if number not in lines:
            ink[9:11, x] = False
    wall = lay(ink.shape, cubics, np.arange(len(cubics)))
    return find_rooms(ink, wall, np.zeros(ink.shape, np.float32)), cubics


def _asked(
    widths: tuple[int, ...], odds: list[float], fell: list[bool], lines: tuple[int, ...] = ()
) -> tuple[Rows, Rows]:
    """Return gaps and checks of rooms in a row, between which some walls fell."""
    rooms, cubics = _row_of_rooms(widths, lines)
    root = np.arange(rooms.count + 1)
    for wall, gone in enumerate(fell):
        if gone:
            root[wall + 2] = root[wall + 1]
    last = regrouped(rooms, root)
    areas = np.zeros(rooms.count, AREA)
    areas["x_mm"] = np.arange(1, rooms.count + 1)
    stood = np.array(odds)[~np.array(fell)]
    tried = Tried(cubics, np.zeros(len(cubics)), np.arange(len(cubics)))
    return find_doubts(
        Judged(rooms, np.array(odds)), Judged(last, stood), last.of, areas, tried, 1.0
    )


def test_the_costliest_comes_first_and_a_leak_before_a_needless_bridge() -> None:
    _, checks = _asked((41, 31, 21, 6), [0.5, 0.5, -0.5], [False, True, True])
    assert checks["kind"].tolist() == [OPEN_GAP, BRIDGED, OPEN_GAP]
    assert (np.diff(checks["cost_mm2"]) < 0).all()
    wide = checks[0]
    assert wide["x_mm"] == pytest.approx(72.5)  # between the rooms of 31 and 21
    assert wide["cost_mm2"] == pytest.approx(0.62 * 25 * HIGH, rel=0.1)
    assert {float(checks["one"][1, 0]), float(checks["other"][1, 0])} == {1.0, 2.0}


def test_a_line_in_doubt_is_told_apart_from_a_bridge() -> None:
    _, checks = _asked((41, 31, 21), [0.0, 0.0], [False, False], lines=(1,))
    assert sorted(checks["kind"].tolist()) == [BRIDGED, LINE]
    line = checks[checks["kind"] == LINE][0]
    assert line["x_mm"] == pytest.approx(72.5, abs=1)
    assert line["y_mm"] == pytest.approx(HIGH / 2, abs=1)
    assert line["bridge"] == -1


def test_a_line_is_not_asked_about_where_two_areas_meet_in_a_corner() -> None:
    asked = []
    for drawn in (1.0, 5.0):
        rooms, cubics = _row_of_rooms((41, 31), lines=(0,))
        rooms = replace(rooms, drawn=np.full(len(rooms.a), drawn))
        last, areas = Judged(rooms, np.zeros(1)), np.zeros(rooms.count, AREA)
        tried = Tried(cubics, np.zeros(1), np.full(1, -1))
        _, checks = find_doubts(last, last, rooms.of, areas, tried, 1.0)
        asked.append(checks["kind"].tolist())
    assert asked == [[], [LINE]]


def test_what_is_sure_or_small_is_not_asked() -> None:
    _, checks = _asked((41, 31, 21, 2), [9.0, -9.0, -2.5], [False, True, True])
    assert len(checks) == 0
    _, checks = _asked((41, 31), [np.inf], [False])
    assert len(checks) == 0


def test_there_are_a_dozen_at_most() -> None:
    widths = (21,) * 40
    gaps, checks = _asked(widths, [0.0] * 39, [number % 2 == 0 for number in range(39)])
    assert len(checks) == MOST == 12
    assert len(gaps) == 20
    asked = gaps["check"][gaps["check"] >= 0]
    assert set(asked.tolist()) == set(np.flatnonzero(checks["kind"] == OPEN_GAP).tolist())


@pytest.mark.slow(5)
def test_a_yes_closes_an_open_gap_and_a_no_joins_two_areas() -> None:
    asked = 0
    for seed in (7, 32):
        page = make_page(seed, LOOSE, 120, 160)
        prepared = prepare(page.ink)
        flats = find_flats(page.ink, prepared=prepared)
        assert len(flats.checks) <= MOST
        asked += len(flats.checks)
        for number, check in enumerate(flats.checks):
            closes = check["kind"] == OPEN_GAP
            laid = flats.gaps["cubic"][flats.gaps["check"] == number]
            bridges = tuple(tuple((x, y) for x, y in cubic) for cubic in laid.tolist())
            one, other = (tuple(check[side].tolist()) for side in ("one", "other"))
            edits = FlatEdits(bridges) if closes else FlatEdits(joins=((one, other),))  # type: ignore[arg-type]
            after = find_flats(page.ink, edits=edits, prepared=prepared)
            if closes:
                assert len(after.areas) > len(flats.areas)
            else:
                assert len(after.areas) == len(flats.areas) - 1
    assert asked
