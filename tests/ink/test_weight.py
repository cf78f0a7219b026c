"""Weight moves every edge by its distance: widths, gaps, holes, dots and centrelines."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inkclean.base.arrays import F32, F64, U8
from inkclean.ink.weight import NARROWEST_PX, THINNEST_MM, WEIGHT_MM, weigh
from tests.ink.shapes import FINE, area, bar, canvas, dot, widths

SCALE = 12.0


def _soft(page: U8) -> F32:
    """Coverage with edges as soft as the cut leaves them."""
    return np.asarray(cv2.GaussianBlur(area(page), (0, 0), 0.6), np.float32)


def _stroke(width_px: float, angle: float) -> F32:
    page = canvas(140, 120)
    along = np.array([math.cos(angle), math.sin(angle)]) * 200
    middle = np.array([60.3, 70.2])
    bar(page, tuple(middle - along), tuple(middle + along), width_px)
    return _soft(page)


def _across(coverage: F32, angle: float) -> F64:
    """Widths in px square to a stroke at ``angle``, from columns away from the borders."""
    return widths(np.ascontiguousarray(coverage.T[25:-25])) * math.cos(angle)


def _pieces(coverage: F32) -> tuple[int, int]:
    """Components and holes of the half level as it is read bilinearly."""
    fine = cv2.resize(coverage, None, fx=4, fy=4, interpolation=cv2.INTER_LINEAR)
    ink = (np.asarray(fine) >= 0.5).astype(np.uint8)
    pieces, _ = cv2.connectedComponents(ink, connectivity=4)
    rooms, _ = cv2.connectedComponents(np.pad(1 - ink, 1, constant_values=1), connectivity=8)
    return pieces - 1, rooms - 2


@pytest.mark.parametrize("weight", [-1.0, -0.4, 0.15, 0.5, 1.0])
@pytest.mark.parametrize("angle", [0.0, 0.12, 0.35, math.pi / 4])
@pytest.mark.parametrize("width_mm", [0.4, 0.7, 2.0])
def test_the_width_changes_as_asked(width_mm: float, angle: float, weight: float) -> None:
    before = _stroke(width_mm * SCALE, angle)
    wide = _across(weigh(before, weight, SCALE), angle)
    change = (wide.mean() - _across(before, angle).mean()) / SCALE
    assert change == pytest.approx(weight * WEIGHT_MM, rel=0.1, abs=0.004)
    assert wide.std() < 0.15  # no beads


@pytest.mark.parametrize("angle", [0.0, 0.12, 0.35, math.pi / 4])
@pytest.mark.parametrize("width_mm", [0.2, 0.3])
def test_fine_lines_stop_at_the_thinnest_that_prints(width_mm: float, angle: float) -> None:
    before = _stroke(width_mm * SCALE, angle)
    after = weigh(before, -1, SCALE)
    wanted = max(THINNEST_MM * SCALE, NARROWEST_PX, width_mm * SCALE - WEIGHT_MM * SCALE)
    wide = _across(after, angle)
    assert wide.mean() == pytest.approx(wanted, abs=0.25)  # read between few px
    assert wide.min() > 0.9 * THINNEST_MM * SCALE
    assert _pieces(after)[0] == 1
    rows, columns = np.nonzero(after[:, 25:-25] > 0.5)
    off = (rows + 0.5 - 70.2) * math.cos(angle) - (columns + 25.5 - 60.3) * math.sin(angle)
    assert np.abs(off).max() < wanted / 2 + 0.5  # along the centreline
    assert abs(off.mean()) < 0.35  # whole px counted


def test_what_is_thinner_than_prints_stays() -> None:
    before = _stroke(0.9, 0.2)
    after = weigh(before, -1, SCALE)
    assert _across(after, 0.2).mean() == pytest.approx(_across(before, 0.2).mean(), abs=0.12)
    assert _pieces(after)[0] == _pieces(before)[0]


def _drawing(seed: int) -> F32:
    """Strokes, dots, hatching and a ring, a millimetre apart at least but for the hatching."""
    rng = np.random.default_rng(seed)
    page = canvas(190, 190)
    lean = rng.uniform(-0.5, 0.5)
    for k in range(5):  # hatching, its gaps a little broader than what the weight takes
        y = 20 + 7.2 * k
        bar(page, (15, y), (80, y + 40 * lean), rng.uniform(2.0, 3.4))
    for k in range(3):
        x = 110 + 24 * k
        bar(page, (x, 15), (x + rng.uniform(-5, 5), 70), rng.uniform(2, 8))
    for k in range(6):
        dot(page, 20 + 28 * k, 105, rng.uniform(1.3, 5.0))
    cv2.circle(page, (50 * FINE, 150 * FINE), 20 * FINE, 255, round(rng.uniform(2, 7) * FINE))
    bar(page, (100, 130), (170, 175), rng.uniform(4, 14))
    return _soft(page)


@settings(max_examples=10, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10**6), weights=st.tuples(st.floats(-1, 1), st.floats(-1, 1)))
def test_more_weight_is_never_less_ink(seed: int, weights: tuple[float, float]) -> None:
    before = _drawing(seed)
    low, high = sorted(weights)
    thin, fat = weigh(before, low, SCALE), weigh(before, high, SCALE)
    assert thin.dtype == fat.dtype == np.float32
    assert thin.min() >= 0 and fat.max() <= 1
    assert not ((thin > 0.5) & (fat < 0.5)).any()


@settings(max_examples=10, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10**6), weight=st.floats(-1, 1))
def test_nothing_joins_breaks_vanishes_or_opens(seed: int, weight: float) -> None:
    before = _drawing(seed)
    assert _pieces(weigh(before, weight, SCALE)) == _pieces(before) == (16, 1)


@pytest.mark.parametrize("gap_px", [3.3, 3.6, 4.2])
@pytest.mark.parametrize("angle", [0.0, 0.15, 0.6])
def test_hatching_stays_open_until_lines_touch(gap_px: float, angle: float) -> None:
    page = canvas(100, 120)
    along = np.array([math.cos(angle), math.sin(angle)])
    across = np.array([-along[1], along[0]])
    for k in range(-2, 3):
        middle = np.array([60.3, 50.2]) + across * (k * (3 + gap_px))
        bar(page, tuple(middle - along * 38), tuple(middle + along * 38), 3)
    before = _soft(page)
    heavy = weigh(before, 1, SCALE)  # each gap loses 3 px
    assert _pieces(heavy) == (5, 0)
    closed = weigh(before, 1, SCALE * (gap_px + 0.8) / 3)
    assert _pieces(closed) == (1, 0)  # touching all along: no beads, no holes


def test_square_corners_get_no_whiskers() -> None:
    page = canvas(80, 80)
    bar(page, (20.5, 40), (60.5, 40), 25)
    after = cv2.resize(weigh(_soft(page), -1, SCALE), None, fx=8, fy=8) > 0.5
    rows, columns = np.nonzero(after)
    left, right, top, bottom = columns.min(), columns.max() + 1, rows.min(), rows.max() + 1
    np.testing.assert_allclose(np.array([left, right, top, bottom]) / 8, [22, 59, 29, 51], atol=0.2)
    assert after.mean() * 80 * 80 == pytest.approx((25 - 3) * (40 - 3), rel=0.02)


def test_weight_nought_is_the_same_and_the_input_stays() -> None:
    before = _drawing(3)
    kept = before.copy()
    assert weigh(before, 0.0, SCALE) is before
    weigh(before, 0.7, SCALE)
    np.testing.assert_array_equal(before, kept)


def test_the_same_on_any_number_of_threads() -> None:
    page = np.tile(_drawing(5), (3, 6))
    threads = cv2.getNumThreads()
    results = []
    try:
        for count in (1, 2):
            cv2.setNumThreads(count)
            results.append(weigh(page, 0.6, SCALE))
    finally:
        cv2.setNumThreads(threads)
    np.testing.assert_array_equal(results[0], results[1])
    # and parts join without a seam
    shifted = weigh(np.ascontiguousarray(page[:, 100:]), 0.6, SCALE)
    inner = np.s_[:, 40:]
    np.testing.assert_allclose(shifted[inner], results[0][:, 100:][inner], atol=1e-3)


@pytest.mark.parametrize("shape", [(1, 1), (1, 40), (5, 3), (64, 64)])
@pytest.mark.parametrize("value", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("weight", [-1.0, 1.0])
def test_pages_of_one_value(shape: tuple[int, int], value: float, weight: float) -> None:
    moved = weigh(np.full(shape, value, np.float32), weight, SCALE)
    assert moved.shape == shape
    assert (moved == (value >= 0.5)).all()


def _meeting(seed: int, darkest: float) -> F32:
    """A broad stroke that fine lines hang on, fine lines that swell, a loop of both."""
    rng = np.random.default_rng(seed)
    page = canvas(190, 190)
    bar(page, (10, 40), (180, 40 + rng.uniform(-15, 15)), rng.uniform(6, 12))
    for k in range(7):
        x = 20 + 24 * k
        bar(page, (x, 40), (x + rng.uniform(-9, 9), 85), rng.uniform(1.2, 2.2))
    for k in range(3):
        y = 105 + 14 * k
        bar(page, (15, y), (170, y + rng.uniform(-3, 3)), rng.uniform(1.1, 1.7))
        for x in rng.uniform(20, 165, 4):
            dot(page, x, y, rng.uniform(1.5, 3.5))
    cv2.circle(page, (60 * FINE, 165 * FINE), 14 * FINE, 255, round(rng.uniform(1.3, 2) * FINE))
    dot(page, 74, 165, 5)
    noisy = _soft(page) * darkest + rng.normal(0, 0.02, (190, 190))
    return np.asarray(np.clip(noisy, 0, 1), np.float32)


def _counted(coverage: F32) -> tuple[int, int]:
    """Pieces of ink and rooms of paper of 12 px and more, told from whole pixels."""
    ink = (coverage >= 0.5).astype(np.uint8)
    pieces, _ = cv2.connectedComponents(ink)
    rooms = cv2.connectedComponentsWithStats(1 - ink, connectivity=4)[2]
    return pieces - 1, int((rooms[1:, cv2.CC_STAT_AREA] >= 12).sum())


@pytest.mark.parametrize("darkest", [1.0, 0.75])
@pytest.mark.parametrize("weight", [-1.0, -0.6, -0.3])
@pytest.mark.parametrize("seed", range(4))
def test_fine_lines_stay_joined_to_what_they_meet(seed: int, weight: float, darkest: float) -> None:
    before = _meeting(seed, darkest)
    assert _counted(weigh(before, weight, SCALE)) == _counted(before)


@pytest.mark.parametrize("narrow", [1.0, 1.05, 1.1])
def test_a_slit_opens_without_bars(narrow: float) -> None:
    page, slit = canvas(60, 120), canvas(60, 120)
    cv2.rectangle(page, (10 * FINE, 10 * FINE), (110 * FINE, 50 * FINE), 255, -1)
    bar(slit, (20.2, 25.4), (100.3, 34.9), narrow)
    page[slit > 0] = 0
    before = _soft(page)

    def rooms(coverage: F32) -> int:
        paper = (coverage < 0.5).astype(np.uint8)
        return int(cv2.connectedComponents(paper, connectivity=4)[0]) - 1

    assert rooms(before) > 5  # sampled as a row of holes
    assert rooms(weigh(before, -1, SCALE)) == 2
