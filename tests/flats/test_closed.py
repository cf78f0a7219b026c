"""Where lines break off, and where two come close: told by the ink alone."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import F64, I64, Bool
from inkclean.flats.lines.seams import REACH
from inkclean.flats.maps.filled import as_filled
from inkclean.flats.merging.votes import (
    DOUBT,
    DOUBT_MANY,
    MANY_OPENINGS,
    SURE_BROAD,
    SURE_OPEN,
    UNLIKELY,
    Merger,
)
from inkclean.flats.walls.closed import (
    Patches,
    breaks,
    openings_of,
    stroke_ends,
    worth_closing,
)
from inkclean.flats.walls.joins import Joins
from inkclean.flats.walls.judge import DRAWN, FIXED, OPEN
from inkclean.flats.walls.rooms import find_rooms, lay, regrouped

SIDE = 240
MIDDLE = np.array([SIDE / 2, SIDE / 2])


def _ink(width: float, turn: float, *lines: F64) -> Bool:
    """Return the ink of lines about the middle, turned; px."""
    page = np.zeros((SIDE, SIDE), np.uint8)
    c, s = np.cos(turn), np.sin(turn)
    for line in lines:
        at = line @ np.array([[c, s], [-s, c]]) + MIDDLE
        cv2.polylines(page, [np.round(at * 16).astype(np.int32)], False, 255, round(width), 8, 4)
    return page > 127


def _join(turn: float, reach: float) -> Joins:
    """Return a join across the middle, ``reach`` px to both sides along the turned x axis."""
    way = np.array([np.cos(turn), np.sin(turn)])
    cubic = MIDDLE + reach * np.linspace(-1, 1, 4)[:, None] * way
    return Joins(cubic[None], np.ones(1), np.ones(1, np.int64))


def _bow(away: float) -> F64:
    """Return a line that bulges to within ``away`` px of the middle, across the x axis."""
    y = np.linspace(-90, 90, 40)
    return np.stack([away + np.sign(away) * y**2 / 120, y], axis=1)


@pytest.mark.parametrize("width", [3.0, 5.0, 9.0])
def test_ends_of_strokes_are_counted_however_the_page_is_turned(width: float) -> None:
    gap = 2.5 * width
    near = gap / 2 + width / 2
    for turn in np.linspace(0, np.pi, 40).tolist():
        left = np.array([[-80.0, 0.0], [-near, 0.0]])
        bar = np.array([[near, -80.0], [near, 80.0]])
        across = _join(turn, gap / 2 + 2)
        cases = ((left, -left), (left, bar), (_bow(-near), _bow(near)))
        found = [int(stroke_ends(across, _ink(width, turn, *c), width)[0]) for c in cases]
        assert found == [2, 1, 0]


def test_a_pore_is_a_break_in_a_stroke_and_not_where_two_come_close() -> None:
    width = 3.0
    near = 1.0 + width / 2
    for turn in np.linspace(0, np.pi, 40).tolist():
        left = np.array([[-80.0, 0.0], [-near, 0.0]])
        bar = np.array([[near, -80.0], [near, 80.0]])
        for lines, broken in (((left, -left), 1), ((left, bar), 1), ((_bow(-near), _bow(near)), 0)):
            ink = _ink(width, turn, *lines)
            pores = np.zeros_like(ink)
            row, column = (MIDDLE[1].astype(int), MIDDLE[0].astype(int))
            pores[row - 1 : row + 2, column - 1 : column + 2] = True
            pores &= ~ink
            assert breaks(pores, ink, width).any() == broken


def _folded(high: int, wide: tuple[int, ...], opened: bool) -> tuple[Bool, Bool]:
    """Return the ink of a box in which folds stop a px short of its bottom, and these pores.

    They cut off parts that are ``wide`` px; the last fold is followed by the box's side, which
    stops short too if it is ``opened``.
    """
    ink, pores = (
        np.zeros((high + 40, sum(wide) + 60), bool),
        np.zeros((high + 40, sum(wide) + 60), bool),
    )
    ends = 20 + np.cumsum([0, *wide])
    ink[[20, 20 + high], 20 : ends[-1] + 1] = True
    ink[20 : 20 + high, ends] = True
    for x in ends[1:] if opened else ends[1:-1]:
        pores[19 + high, x] = True
    return ink & ~pores, pores


def test_a_fold_that_just_stops_short_is_closed_only_where_it_would_leak() -> None:
    scale, high = 8.0, 20  # 2.5 mm
    small, large = 30, 80  # 9 and 25 mm²
    for wide, opened, leaks in (
        ((small, small), False, False),
        ((small, large), False, False),
        ((large, large), False, True),
        ((large, small, large), False, True),  # by way of the one between
        ((small, small), True, True),  # to the paper around
    ):
        ink, pores = _folded(high, wide, opened)
        shut = worth_closing(pores, Patches.of(ink | pores, scale), scale)
        assert (shut == (pores if leaks else np.zeros_like(pores))).all()


def _hourglass() -> tuple[Bool, Bool]:
    """Return the ink of a box whose sides nearly meet, and what closes its narrow place."""
    ink = np.zeros((60, 90), bool)
    ink[[5, 54], 5:85] = ink[5:55, [5, 84]] = True
    ink[6:29, 44:46] = ink[31:54, 44:46] = True
    shut = np.zeros_like(ink)
    shut[29:31, 44:46] = True
    return ink, shut


@pytest.mark.parametrize("finer", [1, 2])
def test_a_narrow_place_opens_again_unless_it_is_shut(finer: int) -> None:
    ink, shut = _hourglass()
    seam = np.zeros(ink.shape, np.float32)
    rooms = find_rooms(ink | shut, np.zeros(ink.shape, np.int32), seam)
    fine = np.repeat(np.repeat(ink, finer, 0), finer, 1).astype(np.float32)
    none, root = np.zeros_like(shut), np.arange(rooms.count + 1)
    left, right, outside = (int(rooms.label[at]) for at in ((30, 20), (30, 70), (2, 2)))
    filled = as_filled(rooms, root, fine < 0.5, none, 8.0)
    assert filled[left] == filled[right] != filled[outside]
    kept = as_filled(rooms, root, fine < 0.5, shut, 8.0)
    assert len({kept[left], kept[right], kept[outside]}) == 3


def test_a_drawing_that_the_side_cuts_off_is_not_the_paper_around() -> None:
    ink = np.zeros((120, 120), bool)
    ink[20:100, 40] = ink[[20, 99], :40] = True
    patches = Patches.of(ink, 8.0)
    inside, outside = patches.number[60, 10], patches.number[60, 80]
    assert patches.around[outside]
    assert not patches.around[inside]
    bars = np.zeros((120, 120), bool)
    bars[:, ::11] = True  # strips from side to side: those along most of the rim
    assert Patches.of(bars, 8.0).around.any()


def test_what_is_large_opens_through_no_pore() -> None:
    ink, shut = _hourglass()
    rooms = find_rooms(ink | shut, np.zeros(ink.shape, np.int32), np.zeros(ink.shape, np.float32))
    none, root = np.zeros_like(shut), np.arange(rooms.count + 1)
    left, right = int(rooms.label[30, 20]), int(rooms.label[30, 70])
    for px_per_mm, apart in ((8.0, False), (1.0, True)):  # 5 mm across, 40
        filled = as_filled(rooms, root, ~ink, none, px_per_mm)
        assert (filled[left] != filled[right]) == apart


def test_a_scrap_goes_where_its_paper_goes() -> None:
    ink, shut = _hourglass()
    seam = np.zeros(ink.shape, np.float32)
    rooms = find_rooms(ink | shut, np.zeros(ink.shape, np.int32), seam)
    left, right, outside = (int(rooms.label[at]) for at in ((30, 20), (30, 70), (2, 2)))
    root = np.arange(rooms.count + 1)
    root[right] = outside  # merged across a line that has no gap, though larger paper hangs on it
    ink[31:54, 44:46] = False
    filled = as_filled(rooms, root, ~ink, np.zeros_like(shut), 8.0)
    assert filled[left] == filled[right]


def test_an_opening_is_told_by_the_paper_that_it_lies_on() -> None:
    width = 4.0
    box = np.array([[-60.0, -60.0], [60, -60], [60, 60], [-60, 60], [-60, -60]])
    left, right = np.array([[-60.0, 0.0], [-8, 0]]), np.array([[8.0, 0.0], [60, 0]])
    beyond = np.array([[-120.0, 90.0], [-8, 90]]), np.array([[8.0, 90.0], [120, 90]])
    ink = _ink(width, 0.0, box, left, right, *beyond)
    joins = _join(0.0, 9.0).and_also(_join(0.0, 9.0))
    joins.cubic[1, :, 1] += 90
    wall = lay(ink.shape, joins.cubic, np.arange(2))
    rooms = find_rooms(ink, wall, np.zeros(ink.shape, np.float32))
    patches = Patches.of(ink, 8.0)
    told = openings_of(rooms, joins, patches, ink, width)
    assert told.ends.tolist() == [2, 2]
    assert told.around[told.patch].tolist() == [False, True]
    # the box parts wide paper for good, what a join parts alone does not
    barred = patches.part(rooms)
    opened = np.bincount(rooms.pair, minlength=len(barred)) > 0
    assert barred.any()
    assert not (barred & opened).any()


@pytest.mark.parametrize(
    ("high", "odds", "stays"), [(16, -1, True), (16, -4, False), (40, -4, True)]
)
def test_a_closed_line_may_fall_as_hatching_unless_it_parts_broad_paper(
    high: int, odds: float, stays: bool
) -> None:
    ink = np.zeros((2 * high + 9, 200), bool)
    ink[[0, 1, 2, high + 3, high + 4, high + 5, -3, -2, -1]] = True
    ink[:, [0, 1, 2, -3, -2, -1]] = True
    seam = np.full(ink.shape, odds, np.float32)
    rooms = find_rooms(ink, np.zeros(ink.shape, np.int32), seam)
    assert Patches.of(ink, 8.0).part(rooms).tolist() == [stays]


def test_all_walls_between_two_patches_are_one_line() -> None:
    ink, wall = np.zeros((41, 200), bool), np.zeros((41, 200), np.int32)
    ink[[0, 1, 2, 19, 20, 21, -3, -2, -1]] = ink[:, [0, 1, 2, -3, -2, -1]] = True
    wall[3:19, 100] = 1
    seam = np.full(ink.shape, -4, np.float32)
    for right, stays in ((-4, False), (0, True)):
        seam[:, 100:] = right
        rooms = find_rooms(ink, wall, seam)
        lower = int(rooms.label[30, 100])
        line = (rooms.a == lower) | (rooms.b == lower)
        assert line.sum() == 2
        assert Patches.of(ink, 8.0).part(rooms)[line].tolist() == [stays, stays]


def test_a_room_lies_on_the_paper_that_most_of_it_has() -> None:
    ink = np.zeros((90, 200), bool)
    ink[[0, 1, 60, 61, 70, 71, 88, 89]] = ink[:, [0, 1, 100, 101, -2, -1]] = True
    rooms = find_rooms(ink, np.zeros(ink.shape, np.int32), np.zeros(ink.shape, np.float32))
    at = [(30, 50), (30, 150), (65, 50)]
    left, right, crumb = (int(rooms.label[place]) for place in at)
    patches = Patches.of(ink, 8.0)
    root = np.arange(rooms.count + 1)
    root[crumb] = left  # a narrow one below it, met last
    rooms = regrouped(rooms, root)
    left, right, crumb = (int(rooms.label[place]) for place in at)
    assert left == crumb != right
    assert patches.of_rooms(rooms)[left] == patches.number[at[0]]
    between = np.isin(rooms.a, (left, right)) & np.isin(rooms.b, (left, right))
    assert patches.part(rooms)[between].tolist() == [True]


class _Told(Merger):
    """Takes drawn lines for hatching, the longer the surer, and openings for none."""

    def scores(self, rows: I64) -> F64:
        drawn, opened = self.wall[rows, DRAWN], self.wall[rows, OPEN]
        odds = np.where(opened > 0, -4.0, -4.0 - drawn)
        return np.where(self.wall[rows, FIXED] > 0, np.inf, odds)


def test_paper_around_comes_together_before_any_line_falls() -> None:
    """A box, hatching at its right, and paper around that is taken for three rooms at first.

    By way of the hatching the box joins no part of the paper that it is kept apart from.
    """
    ink, wall = np.zeros((100, 320), bool), np.zeros((100, 320), np.int32)
    ink[[40, 41], 40:112] = ink[40:, [40, 41, 100, 101, 110, 111]] = True
    wall[:40, 60], wall[:40, 106] = 1, 2
    rooms = find_rooms(ink, wall, np.zeros(ink.shape, np.float32))
    at = [(80, 10), (10, 80), (10, 200), (80, 70)]
    left, middle, right, box = (int(rooms.label[place]) for place in at)
    joins = Joins(np.zeros((2, 4, 2)), np.full(2, -4.0), np.ones(2, np.int64))
    together = np.zeros((len(rooms.a), 2 * len(REACH)))
    merger = _Told(rooms, joins, together, np.zeros(2, bool), 8.0)
    other = np.where(rooms.a == box, rooms.b, np.where(rooms.b == box, rooms.a, 0))
    merger.bar(np.isin(other, [left, middle]))
    whole = np.zeros(rooms.count + 1, np.int64)
    merger.keep(whole, Patches.of(ink, 8.0).of_rooms(rooms))
    root = merger.run()
    assert root[left] == root[middle] == root[right] != root[box]


def _across(*lines: F64) -> tuple[Merger, int]:
    """Return the walls of a box with lines in it, and the one across its middle; all have fallen
    but this, which is surely there.
    """
    width = 4.0
    box = np.array([[-60.0, -60.0], [60, -60], [60, 60], [-60, 60], [-60, -60]])
    ink = _ink(width, 0.0, box, *lines)
    joins = _join(0.0, 9.0)
    rooms = find_rooms(
        ink, lay(ink.shape, joins.cubic, np.arange(1)), np.zeros_like(ink, np.float32)
    )
    together = np.zeros((len(rooms.a), 2 * len(REACH)))
    merger = Merger(rooms, joins, together, np.zeros(1, bool), 8.0)
    openings = openings_of(rooms, joins, Patches.of(ink, 8.0), ink, width)
    merger.tell(rooms, openings, 8.0)
    (row,) = np.flatnonzero(merger.wall[:, OPEN] > 0).tolist()
    merger.odds[:] = np.inf
    merger.odds[row] = SURE_OPEN + 1
    return merger, row


def test_only_ends_of_strokes_or_many_openings_tell_that_lines_break_off() -> None:
    left = np.array([[-60.0, 0.0], [-8, 0]])
    narrow, row = _across(_bow(-7.0), _bow(7.0))
    broken, end = _across(left, -left)
    assert (narrow.ends[row], broken.ends[end]) == (0, 2)
    for line_mm, closed in ((500, (False, False)), (700, (True, False)), (1500, (True, True))):
        for merger in (narrow, broken):
            merger.wall[:, DRAWN] = line_mm / len(merger.wall)
        assert (narrow.drawn_closed(), broken.drawn_closed()) == closed


def test_a_wall_with_many_openings_has_to_be_surer() -> None:
    merger, row = _across(_bow(-7.0), _bow(7.0))
    rows = np.array([row])
    merger.wall[row, [DRAWN, OPEN]] = 8.0, 2.0
    merger.openings[row] = MANY_OPENINGS - 1
    assert merger.limits(rows, False)[0] <= DOUBT
    merger.openings[row] += 1
    assert merger.limits(rows, False).tolist() == [DOUBT_MANY]
    merger.wall[row, [DRAWN, OPEN]] = 9.0, 1.0
    assert merger.limits(rows, False)[0] <= DOUBT


def test_a_broad_opening_has_to_be_surer_where_much_line_is_drawn_closed() -> None:
    merger, row = _across(_bow(-7.0), _bow(7.0))
    assert merger.broad[row]
    merger.outer[:] = True  # beside the paper around
    none = np.zeros(len(merger.odds), bool)
    assert merger.needed(none)[row] < SURE_BROAD
    merger.wall[0, DRAWN] = 1500
    assert merger.needed(none)[row] == SURE_BROAD


def test_what_is_likelier_no_gap_falls_on_a_page_drawn_closed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Though there are gaps around the paper that it lies on."""
    for line_mm, odds, falls in (
        (2000, UNLIKELY - 0.1, True),
        (2000, UNLIKELY + 0.1, False),
        (300, UNLIKELY - 0.1, False),
    ):
        merger, row = _across(_bow(-7.0), _bow(7.0))
        gaps = np.zeros(len(merger.outer))
        gaps[merger.patch[row]] = 3.0
        monkeypatch.setattr(merger, "sure_gaps", lambda gaps=gaps: gaps)
        merger.wall[:, DRAWN] = line_mm / len(merger.wall)
        merger.odds[row] = odds
        merger.without_lone_doubts()
        assert np.isnan(merger.odds[row]) == falls
