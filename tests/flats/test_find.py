"""Areas: what was drawn is found again, edits hold, and what must always be true."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import F32
from inkclean.flats.find import find_flats
from inkclean.flats.values import BACKGROUND, FIGURE, GUTTER, FlatEdits, Flats
from inkclean.ink.values import Ink, Pencil
from tests.alike import some_like
from tests.flats.pages import EASY, LOOSE, SINGLE, Page, make_page
from tests.flats.scores import Score, score

PX_PER_MM = 10.0


def ink_of(coverage: F32, px_per_mm: float = PX_PER_MM) -> Ink:
    return Ink(coverage.astype(np.float32), px_per_mm, Pencil(False, (), 0.0, None, "none"))


def blank(width_mm: float = 60, height_mm: float = 60) -> F32:
    return np.zeros((round(height_mm * PX_PER_MM), round(width_mm * PX_PER_MM)), np.float32)


def stroke(page: F32, *points: tuple[float, float], width_mm: float = 0.5) -> None:
    at = np.round(np.array(points) * PX_PER_MM * 16).astype(np.int32)
    layer = np.zeros(page.shape, np.uint8)
    cv2.polylines(layer, [at], False, 255, round(width_mm * PX_PER_MM), cv2.LINE_AA, 4)
    np.maximum(page, layer / np.float32(255), out=page)


def ring(page: F32, x: float, y: float, radius: float, gap_mm: float = 0.0) -> None:
    half = gap_mm / 2 / radius
    t = np.linspace(half, 2 * np.pi - half, 200)
    stroke(page, *zip(x + radius * np.cos(t), y + radius * np.sin(t), strict=True))


def at(flats: Flats, x_mm: float, y_mm: float) -> int:
    return int(flats.labels[int(y_mm * flats.px_per_mm), int(x_mm * flats.px_per_mm)])


RING = np.linspace(0, 2 * np.pi, 60).tolist()


@cache
def drawn(kind: str) -> tuple[Page, Flats]:
    troubles = {"easy": EASY, "loose": LOOSE, **SINGLE}[kind]
    page = make_page(7, troubles, 120, 160)
    return page, find_flats(page.ink)


def scored(kind: str) -> Score:
    page, flats = drawn(kind)
    paper = page.coverage < 0.5
    return score(flats.labels.astype(np.int32), page.truth, paper, page.px_per_mm)


@pytest.mark.parametrize("gap_mm", [0.0, 0.6, 1.5, 3.0, 4.5])
def test_a_ring_holds_whatever_its_gap(gap_mm: float) -> None:
    page = blank()
    ring(page, 30, 30, 15, gap_mm)
    flats = find_flats(ink_of(page))
    assert len(flats.areas) == 2
    inside = np.hypot(*(np.indices(page.shape) / PX_PER_MM - 30)) < 14.5
    assert (flats.labels[inside] == at(flats, 30, 30)).mean() > 0.99
    assert at(flats, 30, 30) != at(flats, 2, 2)


def test_a_broad_marker_closes_areas_too() -> None:
    page = blank()
    stroke(page, *[(30 + 20 * np.cos(a), 30 + 20 * np.sin(a)) for a in RING], width_mm=5.0)
    flats = find_flats(ink_of(page))
    assert len(flats.areas) == 2
    assert at(flats, 30, 30) != at(flats, 2, 2)


def test_no_gap_wider_than_the_limit_is_bridged() -> None:
    page = blank()
    ring(page, 30, 30, 15, 4.0)
    assert len(find_flats(ink_of(page), gap_mm=2.0).areas) == 1


def test_a_stroke_that_stops_short_of_a_line_meets_it() -> None:
    page = blank()
    ring(page, 30, 30, 18)
    stroke(page, (13.0, 30), (46.2, 30))
    flats = find_flats(ink_of(page))
    assert len({at(flats, 30, 24), at(flats, 30, 36), at(flats, 2, 2)}) == 3


@pytest.mark.parametrize("width_mm", [1.0, 1.5, 2.5, 4.0])
def test_a_channel_between_two_rooms_stays_open(width_mm: float) -> None:
    page = blank(80, 60)
    low, high = 30 - width_mm / 2 - 0.25, 30 + width_mm / 2 + 0.25
    for edge, far in ((low, 12.0), (high, 48.0)):
        stroke(
            page,
            (8, 30),
            (8, far),
            (30, far),
            (30, edge),
            (50, edge),
            (50, far),
            (72, far),
            (72, 30),
        )
    flats = find_flats(ink_of(page))
    assert at(flats, 18, 30) == at(flats, 62, 30) == at(flats, 40, 30)


def test_bridges_lie_in_the_gap() -> None:
    page = blank()
    ring(page, 30, 30, 15, 3.0)
    flats = find_flats(ink_of(page))
    assert len(flats.bridges) == 1
    cubic = flats.bridges["cubic"][0]
    assert np.allclose(cubic.mean(axis=0), [45, 30], atol=0.5)
    assert np.abs(np.hypot(*(cubic[[0, 3]] - 30).T) - 15).max() < 0.5
    assert 0 < flats.bridges["confidence"][0] <= 1
    assert not flats.bridges["given"][0]


@pytest.mark.parametrize("three", [False, True])
def test_hatching_shatters_nothing(three: bool) -> None:
    page = blank()
    ring(page, 30, 30, 18)
    for k in range(3 if three else 9):
        y = 27 + 1.1 * k
        half = np.sqrt(18**2 - (y - 30) ** 2)
        stroke(page, (30 - half, y), (30 + half, y), width_mm=0.3)
    flats = find_flats(ink_of(page))
    assert len(flats.areas) == 2
    assert at(flats, 30, 16) == at(flats, 30, 44) == at(flats, 30, 27.5)


def test_cross_hatching_is_one_area() -> None:
    page = blank()
    ring(page, 30, 30, 15)
    for k in np.arange(-14, 15, 1.0):
        half = np.sqrt(15**2 - k**2)
        stroke(page, (30 - half, 30 + k), (30 + half, 30 + k), width_mm=0.3)
        stroke(page, (30 + k, 30 - half), (30 + k, 30 + half), width_mm=0.3)
    flats = find_flats(ink_of(page))
    assert len(flats.areas) == 2


def test_lettering_splits_no_balloon() -> None:
    page = blank()
    ring(page, 30, 30, 18)
    for row, text in enumerate(("THE SEA", "FORGOT", "THE SHORE")):
        layer = np.zeros(page.shape, np.uint8)
        at = (170, 270 + 50 * row)
        cv2.putText(layer, text, at, cv2.FONT_HERSHEY_SIMPLEX, 1.3, 255, 4, cv2.LINE_AA)
        np.maximum(page, layer / np.float32(255), out=page)
    flats = find_flats(ink_of(page))
    assert len(flats.areas) == 2
    assert len(flats.bridges) == 0


def test_what_letters_enclose_has_the_colour_they_stand_on() -> None:
    page = blank()
    ring(page, 30, 30, 22)
    layer = np.zeros(page.shape, np.uint8)
    cv2.putText(layer, "LOAF", (150, 335), cv2.FONT_HERSHEY_SIMPLEX, 3.6, 255, 5, cv2.LINE_AA)
    hollow = cv2.connectedComponentsWithStats((layer == 0).astype(np.uint8), connectivity=4)[2]
    assert hollow[2:, cv2.CC_STAT_AREA].max() > (2 * PX_PER_MM) ** 2, "larger than a scrap"
    np.maximum(page, layer / np.float32(255), out=page)
    assert len(find_flats(ink_of(page)).areas) == 2


def test_a_row_of_windows_is_no_word() -> None:
    page = blank()
    ring(page, 30, 30, 26)
    for x in (15, 25, 35, 45):
        ring(page, x, 30, 3)
    assert len(find_flats(ink_of(page)).areas) == 6


def test_dashes_in_a_row_are_no_lettering() -> None:
    page = blank()
    for k in range(4):  # a box whose sides are broken
        for near, far in ((0.0, 8.0), (9.0, 17.0), (18.0, 26.0)):
            x = np.array([[17 + near, 17.0], [17 + far, 17.0]]) - 30
            turn = np.pi / 2 * k
            x = x @ np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) + 30
            stroke(page, *[(float(a), float(b)) for a, b in x])
    flats = find_flats(ink_of(page))
    assert at(flats, 30, 30) != at(flats, 2, 2)


@pytest.mark.slow(48)
def test_what_a_bridge_stands_on_makes_it_doubtful() -> None:
    kinds = {"loose": LOOSE} | {name: SINGLE[name] for name in ("dry brush", "lettering")}
    doubts: list[bool] = []
    rest: list[bool] = []
    for troubles, seed in [(troubles, seed) for troubles in kinds.values() for seed in (31, 32)]:
        page = make_page(seed, troubles)
        flats = find_flats(page.ink)
        for bridge in flats.bridges:
            start, *_, stop = bridge["cubic"]
            middle = bridge["cubic"].mean(axis=0)
            aside = np.array([start[1] - stop[1], stop[0] - start[0]])
            aside *= 0.7 / max(1e-6, float(np.hypot(*aside)))
            sides = [(middle + way * aside) * page.px_per_mm for way in (1, -1)]
            parts = len({int(page.truth[int(y), int(x)]) for x, y in sides}) == 2
            (doubts if bridge["doubtful"] else rest).append(parts)
    assert np.mean(rest) > 0.85
    assert len(doubts) < 0.3 * len(rest)
    assert len(doubts) >= 3
    assert np.mean(doubts) < np.mean(rest) - 0.2


def test_a_black_hides_the_seam_and_leaves_nothing_bare() -> None:
    page = blank()
    ring(page, 30, 30, 18)
    cv2.circle(page, (300, 300), 60, 1.0, -1)
    flats = find_flats(ink_of(page))
    assert flats.labels.min() >= 1
    assert (flats.labels[250:350, 250:350] == at(flats, 30, 15)).all()


def test_what_a_black_parts_are_two_areas() -> None:
    page = blank()
    ring(page, 30, 30, 18)
    cv2.rectangle(page, (270, 110), (330, 490), 1.0, -1)
    flats = find_flats(ink_of(page))
    assert len({at(flats, 20, 30), at(flats, 40, 30), at(flats, 2, 2)}) == 3


def test_slivers_go_to_a_neighbour() -> None:
    page = blank()
    ring(page, 30, 30, 15)
    ring(page, 30, 30, 0.8)
    assert len(find_flats(ink_of(page)).areas) == 2
    assert len(find_flats(ink_of(page), smallest_mm=0.5).areas) == 3


def test_given_bridges_close_and_opened_ones_open() -> None:
    page = blank()
    ring(page, 30, 30, 15, 9.0)
    x, low, high = 30 + 15 * np.cos(0.3), 30 - 15 * np.sin(0.3), 30 + 15 * np.sin(0.3)
    assert len(find_flats(ink_of(page)).areas) == 1
    cubic = ((x, low), (46.0, 28.5), (46.0, 31.5), (x, high))
    flats = find_flats(ink_of(page), edits=FlatEdits(bridges=(cubic,)))
    assert len(flats.areas) == 2
    assert flats.bridges["given"].tolist() == [True]
    page = blank()
    ring(page, 30, 30, 15, 2.0)
    assert len(find_flats(ink_of(page), edits=FlatEdits(opened=((45.0, 30.0),))).areas) == 1


def test_areas_are_joined_and_parted_by_hand() -> None:
    page = blank()
    ring(page, 20, 30, 10)
    ring(page, 45, 30, 10)
    joined = find_flats(ink_of(page), edits=FlatEdits(joins=(((20.0, 30.0), (45.0, 30.0)),)))
    assert at(joined, 20, 30) == at(joined, 45, 30) != at(joined, 2, 2)
    parted = find_flats(
        ink_of(page), edits=FlatEdits(splits=(((20.0, 19.0), (21.0, 30.0), (20.0, 41.0)),))
    )
    assert at(parted, 15, 30) != at(parted, 25, 30)


@pytest.mark.parametrize("factor", [0.8, 2.0])
def test_edits_hold_at_another_resolution(factor: float) -> None:
    page = blank()
    ring(page, 30, 30, 15, 2.0)
    size = tuple(round(n * factor) for n in page.shape)
    scaled = np.asarray(cv2.resize(page, size, interpolation=cv2.INTER_AREA), np.float32)
    part = ((30.0, 12.0), (30.0, 48.0))
    flats = find_flats(ink_of(scaled, PX_PER_MM * factor), edits=FlatEdits(splits=(part,)))
    assert len({at(flats, 20, 30), at(flats, 40, 30), at(flats, 2, 2)}) == 3


def exact_rings(*radii: float, width_mm: float = 0.5, middle_mm: float = 30) -> F32:
    """Return circles around one place of the sheet, their coverage computed, not drawn."""
    page = blank()
    away = np.hypot(*(np.indices(page.shape) + 0.5 - middle_mm * PX_PER_MM))
    for radius in radii:
        beyond = np.abs(away - radius * PX_PER_MM) - width_mm / 2 * PX_PER_MM
        np.maximum(page, np.clip(0.5 - beyond, 0, 1), out=page)
    return page


def test_rows_say_what_lies_where() -> None:
    page = exact_rings(20, 8)
    flats = find_flats(ink_of(page))
    outside, middle, inner = at(flats, 2, 2), at(flats, 30, 15), at(flats, 30, 30)
    rows = flats.areas
    assert rows["label"].tolist() == [1, 2, 3]
    assert rows["enclosing"][[outside - 1, middle - 1, inner - 1]].tolist() == [0, outside, middle]
    assert rows["kind"][[outside - 1, middle - 1, inner - 1]].tolist() == [
        BACKGROUND,
        FIGURE,
        FIGURE,
    ]
    # inside the line of half a millimetre: a disc of radius 7.75, a ring from 8.25 to 19.75
    assert rows["size_mm2"][inner - 1] == pytest.approx(np.pi * 7.75**2, rel=0.005)
    assert rows["size_mm2"][middle - 1] == pytest.approx(np.pi * (19.75**2 - 8.25**2), rel=0.005)
    # read on a raster of 8 px/mm: to half of one of its pixels
    assert rows["inner_mm"][inner - 1] == pytest.approx(7.75, abs=0.0625)
    assert rows["inner_mm"][middle - 1] == pytest.approx((19.75 - 8.25) / 2, abs=0.0625)
    assert np.hypot(rows["x_mm"][inner - 1] - 30, rows["y_mm"][inner - 1] - 30) < 0.25
    shared = {(int(r["a"]), int(r["b"])): float(r["edge_mm"]) for r in flats.neighbours}
    assert shared[min(inner, middle), max(inner, middle)] == pytest.approx(2 * np.pi * 8, rel=0.06)
    assert (min(inner, outside), max(inner, outside)) not in shared
    for row in rows:
        assert at(flats, row["x_mm"], row["y_mm"]) == row["label"]


def test_the_largest_disc_is_read_without_a_lean() -> None:
    errors = []
    for radius, middle in ((8.0, 30.0), (5.3, 29.93), (11.17, 30.04), (14.9, 29.97), (3.2, 30.11)):
        flats = find_flats(ink_of(exact_rings(20, radius, middle_mm=middle)))
        inner = at(flats, middle, middle)
        errors.append(float(flats.areas["inner_mm"][inner - 1]) - (radius - 0.25))
    assert np.abs(errors).max() < 0.0625
    assert abs(np.mean(errors)) < 0.04


def test_no_area_crosses_a_panel_border() -> None:
    page, flats = drawn("panels")
    deep = cv2.erode((page.panel > 0).astype(np.uint8), np.ones((15, 15))) > 0
    inside = np.unique(flats.labels[deep & (page.coverage < 0.5)])
    outside = np.unique(flats.labels[cv2.dilate(page.panel, np.ones((15, 15))) == 0])
    assert not set(inside.tolist()) & set(outside.tolist())
    gutter = flats.areas[flats.areas["kind"] == GUTTER]
    assert len(gutter) == 1
    panels = flats.areas["panel"]
    assert len(np.unique(panels[panels > 0])) == len(np.unique(page.panel)) - 1
    backgrounds = flats.areas[flats.areas["kind"] == BACKGROUND]
    assert sorted(backgrounds["panel"].tolist()) == sorted(set(panels[panels > 0].tolist()))


@pytest.mark.parametrize(
    ("kind", "right", "per_area", "leaks"),
    some_like(
        2,
        ("easy", 0.92, 1.06, 2),
        ("loose", 0.83, 1.25, 3),
        ("gaps mid-stroke", 0.95, 1.04, 1),
        ("dry brush", 0.9, 1.1, 2),
        ("stopping short", 0.93, 1.05, 2),
        ("lettering", 0.95, 1.05, 1),
        ("stipple", 0.93, 1.08, 1),
    ),
)
def test_true_areas_are_found(kind: str, right: float, per_area: float, leaks: int) -> None:
    found = scored(kind)
    assert found.share_right >= right
    assert found.per_area <= per_area
    assert found.leaks <= leaks


def test_every_pixel_belongs_to_an_area() -> None:
    _, flats = drawn("loose")
    assert flats.labels.dtype == np.uint16
    assert sorted(np.unique(flats.labels)) == list(range(1, len(flats.areas) + 1))


@pytest.mark.parametrize("turn", some_like(1, 1, 2, 3))
def test_turning_the_page_changes_little(turn: int) -> None:
    page, flats = drawn("gaps mid-stroke")
    turned = find_flats(ink_of(np.ascontiguousarray(np.rot90(page.coverage, turn)), page.px_per_mm))
    back = np.rot90(turned.labels, -turn).astype(np.int32)
    paper = page.coverage < 0.5
    agree = score(back, flats.labels.astype(np.int32), paper, page.px_per_mm)
    assert agree.share_right >= 0.97


def test_the_same_page_gives_the_same_areas() -> None:
    page, flats = drawn("easy")
    again = find_flats(page.ink)
    assert np.array_equal(again.labels, flats.labels)
    assert np.array_equal(again.bridges, flats.bridges)


@pytest.mark.parametrize("value", [0.0, 1.0])
@pytest.mark.parametrize("shape", [(1, 1), (3, 200), (50, 50)])
def test_empty_and_full_sheets(value: float, shape: tuple[int, int]) -> None:
    flats = find_flats(ink_of(np.full(shape, value, np.float32)))
    assert len(flats.areas) == (1 if value == 0 else 0)
    assert (flats.labels == (1 if value == 0 else 0)).all()
    assert len(flats.bridges) == 0


def test_one_dot_on_a_sheet() -> None:
    page = blank(20, 20)
    cv2.circle(page, (100, 100), 3, 1.0, -1)
    flats = find_flats(ink_of(page))
    assert (flats.labels == 1).all()
