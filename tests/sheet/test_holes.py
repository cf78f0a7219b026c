"""Holes of a binder that light falls into: blank paper, while what a pen drew there stays."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import F32, F64
from inkclean.sheet.light import even_light
from inkclean.sheet.values import Sheet
from tests.sheet.patches import FRAME, shoot

PX_PER_MM = 6.0
SIZE_MM = (210.0, 297.0)
# ISO 838: 6 mm across, 12 mm from the edge, 80 mm apart, two or four of them.
FOUR = tuple((12.0, 148.5 + 80 * step) for step in (-1.5, -0.5, 0.5, 1.5))
TWO = FOUR[1:3]


def _page(rng: np.random.Generator, squared: bool) -> F32:
    page = np.full((round(297 * PX_PER_MM), round(210 * PX_PER_MM)), 0.85, np.float32)
    if squared:
        first = rng.uniform(0, 5)
        for at in np.arange(first, 300, 5.0):
            for ends in (((at, 0), (at, 300)), ((0, at), (300, at))):
                _line(page, np.array(ends), 0.25, 0.35)
    for _ in range(25):
        start = rng.uniform((30, 15), (195, 280))
        _line(page, np.stack([start, start + rng.uniform(-25, 25, 2)]), 0.5, 0.05)
    return page


def _line(page: F32, ends: F64, wide_mm: float, tone: float) -> None:
    points = np.rint(ends * PX_PER_MM * 16).astype(np.int64).tolist()
    wide = max(1, round(wide_mm * PX_PER_MM))
    cv2.line(page, points[0], points[1], tone, wide, cv2.LINE_AA, 4)


def _disc(page: F32, x: float, y: float, radius: float) -> F32:
    share = np.zeros(page.shape, np.uint8)
    centre = (round(x * PX_PER_MM * 16), round(y * PX_PER_MM * 16))
    cv2.circle(share, centre, round(radius * PX_PER_MM * 16), 255, -1, cv2.LINE_AA, 4)
    return np.asarray(share.astype(np.float32) / 255, np.float32)


def _punched(rng: np.random.Generator, places: tuple[tuple[float, float], ...]) -> F32:
    """A page with holes: the light comes slantwise, so that a part of what lies under is dark."""
    page = _page(rng, bool(rng.integers(2)))
    under, dark = rng.uniform(0.5, 0.9), rng.uniform(0.12, 0.4)
    turn, deep = rng.uniform(0, 2 * np.pi), rng.uniform(1.6, 3.5)
    slope = rng.uniform(-0.01, 0.01)
    for level, y in places:
        x = level + slope * (y - 150)
        hole = _disc(page, x, y, 3.0)
        here = turn + rng.uniform(-0.2, 0.2)
        lit = _disc(page, x + deep * np.cos(here), y + deep * np.sin(here), 3.0)
        lit = np.asarray(cv2.GaussianBlur(lit, (0, 0), 0.15 * PX_PER_MM), np.float32)
        page += hole * (under * (dark + (1 - dark) * lit) - page)
    return page


def _evened(page: F32) -> Sheet:
    soft = cv2.GaussianBlur(page, (0, 0), 0.8)
    colour = np.repeat(np.asarray(soft, np.float32)[..., None], 3, axis=2)
    return even_light(shoot(colour), PX_PER_MM, FRAME)


def _dark_in(sheet: Sheet, x: float, y: float) -> float:
    """The share of the hole that is darker than three quarters of paper."""
    grey = np.ascontiguousarray(sheet.reflectance[..., 1])
    hole = _disc(grey, x, y, 3.3) > 0.5
    return float((grey[hole] < 0.75).mean())


@pytest.mark.parametrize("seed", range(6))
def test_holes_lit_half_way_are_paper(seed: int) -> None:
    rng = np.random.default_rng(seed)
    sheet = _evened(_punched(rng, FOUR))
    for place in FOUR:
        assert _dark_in(sheet, *place) < 0.1  # printed lines beside the rim may be in it


def test_two_holes_lit_half_way_are_paper_on_many_pages() -> None:
    found = 0
    for seed in range(100, 112):
        sheet = _evened(_punched(np.random.default_rng(seed), TWO))
        found += max(_dark_in(sheet, *place) for place in TWO) < 0.1
    assert found >= 5  # letters look alike, so two need to be seen clearly


def test_an_oblong_hole_in_a_row_is_paper_too() -> None:
    rng = np.random.default_rng(2)
    page = _punched(rng, (FOUR[0], FOUR[1], FOUR[3]))
    x, y = FOUR[2]
    for part in (-1.0, 0.0, 1.0):  # its two ends and the middle, dark in the half
        page -= page * _disc(page, x, y + 2 * part, 3.0) * (1 - _disc(page, x + 2, y, 4.5)) * 0.8
    sheet = _evened(page)
    assert max(_dark_in(sheet, x, y + 2 * part) for part in (-1.0, 0.0, 1.0)) < 0.1


@pytest.mark.parametrize("wide_mm", [0.4, 0.8])
def test_circles_drawn_where_a_punch_would_stay(wide_mm: float) -> None:
    page = _page(np.random.default_rng(5), False)
    for x, y in FOUR:
        page -= page * 0.95 * (_disc(page, x, y, 3.0) - _disc(page, x, y, 3.0 - wide_mm))
    sheet = _evened(page)
    ring = 1 - (1 - wide_mm / 3.3) ** 2
    for place in FOUR:
        assert _dark_in(sheet, *place) > 0.6 * ring


def test_half_moons_stay_where_no_punch_would_leave_them() -> None:
    for places in (FOUR[:1], ((12.0, 40.0), (12.0, 60.0), (12.0, 95.0)), ((60.0, 68.0), (60, 148))):
        page = _punched(np.random.default_rng(1), places)
        sheet = _evened(page)
        for place in places:
            assert _dark_in(sheet, *place) > 0.3
