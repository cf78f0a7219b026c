"""The cut against shapes of known size, and its symmetries."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inkclean.base.arrays import F32, U8
from inkclean.deliver.pictures.bitmap import cut_at
from inkclean.ink import levels
from inkclean.ink.cut import cut
from inkclean.ink.depth import ink_depth
from inkclean.ink.seen.bridges import squares
from inkclean.ink.seen.decide import drop_unsure
from tests.ink.shapes import (
    BLACK,
    FINE,
    area,
    bar,
    canvas,
    dot,
    grey,
    photographed,
    widths,
)


def _with_black(page: U8) -> U8:
    """Add a spot black: a page's full ink is seen in its broad marks."""
    page[:, : 12 * FINE] = 255
    return page


def _bar_width(width: float, blur: float, noise: float, lean: float = 7.0) -> float:
    page = _with_black(canvas(64, 150))
    bar(page, (38, -8), (38 + lean, 72), width)
    coverage = cut(grey(photographed(page, blur, noise)), noise=noise, blur_px=blur)
    measured = widths(coverage[12:-12, 22:])
    return float(np.median(measured)) * math.cos(math.atan2(lean, 80))


@pytest.mark.parametrize("blur", [0.6, 0.8, 1.0, 1.2])
@pytest.mark.parametrize("ratio", [1.5, 1.75, 2.0, 2.5, 3.0, 5.0])
def test_bars_keep_their_width_where_a_halfway_cut_thins_them(ratio: float, blur: float) -> None:
    # w/σ from 1.5: a cut half-way leaves 0.62 of the width at 1.5, 0.933 at 2 (computed)
    width = ratio * blur
    # a bar about as wide as a pixel is seen by one or two of them: a third of a px is honest there
    within = 0.35 if width < 1.25 else max(0.15, 0.1 * width)
    assert _bar_width(width, blur, 0.01) == pytest.approx(width, abs=within)


def test_the_thinnest_bars_are_still_there() -> None:
    # w/σ = 1: a cut half-way loses it wholly (under 1.349, computed)
    assert 0.4 < _bar_width(1.0, 1.0, 0.01) < 1.4


@pytest.mark.parametrize("noise", [0.01, 0.02])
@pytest.mark.parametrize("radius", [1.5, 2.0, 3.0, 5.0, 8.0])
def test_discs_keep_their_area(radius: float, noise: float) -> None:
    blur = 0.8
    page = _with_black(canvas(80, 120))
    for row in range(2):
        for column in range(3):
            dot(page, 35 + 30 * column + 0.3 * row, 20 + 40 * row + 0.2 * column, radius)
    coverage = cut(grey(photographed(page, blur, noise)), noise=noise, blur_px=blur)
    fine = cv2.resize(coverage, None, fx=8, fy=8, interpolation=cv2.INTER_LINEAR)
    inked = float((fine[:, 22 * 8 :] > 0.5).sum()) / 64 / 6
    assert math.sqrt(inked / math.pi) == pytest.approx(radius, abs=0.15 if radius >= 2 else 0.25)


@pytest.mark.parametrize(("line", "gap"), [(2.0, 2.0), (2.5, 2.0), (3.0, 2.0), (2.0, 3.0)])
def test_gratings_do_not_clog(line: float, gap: float) -> None:
    page = _with_black(canvas(60, 140))
    x = 22.0
    count = 0
    while x < 130:
        bar(page, (x, -5), (x + 3, 65), line)
        x += line + gap
        count += 1
    coverage = cut(grey(photographed(page, 0.9, 0.01)), noise=0.01, blur_px=0.9)
    rows = coverage[10:50, 16:] > 0.5
    starts = (rows[:, 1:] & ~rows[:, :-1]).sum(axis=1)
    assert (starts == count).all()
    truth = area(page)[10:50, 16:].mean()
    got = cv2.resize(coverage[10:50, 16:], None, fx=8, fy=8, interpolation=cv2.INTER_CUBIC)
    assert float((got > 0.5).mean()) == pytest.approx(float(truth), rel=0.12)


