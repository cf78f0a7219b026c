"""Panels filled with black and leaning are panels too, and so are those with a broken border."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from inkclean.flats.find import find_flats
from inkclean.flats.panels import find_panels
from inkclean.flats.rasters import square
from inkclean.flats.values import FlatEdits
from inkclean.ink.values import Ink, Pencil
from tests.flats.pages import EASY, LOOSE, Page, make_page

SCALE = 8.0
# corners in mm, clockwise: two panels parted by a leaning gutter, one below
BOXES = (
    ((10, 10), (70, 10), (67, 60), (10, 60)),
    ((74, 10), (120, 10), (120, 60), (71, 60)),
    ((10, 64), (120, 64), (120, 110), (10, 110)),
)


def _page(*, filled: bool, breaks: bool = False) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
    page = np.zeros((960, 1040), np.uint8)
    for number, box in enumerate(BOXES):
        corners = np.array(box, np.float64) * SCALE
        cv2.polylines(page, [corners.astype(np.int32)], True, 1, 5)
        if filled and number != 1:
            cv2.fillPoly(page, [corners.astype(np.int32)], 1)
            cv2.circle(page, corners.mean(0).astype(int).tolist(), 120, 0, -1)
    if breaks:
        page[70:90, 200:240] = 0
    return page.astype(np.bool_)


def _numbers(panel: np.ndarray[tuple[int, int], np.dtype[np.uint8]]) -> list[int]:
    """The panels at the middle of each box, in the gutters and beside all."""
    middles = [np.array(box).mean(0) for box in BOXES]
    places = [*middles, (70.5, 35.0), (60.0, 62.0), (4.0, 4.0)]
    return [int(panel[int(y * SCALE), int(x * SCALE)]) for x, y in places]


def test_black_and_leaning_panels_are_found() -> None:
    for filled in (False, True):
        numbers = _numbers(find_panels(_page(filled=filled), SCALE))
        assert len({*numbers[:3], 0}) == 4
        assert numbers[3:] == [0, 0, 0]


def test_a_round_drawing_and_a_lone_black_are_no_panels() -> None:
    page = np.zeros((960, 1040), np.uint8)
    cv2.circle(page, (300, 400), 200, 1, 5)
    cv2.circle(page, (760, 400), 200, 1, -1)
    assert not find_panels(page.astype(np.bool_), SCALE).any()


def test_a_broken_border_still_holds() -> None:
    numbers = _numbers(find_panels(_page(filled=False, breaks=True), SCALE))
    assert len({numbers[0], numbers[2], 0}) == 3


@pytest.fixture(scope="module", params=[200, 204])
def loose_page(request: pytest.FixtureRequest) -> Page:
    """Panels whose borders are of a dry brush, stop short, run over and have gaps."""
    return make_page(request.param, replace(LOOSE, panels=True), 150, 200)


def test_borders_that_are_dry_and_broken_are_found(loose_page: Page) -> None:
    panel = find_panels(loose_page.coverage >= 0.5, loose_page.px_per_mm)
    for number in range(1, int(loose_page.panel.max()) + 1):
        true = loose_page.panel == number
        found = panel == np.bincount(panel[true]).argmax()
        assert (true & found).sum() > 0.9 * (true | found).sum()


@pytest.mark.parametrize("seed", [206, 211])
def test_panels_do_not_hang_on_where_the_page_begins(seed: int) -> None:
    page = make_page(seed, replace(LOOSE, panels=True), 150, 200)
    for shift in (0, 2, 3, 5):
        panel = find_panels(page.coverage[shift:, shift:] >= 0.5, page.px_per_mm)
        assert panel.max() == page.panel.max()


@pytest.mark.parametrize("seed", [327, 328])
def test_a_panel_full_of_hatching_is_found_too(seed: int) -> None:
    """With gaps in its border, and most of the page's ink in it."""
    page = make_page(seed, replace(EASY, panels=True), 150, 200)
    panel = find_panels(page.coverage >= 0.5, page.px_per_mm)
    for number in range(1, int(page.panel.max()) + 1):
        true = page.panel == number
        found = panel == np.bincount(panel[true]).argmax()
        assert (true & found).sum() > 0.9 * (true | found).sum()


@pytest.mark.slow(6)
def test_no_area_crosses_a_border_that_is_dry_and_broken(loose_page: Page) -> None:
    flats = find_flats(loose_page.ink)
    paper = loose_page.coverage < 0.5
    mm = square(2 * round(loose_page.px_per_mm) + 1)  # one either way
    count = len(flats.areas) + 1
    parts = [loose_page.panel == n for n in range(int(loose_page.panel.max()) + 1)]
    deep = [cv2.erode(part.astype(np.uint8), mm) > 0 for part in parts]
    size = np.stack([np.bincount(flats.labels[part & paper], minlength=count) for part in deep])
    least = loose_page.px_per_mm**2
    assert ((size > least).sum(axis=0) <= 1).all()


@pytest.mark.slow
def test_drawings_without_borders_have_no_panels() -> None:
    for seed in (200, 201):
        page = make_page(seed, LOOSE, 150, 200)
        assert not find_panels(page.coverage >= 0.5, page.px_per_mm).any()


def test_a_place_said_to_be_open_on_a_border_is_open() -> None:
    page = _page(filled=False)
    page[70:90, 200:240] = False  # a break of 5 mm in the first panel's upper side
    ink = Ink(page.astype(np.float32), SCALE, Pencil(False, (), 0.0, None, "none"))
    inside, above = (30 * 8, 27 * 8), (5 * 8, 27 * 8)
    shut = find_flats(ink).labels
    assert shut[inside] != shut[above]
    opened = find_flats(ink, edits=FlatEdits(opened=((27.5, 10.0),))).labels
    assert opened[inside] == opened[above]


@pytest.mark.parametrize("cell_mm", [5, 10, 15])
@pytest.mark.parametrize("dry", [False, True])
def test_a_ruled_table_is_no_page_of_panels(cell_mm: int, dry: bool) -> None:
    page = np.zeros((1600, 1200), np.uint8)
    for x in range(80, 1130, cell_mm * 8):
        cv2.line(page, (x, 80), (x, 1520), 1, 3)
    for y in range(80, 1530, cell_mm * 8):
        cv2.line(page, (80, y), (1120, y), 1, 3)
    if dry:
        page[np.random.default_rng(1).random(page.shape) < 0.4] = 0
    assert not find_panels(page.astype(np.bool_), SCALE).any()


def test_panels_are_numbered_from_the_top_left() -> None:
    page = make_page(201, replace(LOOSE, panels=True), 150, 200)
    panel = find_panels(page.coverage >= 0.5, page.px_per_mm)
    numbers, first = np.unique(panel, return_index=True)
    assert numbers.tolist() == list(range(len(numbers)))
    assert (np.diff(first[1:]) > 0).all()
