"""Dust goes, drawn dots stay, blacks have no pinholes."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inkclean.base.arrays import F32, U8
from inkclean.deliver.pictures.bitmap import cut_at
from inkclean.ink.cut import cut
from inkclean.ink.specks import DOUBT_MM, MOST_DOUBTS, clean_specks
from inkclean.ink.values import Grey
from tests.ink.shapes import FINE, bar, canvas, dot, grey, photographed

SCALE = 12.0


def _clean(image: F32, noise: float, speck_mm: float = 0.2) -> tuple[F32, F32, tuple[object, ...]]:
    sheet: Grey = grey(image, SCALE)
    coverage = cut(sheet, noise=noise, blur_px=0.8)
    return clean_specks(coverage, sheet, speck_mm=speck_mm)


def _spread(count: int, seed: int, size: int, least: float) -> list[tuple[float, float]]:
    """Places at least ``least`` px apart, 20 px inside the page, right of the black."""
    rng = np.random.default_rng(seed)
    places: list[tuple[float, float]] = []
    while len(places) < count:
        x, y = rng.uniform(40, size - 20), rng.uniform(20, size - 20)
        if all(np.hypot(x - a, y - b) > least for a, b in places):
            places.append((float(x), float(y)))
    return places


def _page(size: int) -> U8:
    page = canvas(size, size)
    page[:, : 15 * FINE] = 255
    return page


def _inked(coverage: F32, places: list[tuple[float, float]]) -> list[bool]:
    return [
        bool((coverage[int(y) - 2 : int(y) + 3, int(x) - 2 : int(x) + 3] > 0.5).any())
        for x, y in places
    ]


@pytest.mark.parametrize("noise", [0.01, 0.02])
def test_drawn_dots_stay(noise: float) -> None:
    rng = np.random.default_rng(2)
    page = _page(420)
    places = _spread(110, 3, 420, 14)
    for x, y in places:
        dot(page, x, y, rng.uniform(0.15, 0.35) * SCALE)
    coverage, removed, _ = _clean(photographed(page, 0.8, noise), noise)
    assert np.mean(_inked(coverage, places)) >= 0.99
    assert len(removed) <= 1


@pytest.mark.slow
@pytest.mark.parametrize("noise", [0.01, 0.02])
def test_dust_goes(noise: float) -> None:
    rng = np.random.default_rng(4)
    page = _page(420)
    places = _spread(110, 5, 420, 14)
    dust = np.zeros((420, 420), np.float32)
    for group, black in enumerate((0.4, 0.5, 0.6)):
        some = canvas(420, 420)
        for x, y in places[group::3]:
            dot(some, x, y, rng.uniform(0.025, 0.1) * SCALE)
        dust += 1 - photographed(some, 0.9, black=black)
    image = photographed(page, 0.8, noise) * (1 - dust)
    coverage, removed, _ = _clean(image.astype(np.float32), noise)
    assert np.mean(_inked(coverage, places)) <= 0.01
    mm = np.array(places) / SCALE
    for x, y, size in removed:
        assert np.hypot(*(mm - (x, y)).T).min() < 0.15
        assert 0 < size < 0.3


def test_stipple_finer_than_a_speck_stays_in_company() -> None:
    page = _page(200)
    places = [(70.0 + 6 * i, 70.0 + 6 * k) for i in range(8) for k in range(8)]
    for x, y in places:
        dot(page, x, y, 0.09 * SCALE)
    lone = (170.0, 170.0)
    dot(page, *lone, 0.09 * SCALE)
    coverage, removed, doubts = _clean(photographed(page, 0.6, 0.005), 0.005)
    assert np.mean(_inked(coverage, places)) > 0.95
    assert not _inked(coverage, [lone])[0]
    assert np.hypot(*(removed[:, :2] - np.array(lone) / SCALE).T).min() < 0.1
    assert doubts


def test_scraps_of_a_line_that_a_dry_pen_broke_up_stay() -> None:
    page = _page(200)
    scraps = [(60.0 + 4.5 * i, 60.0 + 2.0 * i) for i in range(24)]
    for x, y in scraps:
        bar(page, (x - 1.2, y - 0.5), (x + 1.2, y + 0.5), 1.1)
    coverage, removed, _ = _clean(photographed(page, 0.6, 0.01), 0.01)
    assert np.mean(_inked(coverage, scraps)) > 0.95
    assert len(removed) <= 1


def test_pinholes_close_and_open_spots_stay() -> None:
    page = canvas(160, 160)
    page[20 * FINE : 140 * FINE, 20 * FINE : 140 * FINE] = 255
    for x, y, r in ((50, 50, 0.6), (90, 60, 0.5), (70, 100, 0.7)):
        cv2.circle(page, (int(x * FINE), int(y * FINE)), round(r * FINE), 0, -1)
    cv2.circle(page, (110 * FINE, 110 * FINE), 3 * FINE, 0, -1)
    coverage, _, _ = _clean(photographed(page, 0.6, 0.01), 0.01)
    ink = (coverage > 0.5).astype(np.uint8)
    holes, _, stats, _ = cv2.connectedComponentsWithStats(1 - ink, connectivity=4)
    assert holes == 3
    assert stats[2, cv2.CC_STAT_AREA] == pytest.approx(np.pi * 9, rel=0.2)


def test_cells_of_dense_hatching_stay_open() -> None:
    page = canvas(140, 140)
    for k in range(24):
        bar(page, (10 + 5 * k, -5), (10 + 5 * k, 145), 2.5)
        bar(page, (-5, 10 + 5 * k), (145, 10 + 5 * k), 2.5)
    image = photographed(page, 0.7, 0.01)
    before = cut(grey(image, SCALE), noise=0.01, blur_px=0.7)
    after, _, _ = clean_specks(before, grey(image, SCALE))
    cells = cv2.connectedComponents((before[20:120, 20:120] <= 0.5).astype(np.uint8))[0]
    assert cells > 300
    assert cv2.connectedComponents((after[20:120, 20:120] <= 0.5).astype(np.uint8))[0] == cells


def test_nothing_goes_when_told_so_and_the_input_is_left_alone() -> None:
    page = _page(120)
    dot(page, 80, 80, 1.0)
    image = photographed(page, 0.6, 0.005)
    coverage = cut(grey(image, SCALE), noise=0.005, blur_px=0.6)
    before = coverage.copy()
    kept, removed, doubts = clean_specks(coverage, grey(image, SCALE), speck_mm=0.0)
    assert (kept == before).all()
    assert removed.shape == (0, 3)
    assert doubts == ()
    clean_specks(coverage, grey(image, SCALE))
    assert (coverage == before).all()


def test_faint_marks_on_the_edge_of_a_shadow_are_not_trusted() -> None:
    page, soft = _page(160), canvas(160, 160)
    dot(soft, 90, 90, 2.4)
    image = photographed(page, 0.8, 0.01) - 0.55 * (1 - photographed(soft, 0.8, black=1.0))
    sheet = grey(np.asarray(image, np.float32), SCALE)
    coverage = cut(sheet, noise=0.01, blur_px=0.8)
    assert _inked(clean_specks(coverage, sheet)[0], [(90, 90)])[0]
    unsure = np.zeros(coverage.shape, np.bool_)
    unsure[80:100] = True
    assert not _inked(clean_specks(coverage, sheet, unsure=unsure)[0], [(90, 90)])[0]


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 10**6), speck=st.floats(0.05, 1.0))
def test_any_page_gives_shares_and_places_on_it(seed: int, speck: float) -> None:
    rng = np.random.default_rng(seed)
    raw = rng.uniform(0, 1, (90, 70)).astype(np.float32)
    soft = np.asarray(cv2.GaussianBlur(raw, (0, 0), 1.0), np.float32)
    coverage = np.clip((soft - 0.5) * 6 + 0.5, 0, 1).astype(np.float32)
    sheet = grey((1 - coverage * 0.9).astype(np.float32), SCALE)
    cleaned, removed, doubts = clean_specks(coverage, sheet, speck_mm=speck)
    assert cleaned.min() >= 0
    assert cleaned.max() <= 1
    assert removed.dtype == np.float32
    assert removed.shape[1] == 3
    assert all(0 <= d.x_mm <= 70 / SCALE and d.size_mm < 2 * DOUBT_MM for d in doubts)


def test_remains_under_half_leave_no_scraps_on_a_finer_grid() -> None:
    page = _page(300)
    bar(page, (150, 60), (250, 240), 6)
    coverage = cut(grey(photographed(page, 0.8, 0.01), SCALE), noise=0.01, blur_px=0.8)
    rng = np.random.default_rng(8)
    # grains of 0.42 to 0.49 on bare paper, and their like in the black
    ground = cv2.dilate((coverage > 0.1).astype(np.uint8), np.ones((9, 9), np.uint8)) == 0
    black = cv2.erode((coverage > 0.9).astype(np.uint8), np.ones((9, 9), np.uint8)) == 1
    grain = rng.uniform(0.42, 0.49, coverage.shape).astype(np.float32)
    sown = rng.random(coverage.shape) < 0.3
    coverage = np.where(ground & sown, grain, np.where(black & sown, 1 - grain, coverage))
    sheet = grey(photographed(page, 0.8, 0.01), SCALE)
    cleaned, _, _ = clean_specks(coverage, sheet, speck_mm=0.2)

    def marks(share: F32) -> tuple[int, int]:
        fine = cut_at(share, SCALE, 600).astype(np.uint8)
        return cv2.connectedComponents(fine)[0] - 1, cv2.connectedComponents(1 - fine, None, 4)[
            0
        ] - 1

    assert min(marks(coverage)) > 20
    assert marks(cleaned) == (2, 1)
    # the bilinear half level has not moved: pixels on either side of it are as they were
    ink = (coverage >= 0.5).astype(np.uint8)
    square = np.ones((3, 3), np.uint8)
    beside = (cv2.dilate(ink, square) == 1) & (cv2.erode(ink, square) == 0)
    assert np.array_equal(cleaned[beside], coverage[beside])


def test_a_large_page_of_noise_gives_no_more_places_to_check_than_a_person_reads() -> None:
    rng = np.random.default_rng(5)
    raw = rng.uniform(0, 1, (1300, 1100)).astype(np.float32)
    soft = np.asarray(cv2.GaussianBlur(raw, (0, 0), 1.0), np.float32)
    coverage = np.clip((soft - 0.5) * 6 + 0.5, 0, 1).astype(np.float32)
    sheet = grey((1 - coverage * 0.9).astype(np.float32), SCALE)
    doubts = clean_specks(coverage, sheet, speck_mm=0.3)[2]
    squares = {(d.x_mm // DOUBT_MM, d.y_mm // DOUBT_MM) for d in doubts}
    assert len(doubts) == MOST_DOUBTS
    assert len(squares) > MOST_DOUBTS / 2 - 1  # a place a square and kind
