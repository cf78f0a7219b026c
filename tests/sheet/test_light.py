"""Light: known fields of it divided out, and nothing drawn divided out with them."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import F32, U8, Bool
from inkclean.sheet.light import even_light
from inkclean.sheet.values import Sheet
from tests.sheet.patches import BLACK, FRAME, PX_PER_MM, draw, linear, position, shoot

SIZE = (1080, 1080)


def _even(pixels: U8, inside: Bool | None = None) -> Sheet:
    return even_light(pixels, PX_PER_MM, FRAME, inside)


def _smooth(image: F32, bare: Bool, sigma: float = PX_PER_MM) -> F32:
    """Mean over bare paper near by, so that grain doesn't count."""
    weight = bare.astype(np.float32)
    mean = cv2.GaussianBlur(image * weight, (0, 0), sigma)
    return np.asarray(mean / np.maximum(cv2.GaussianBlur(weight, (0, 0), sigma), 1e-3), np.float32)


def _bare(ink: F32, margin_px: int = 4) -> Bool:
    size = 2 * margin_px + 1
    return np.asarray(cv2.dilate(ink, np.ones((size, size), np.uint8)) < 0.01, np.bool_)


def _unevenness(sheet: Sheet, bare: Bool) -> float:
    """The worst channel's spread, 5th to 95th percentile over the median."""
    spreads = []
    for channel in range(3):
        plane = np.ascontiguousarray(sheet.reflectance[..., channel])
        low, middle, high = np.percentile(_smooth(plane, bare)[bare], [5, 50, 95])
        assert middle == pytest.approx(1.0, abs=0.01)
        spreads.append((high - low) / middle)
    return float(max(spreads))


def _lamps(shape: tuple[int, int]) -> F32:
    """A warm lamp from one side, a cool window from the other, and a lens that vignettes."""
    x, y = position(shape)
    warm = (1.0 - 0.6 * x - 0.15 * y)[..., None] * np.array([1.0, 0.85, 0.6], np.float32)
    cool = (0.1 + 0.3 * x)[..., None] * np.array([0.7, 0.85, 1.0], np.float32)
    vignette = 1.0 - 0.35 * ((x - 0.5) ** 2 + (y - 0.5) ** 2) / 0.5
    return np.asarray((warm + cool) * vignette[..., None], np.float32)


def _shadow(shape: tuple[int, int], soft_mm: float, dim: float | None = None) -> F32:
    """A slanting shadow; ``soft_mm`` from a tenth to nine tenths of the light."""
    x, y = position(shape)
    away_mm = (0.8 * x + 0.6 * y - 0.7) * shape[1] / PX_PER_MM
    lit = 1.0 / (1.0 + np.exp(np.clip(away_mm * 4.39 / soft_mm, -40, 40)))
    within = np.array([0.42, 0.45, 0.50] if dim is None else [dim] * 3, np.float32)
    return np.asarray(lit[..., None] * (1 - within) + within, np.float32)


def test_gradients_lamps_and_vignetting_leave_the_paper_even() -> None:
    drawn = draw()
    sheet = _even(shoot(drawn.reflectance, _lamps(SIZE)))
    assert _unevenness(sheet, _bare(drawn.ink)) < 0.02


def test_tinted_paper_becomes_white_in_every_channel() -> None:
    drawn = draw()
    cream = linear("#F3E6C8").astype(np.float32)
    sheet = _even(shoot(drawn.reflectance * cream))
    assert _unevenness(sheet, _bare(drawn.ink)) < 0.02


def test_the_light_found_is_the_light_laid_on() -> None:
    light = _lamps(SIZE)
    sheet = _even(shoot(draw().reflectance, light, exposure=0.8))
    grid = sheet.shading.shape[1], sheet.shading.shape[0]
    truth = cv2.resize(light * np.float32(0.8), grid, interpolation=cv2.INTER_AREA)
    error = np.abs(sheet.shading / truth - 1.0)
    # Within a black, light can only be carried over from its rim.
    assert np.percentile(error, 90) < 0.02


@pytest.mark.parametrize("soft_mm", [8.0, 3.0])
def test_a_cast_shadow_goes_and_its_edge_is_no_ink(soft_mm: float) -> None:
    drawn = draw(solid=False)
    sheet = _even(shoot(drawn.reflectance, _lamps(SIZE) * _shadow(SIZE, soft_mm)))
    bare = _bare(drawn.ink)
    assert _unevenness(sheet, bare) < 0.02
    fine = _smooth(np.ascontiguousarray(sheet.reflectance[..., 1]), bare, 2.0)
    assert fine[bare].min() > 0.75


