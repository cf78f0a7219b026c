"""The page: what it says about itself is true."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import F64
from inkclean.base.units import PAPERS, Paper
from inkclean.demo.drawing import lettering
from inkclean.demo.drawing.page import PX_PER_MM, DrawnPage, Style, draw
from inkclean.demo.drawing.pen import resample, smooth, tremor
from inkclean.demo.sampling import values_at

SMALL = Paper("small", 105.0, 148.5)


@cache
def _page(paper: Paper = SMALL, seed: int = 7, pencil: str = "blue") -> DrawnPage:
    return draw(paper, seed, pencil)


def _at(page: DrawnPage, mm: F64) -> F64:
    return np.asarray(values_at(page.ink, mm * page.px_per_mm), np.float64)


@pytest.mark.parametrize("name", ["A4", "letter"])
def test_a_page_has_what_the_measures_need(name: str) -> None:
    paper = PAPERS[name]
    page = _page(paper)
    assert page.ink.shape == (round(paper.height_mm * PX_PER_MM), round(paper.width_mm * PX_PER_MM))
    assert page.ink.dtype == np.float32
    assert page.ink.min() >= 0.0
    assert page.ink.max() <= 1.0
    assert len(page.hatching) >= 300
    assert len(page.dots) >= 150
    assert len(page.blacks) >= 12
    assert (page.dots[:, 2] >= 0.3).all()
    assert 0.15 < page.ink.mean() < 0.5
    assert 0.03 < (page.pencil > 0.2).mean() < 0.3


def test_the_margin_is_bare_ink_wise() -> None:
    page = _page()
    edge = round(5.0 * page.px_per_mm)
    assert page.ink[:edge].max() == 0.0
    assert page.ink[:, :edge].max() == 0.0
    assert page.ink[-edge:].max() == 0.0
    assert page.ink[:, -edge:].max() == 0.0


def test_dots_have_the_ink_of_their_discs() -> None:
    page = _page()
    ratios = []
    for x, y, diameter in page.dots:
        reach = round((diameter / 2 + 0.1) * page.px_per_mm)
        col, row = round(x * page.px_per_mm), round(y * page.px_per_mm)
        part = page.ink[row - reach : row + reach, col - reach : col + reach]
        ratios.append(part.sum() / page.px_per_mm**2 / (np.pi * diameter**2 / 4))
    # a neighbour's edge may reach into the square now and then
    assert np.median(ratios) == pytest.approx(1.0, abs=0.01)
    assert np.quantile(ratios, 0.1) > 0.97


def test_hatching_lines_have_their_width_on_the_whole() -> None:
    page = _page()
    ends = page.hatching.astype(np.float64)
    along = ends[:, 2:] - ends[:, :2]
    length = np.hypot(*along.T)
    long = length > 4.0
    ends, along, length = ends[long], along[long], length[long]
    normal = np.stack([-along[:, 1], along[:, 0]], 1) / length[:, None]
    across = np.linspace(-0.3, 0.3, 61)
    middle = ends[:, :2] + 0.45 * along
    at = middle[:, None] + across[None, :, None] * normal[:, None]
    width = _at(page, at).sum(axis=1) * 0.01
    assert np.median(width) == pytest.approx(0.2, abs=0.02)


def test_blacks_are_solid() -> None:
    page = _page()
    for polygon in page.blacks:
        mask = np.zeros(page.ink.shape, np.uint8)
        cv2.fillPoly(mask, [np.round(polygon * page.px_per_mm).astype(np.int32)], 1)
        core = cv2.erode(mask, np.ones((11, 11), np.uint8)) > 0
        if core.any():
            assert page.ink[core].min() > 0.98


def test_same_seed_same_page_and_another_seed_another() -> None:
    again = draw(SMALL, 7, "blue")
    assert np.array_equal(_page().ink, again.ink)
    assert np.array_equal(_page().pencil, again.pencil)
    other = draw(SMALL, 8, "blue")
    assert np.abs(other.ink - again.ink).mean() > 0.005


def test_the_pencil_changes_nothing_but_itself() -> None:
    none, red = _page(pencil="none"), _page(pencil="red")
    assert np.array_equal(none.ink, red.ink)
    assert none.pencil.max() == 0.0
    assert red.pencil_rgb[0] > red.pencil_rgb[2]


def test_style_sets_the_width_of_hatching() -> None:
    page = draw(SMALL, 7, "none", "blue", Style(hatch_mm=0.3))
    assert np.allclose(page.hatching_width, 0.3)
    assert page.ink_rgb[2] > page.ink_rgb[0]


def test_letters_follow_one_another_and_stand_on_their_foot() -> None:
    rng = np.random.default_rng(0)
    for letter in "ABCDEFGHIJKLMNOPQRSTUVWXYZ.,!?'-…":
        points = np.concatenate([p for _, p in lettering.strokes(letter, 10.0, 20.0, 3.0, rng)])
        assert points[:, 1].min() > 16.4
        assert points[:, 1].max() < 20.8
        assert points[:, 0].min() > 9.6
        assert points[:, 0].max() < 10.6 + lettering.width(letter, 3.0)
    assert lettering.width("AB", 3.0) > lettering.width("A", 3.0) + lettering.width("B", 3.0)


def test_smooth_passes_through_its_places_and_resample_keeps_the_ends() -> None:
    places = np.array([[0.0, 0.0], [5.0, 2.0], [9.0, -1.0], [14.0, 3.0]])
    curve = smooth(places, step=0.05)
    gaps = np.hypot(*(curve[:, None] - places[None]).transpose(2, 0, 1)).min(axis=0)
    assert gaps.max() < 0.05
    even = resample(places, 0.5)
    assert np.allclose(even[[0, -1]], places[[0, -1]])
    assert np.hypot(*np.diff(even, axis=0).T).max() <= 0.5


def test_tremor_is_as_large_as_asked() -> None:
    along = np.tile(np.linspace(0, 200, 800), (50, 1))
    assert tremor(along, 0.1, np.random.default_rng(2)).std() == pytest.approx(0.047, abs=0.006)