def test_black_with_sheen_is_solid_and_open_spots_stay() -> None:
    rng = np.random.default_rng(3)
    page = canvas(120, 120)
    page[10 * FINE : 110 * FINE, 10 * FINE : 110 * FINE] = 255
    for x, y in ((40, 40), (80, 60), (60, 90)):
        cv2.circle(page, (x * FINE, y * FINE), 3 * FINE, 0, -1)
    image = photographed(page, 0.9)
    brush = cv2.GaussianBlur(rng.normal(0, 1, image.shape).astype(np.float32), (0, 0), 1.5)
    sheen = 0.06 * brush / brush.std() + 0.08
    image = image + (1 - image) * np.clip(sheen, 0, 0.3).astype(np.float32)
    coverage = cut(grey(image.astype(np.float32)), noise=0.01, blur_px=0.9)
    ink = (coverage > 0.5).astype(np.uint8)
    holes, _, stats, _ = cv2.connectedComponentsWithStats(1 - ink, connectivity=4)
    assert holes - 2 == 3  # the ground, the paper around, three open spots
    assert (stats[2:, cv2.CC_STAT_AREA] > 15).all()


@pytest.mark.parametrize("noise", [0.01, 0.03])
def test_grain_of_blank_paper_is_gone(noise: float) -> None:
    page = canvas(200, 200)
    bar(page, (30, 20), (30, 180), 4)
    image = photographed(page, 0.8, noise, seed=5)
    grain = np.random.default_rng(6).normal(0, 1, image.shape).astype(np.float32)
    image += 0.03 * cv2.GaussianBlur(grain, (0, 0), 2.0) * 4
    coverage = cut(grey(image), noise=noise, blur_px=0.8)
    assert not (coverage[:, 45:] > 0.5).any()
    assert (coverage[30:170, 29:31] > 0.5).all()


def test_a_pale_pen_beside_a_black_one_keeps_its_width() -> None:
    page, pale = canvas(90, 90), canvas(90, 90)
    page[:, : 15 * FINE] = 255
    bar(pale, (55, -5), (58, 95), 6)
    image = photographed(page, 0.8, 0.006) - 0.5 * (1 - photographed(pale, 0.8, black=1.0))
    coverage = cut(grey(np.asarray(image, np.float32), 6.0), noise=0.01, blur_px=0.8)
    light = cut(grey(np.asarray(image, np.float32), 12.0), noise=0.01, blur_px=0.8)
    for result in (coverage, light):
        assert float(np.median(widths(result[10:-10, 25:]))) == pytest.approx(6, abs=0.8)


def test_depth_is_told_from_the_bend_of_thin_lines() -> None:
    page = canvas(120, 120)
    for k in range(8):
        bar(page, (10 + 13 * k, -5), (13 + 13 * k, 125), 2.4)
    absorbed = np.asarray(1 - photographed(page, 1.0, 0.005), np.float32)
    assert absorbed.max() < 0.8  # the blur has taken a fifth of the ink
    assert float(np.median(ink_depth(1 - absorbed, 12.0, 1.0, 0.005).blocks)) == pytest.approx(
        BLACK, abs=0.06
    )


@pytest.mark.parametrize("gain", [0.0, 0.25, 0.5])
def test_levels_follow_the_error_function(gain: float) -> None:
    # w/σ 1.349 just reaches half, 2 is 0.933 of its width half-way (computed, also by numerical
    # quadrature here: sums of a sampled bar under a sampled Gaussian)
    step = 0.01
    x = np.arange(-1200, 1201) * step
    bell = np.exp(-(x**2) / 2) / math.sqrt(2 * math.pi) * step
    for ratio in (1.349, 2.0, 2.5):
        shape = (np.abs(x) <= ratio / 2).astype(float)
        soft = np.convolve(shape, bell, mode="same")
        sharp = soft - gain / 2 * np.gradient(np.gradient(soft, step), step)
        grid, level = levels.ridge_table(gain)
        edge = float(np.interp(ratio / 2, x, sharp))
        assert np.interp(sharp[1200], grid, level) == pytest.approx(edge, abs=0.006)
    if gain == 0:
        assert np.interp(0.5, *levels.ridge_table(0.0)) == pytest.approx(0.411, abs=0.002)


def test_cell_levels_follow_a_blurred_disc() -> None:
    radius, sigma = 24.0, 12.0
    y, x = np.mgrid[-80:81, -80:81]
    soft = cv2.GaussianBlur((np.hypot(x, y) <= radius).astype(np.float32), (0, 0), sigma)
    grid, level = levels.cell_table(0.0)
    rim = float(np.interp(radius, np.arange(81), soft[80, 80:]))
    assert np.interp(soft[80, 80], grid, level) == pytest.approx(rim, abs=0.01)