@pytest.mark.parametrize("soft_mm", [10.0, 5.0])
@pytest.mark.parametrize("dim", [0.15, 0.1])
def test_a_shadow_as_deep_as_a_phones_is_no_black(soft_mm: float, dim: float) -> None:
    drawn = draw(solid=False)
    sheet = _even(shoot(drawn.reflectance, _shadow(SIZE, soft_mm, dim)))
    bare = _bare(drawn.ink)
    fine = _smooth(np.ascontiguousarray(sheet.reflectance[..., 1]), bare, 2.0)
    assert fine[bare].min() > 0.5
    assert (fine[bare] < 0.8).mean() < 0.01
    core = cv2.erode(drawn.ink, np.ones((5, 5), np.uint8)) > 0.99
    assert np.percentile(sheet.reflectance[core], 95) < 0.3


@pytest.mark.parametrize("tone", [0.07, 0.12])
@pytest.mark.parametrize("blur", [1.0, 3.0])
def test_a_greyish_black_up_to_the_sheets_side_stays(tone: float, blur: float) -> None:
    page = draw(solid=False).reflectance
    page[400:, :500] = tone
    sheet = _even(shoot(page, _lamps(SIZE), blur=blur))
    assert np.percentile(sheet.reflectance[430:, :470], 99) < 0.25


def test_a_hard_shadows_edge_is_no_ink_and_is_marked() -> None:
    drawn = draw(solid=False)
    sheet = _even(shoot(drawn.reflectance, _shadow(SIZE, 0.7)))
    bare = _bare(drawn.ink)
    assert sheet.shade_edge is not None
    fine = _smooth(np.ascontiguousarray(sheet.reflectance[..., 1]), bare, 1.5)
    assert fine[bare].min() > 0.6
    off = bare & (np.abs(fine - 1.0) > 0.1)
    assert sheet.shade_edge[off].mean() > 0.95
    assert sheet.shade_edge.mean() < 0.15


def test_lines_in_a_shadow_and_across_its_edge_keep_their_depth() -> None:
    drawn = draw(solid=False)
    lit = _even(shoot(drawn.reflectance))
    shaded = _even(shoot(drawn.reflectance, _shadow(SIZE, 3.0)))
    core = cv2.erode(drawn.ink, np.ones((5, 5), np.uint8)) > 0.99
    difference = shaded.reflectance[core] - lit.reflectance[core]
    assert np.percentile(np.abs(difference), 99) < 0.06