def test_resolution_is_gained_by_cutting_the_grey() -> None:
    page = _with_black(canvas(100, 100))
    for k in range(6):
        bar(page, (25 + 12 * k, 5), (30 + 12 * k, 95), 1.5 + 0.5 * k)
    image = photographed(page, 0.8, 0.01)
    scale = 300 / 25.4
    ink = cut_at(cut(grey(image, scale), noise=0.01, blur_px=0.8), scale, 600.0)
    truth = cv2.resize(page, (200, 200), interpolation=cv2.INTER_AREA) > 127
    both = int((ink & truth).sum())
    assert 200 * both / (int(ink.sum()) + int(truth.sum())) > 98.3


def _scene(seed: int, noise: float) -> F32:
    rng = np.random.default_rng(seed)
    page = canvas(48, 48)
    page[: 8 * FINE] = 255
    for _ in range(4):
        ends = rng.uniform(0, 48, 4)
        bar(page, (ends[0], ends[1]), (ends[2], ends[3] + 1), rng.uniform(1, 5))
    return photographed(page, 0.8, noise, seed=seed)


@settings(max_examples=12, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    noise=st.floats(0.0, 0.1),
    scale=st.sampled_from([5.0, 8.0, 12.0, 24.0]),
)
def test_coverage_is_a_share(seed: int, noise: float, scale: float) -> None:
    image = grey(_scene(seed, noise), scale)
    coverage = cut(image, noise=noise, blur_px=0.8)
    assert coverage.dtype == np.float32
    assert coverage.shape == image.ink.shape
    assert coverage.min() >= 0
    assert coverage.max() <= 1


@settings(max_examples=8, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10**6), scale=st.sampled_from([5.0, 12.0]))
def test_cut_turns_and_mirrors_with_the_page(seed: int, scale: float) -> None:
    image = _scene(seed, 0.01)
    straight = cut(grey(image, scale), noise=0.01, blur_px=0.8)
    for change in (np.rot90, np.flipud, np.transpose):
        moved = np.ascontiguousarray(change(image))
        result = cut(grey(moved, scale), noise=0.01, blur_px=0.8)
        # a network sees a turned page a little differently; where it sees ink, light is exact
        unlike = np.abs(result - change(straight))
        assert (unlike > 0.02).mean() < (0.05 if scale >= 8.5 else 0.5)
        assert ((result > 0.5) != (change(straight) > 0.5)).mean() < 0.04


@pytest.mark.parametrize("shape", [(1, 1), (1, 40), (5, 3), (64, 64)])
@pytest.mark.parametrize("value", [0.0, 0.5, 1.0])
def test_pages_of_one_value(shape: tuple[int, int], value: float) -> None:
    coverage = cut(grey(np.full(shape, value, np.float32)), noise=0.01, blur_px=0.8)
    assert coverage.shape == shape
    if value == 1.0:
        assert not coverage.any()


def test_soft_shapes_of_which_the_network_is_nowhere_sure_go_from_coarse_pages() -> None:
    coverage = np.zeros((60, 200), np.float32)
    ink = np.ones(coverage.shape, np.float32)
    for left, blur in ((20, 1.2), (80, 0.6), (140, 3.0)):  # sure; unsure but crisp; unsure
        coverage[20:40, left : left + 20] = 0.9
        one = np.ones(coverage.shape, np.float32)
        one[20:40, left : left + 20] = 0.2
        ink *= np.asarray(cv2.GaussianBlur(one, (0, 0), blur), np.float32)
    sure = np.zeros(coverage.shape, np.bool_)
    sure[20:22, 20:40] = True  # a tenth of the first
    before = coverage.copy()
    drop_unsure(coverage, sure, ink)
    before[:, 140:160] = 0
    np.testing.assert_array_equal(coverage, before)


def test_squares_of_two_px_are_found() -> None:
    rng = np.random.default_rng(0)
    for share, shape in ((0.4, (1, 7)), (0.7, (7, 1)), (0.7, (40, 61)), (0.9, (2, 2))):
        mask = rng.random(shape) < share
        wanted = np.zeros_like(mask)
        full = mask[:-1, :-1] & mask[1:, :-1] & mask[:-1, 1:] & mask[1:, 1:]
        for down, right in ((0, 0), (0, 1), (1, 0), (1, 1)):
            wanted[down : down + len(full), right : right + full.shape[1]] |= full
        assert np.array_equal(squares(mask), wanted)