@pytest.mark.parametrize("share", [0.1, 0.4])
def test_blacks_up_to_two_fifths_of_the_page_stay_black_without_a_halo(share: float) -> None:
    cover = np.zeros(SIZE, np.float32)
    half = round(SIZE[0] * share**0.5 / 2)
    inner = slice(SIZE[0] // 2 - half, SIZE[0] // 2 + half)
    cover[inner, inner] = 1.0
    page = 1.0 - cover[..., None] * (1.0 - np.array(BLACK, np.float32))
    sheet = _even(shoot(page.astype(np.float32), _lamps(SIZE)))
    inside = cv2.erode(cover, np.ones((9, 9), np.uint8)) > 0.5
    assert np.percentile(sheet.reflectance[inside], 99) < 2 * max(BLACK)
    ring = _bare(cover, 4) & ~_bare(cover, 24)
    means = sheet.reflectance[ring].mean(axis=0)
    assert np.abs(means - 1.0).max() < 0.02


def test_a_black_across_a_shadows_edge_stays_black() -> None:
    drawn = draw()
    x, y = position(SIZE)
    away = (x + y - 0.64) * 90.0
    light = (0.45 + 0.55 / (1 + np.exp(np.clip(away, -40, 40))))[..., None]
    sheet = _even(shoot(drawn.reflectance, light.astype(np.float32)))
    solid = cv2.erode(drawn.ink, np.ones((61, 61), np.uint8)) > 0.99
    assert solid.any()
    assert sheet.reflectance[solid].max() < 0.2


def test_brushed_black_with_paper_shining_through_is_not_shade() -> None:
    rng = np.random.default_rng(8)
    page = np.ones((*SIZE, 3), np.float32)
    rough = cv2.GaussianBlur(rng.normal(0, 1, (600, 600)).astype(np.float32), (0, 0), 3.0)
    page[200:800, 200:800] = np.where(rough / rough.std() > 1.6, 0.7, 0.05)[..., None]
    sheet = _even(shoot(page))
    black = np.zeros(SIZE, np.bool_)
    black[200:800, 200:800] = (
        cv2.erode((page[200:800, 200:800, 0] < 0.1).astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
    )
    assert np.percentile(sheet.reflectance[black], 99) < 0.12


def test_pencil_shading_and_flat_tints_inside_the_page_are_not_light() -> None:
    page = np.ones((*SIZE, 3), np.float32)
    page[300:700, 250:600] = linear("#A4DDED")
    page[300:700, 700:900] = 0.55
    sheet = _even(shoot(page, _lamps(SIZE)))
    tint = sheet.reflectance[320:680, 270:580].reshape(-1, 3).mean(axis=0)
    assert tint == pytest.approx(linear("#A4DDED"), abs=0.03)
    assert sheet.reflectance[320:680, 720:880].mean() == pytest.approx(0.55, abs=0.03)


def test_hatching_keeps_its_depth() -> None:
    cover = np.zeros(SIZE, np.float32)
    cover[200:800, 200:800][:, np.arange(600) % 8 < 4] = 1.0
    page = 1.0 - cover[..., None] * (1.0 - np.array(BLACK, np.float32))
    sheet = _even(shoot(page.astype(np.float32), blur=0.7))
    assert sheet.reflectance[250:750, 250:750].mean() == pytest.approx(0.517, abs=0.03)


def test_a_fold_is_shallow_and_no_ink() -> None:
    _, y = position(SIZE)
    side = np.where(y < 0.5, 1.0, 0.88)
    crease = 1.0 - 0.15 * np.exp(-(((y - 0.5) * 90.0 / 0.6) ** 2))
    drawn = draw(solid=False)
    light = (side * crease)[..., None].astype(np.float32)
    sheet = _even(shoot(drawn.reflectance, light))
    bare = _bare(drawn.ink)
    assert _unevenness(sheet, bare) < 0.02
    fine = _smooth(np.ascontiguousarray(sheet.reflectance[..., 1]), bare, 1.5)
    assert fine[bare].min() > 0.78


def _with_discs(*places_mm: tuple[float, float]) -> F32:
    """A page with dark brown discs of 6 mm: the desk through holes, or drawn dots."""
    page = np.ones((*SIZE, 3), np.float32)
    for x, y in places_mm:
        centre = (round(x * PX_PER_MM), round(y * PX_PER_MM))
        cv2.circle(page, centre, round(3 * PX_PER_MM), (0.12, 0.07, 0.04), -1, cv2.LINE_AA)
    return page


def test_punched_holes_are_paper() -> None:
    """ISO 838: 6 mm across, 12 mm from the edge, (here 60 mm) apart."""
    sheet = _even(shoot(_with_discs((12.0, 15.0), (12.0, 75.0)), _lamps(SIZE)))
    assert sheet.reflectance.min() > 0.8


@pytest.mark.parametrize("places", [((12.0, 15.0),), ((45.0, 15.0), (45.0, 75.0))])
def test_a_lone_dot_and_dots_in_the_drawing_are_no_holes(
    places: tuple[tuple[float, float], ...],
) -> None:
    sheet = _even(shoot(_with_discs(*places), _lamps(SIZE)))
    for x, y in places:
        assert sheet.reflectance[round(y * PX_PER_MM), round(x * PX_PER_MM)].max() < 0.2


def test_noise_is_that_of_bare_paper() -> None:
    quiet = _even(shoot(draw().reflectance, noise=0.005)).noise
    loud = _even(shoot(draw().reflectance, noise=0.02)).noise
    # 0.02·sqrt(0.8) laid on light of 0.8.
    assert loud == pytest.approx(0.02 * 0.8**0.5 / 0.8, rel=0.15)
    assert quiet < 0.5 * loud


def test_where_the_photo_did_not_reach_is_blank_paper() -> None:
    pixels = shoot(draw().reflectance, _lamps(SIZE))
    inside = np.ones(SIZE, np.bool_)
    inside[:200, 700:] = False
    pixels[~inside] = 0
    sheet = _even(pixels, inside)
    assert (sheet.reflectance[~inside] == 1.0).all()
    rim = sheet.reflectance[205:230, 720:].reshape(-1, 3).mean(axis=0)
    assert rim == pytest.approx([1.0, 1.0, 1.0], abs=0.06)


@pytest.mark.parametrize("shape", [(1, 1), (1, 7), (3, 2), (40, 30), (500, 17)])
@pytest.mark.parametrize("value", [0, 30, 255])
def test_any_picture_gives_a_finite_sheet_of_its_shape(shape: tuple[int, int], value: int) -> None:
    sheet = _even(np.full((*shape, 3), value, np.uint8))
    assert sheet.reflectance.shape == (*shape, 3)
    assert sheet.reflectance.dtype == np.float32
    assert np.isfinite(sheet.reflectance).all()
    assert sheet.noise > 0


def test_the_input_is_not_written_to() -> None:
    pixels = shoot(draw().reflectance)
    before = pixels.copy()
    _even(pixels)
    assert (pixels == before).all()
