"""The camera does what its conditions say."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inkclean.base.arrays import F32, F64
from inkclean.base.units import Paper
from inkclean.demo.camera import lamp
from inkclean.demo.camera import shot as camera
from inkclean.demo.camera import table as desk
from inkclean.demo.camera.conditions import Conditions
from inkclean.demo.camera.shot import Shot
from inkclean.demo.camera.view import View, aim
from inkclean.demo.drawing.page import PENCILS, DrawnPage

CARD = Paper("card", 80.0, 100.0)
SCALE = 600.0 / 25.4
# small, and nothing by chance: each test adds what it looks at
PLAIN: dict[str, Any] = {
    "width_px": 700,
    "height_px": 900,
    "tilt": 0.0,
    "turn": 0.0,
    "fill": 0.9,
    "grain": 0.0,
    "dust": 0,
    "desk": "dark",
    "light_ratio": 1.0,
    "lamp_k": 6500.0,
    "ambient_k": 6500.0,
    "vignette": 0.0,
    "exposure": 0.8,
    "gloss": 0.0,
    "ink_texture": 0.0,
    "shot": 0.0,
    "read": 0.0,
    "chroma_soft_px": 0.0,
    "contrast": 0.0,
    "sharpen": 0.0,
    "jpeg_quality": 98,
}


@cache
def _card() -> DrawnPage:
    """A card with a bar 20 mm wide, a line of 0.5 mm, and a band of pencil."""
    size = (round(CARD.height_mm * SCALE), round(CARD.width_mm * SCALE))
    ink = np.zeros(size, np.float32)
    ink[_px(20) : _px(60), _px(10) : _px(30)] = 1.0
    ink[_px(20) : _px(60), _px(60) : _px(60.5)] = 1.0
    half = (round(CARD.height_mm * SCALE / 2), round(CARD.width_mm * SCALE / 2))
    pencil = np.zeros(half, np.float32)
    pencil[_px(70) // 2 : _px(80) // 2] = 1.0
    none = np.zeros((0, 4), np.float32)
    return DrawnPage(
        ink=ink,
        pencil=pencil,
        paper=CARD,
        px_per_mm=SCALE,
        pencil_px_per_mm=SCALE / 2,
        pencil_rgb=PENCILS["red"],
        ink_rgb=(0.04, 0.04, 0.04),
        hatching=none,
        hatching_width=none[:, 0],
        dots=none[:, :3],
        blacks=(),
    )


def _px(mm: float) -> int:
    return round(mm * SCALE)


def _shoot(**changes: Any) -> Shot:
    return camera.photograph(_card(), Conditions(**{**PLAIN, **changes}))


def _linear(shot: Shot) -> F64:
    """Decode sRGB (IEC 61966-2-1)."""
    v = shot.pixels / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def _at(image: F64, shot: Shot, x_mm: float, y_mm: float, reach: int = 4) -> F64:
    col, row = shot.to_photo(np.array([x_mm, y_mm])).astype(int)
    part = image[row - reach : row + reach + 1, col - reach : col + reach + 1]
    return np.asarray(part.mean(axis=(0, 1)), np.float64)


def _some_view(tilt: float, toward: float, turn: float, bow: float, radial: float) -> View:
    return aim(
        210.0,
        297.0,
        (4000, 3000),
        tilt_deg=tilt,
        tilt_toward_deg=toward,
        turn_deg=turn,
        distance=1.4,
        fill=0.9,
        shift=(0.01, -0.02),
        bow_mm=bow,
        bow_axis=1,
        radial=radial,
    )


@settings(max_examples=40, deadline=None)
@given(
    st.floats(0, 25),
    st.floats(0, 360),
    st.floats(-30, 30),
    st.floats(0, 12),
    st.floats(-0.05, 0.05),
)
def test_mapping_comes_back(
    tilt: float, toward: float, turn: float, bow: float, radial: float
) -> None:
    view = _some_view(tilt, toward, turn, bow, radial)
    places = np.random.default_rng(1).uniform(0, 1, (200, 2)) * (210, 297)
    assert np.abs(view.to_page(view.to_photo(places)) - places).max() < 1e-6


def test_the_sheet_fills_what_was_asked_and_lies_in_the_middle() -> None:
    shot = _shoot(turn=20.0, tilt=15.0)
    low, high = shot.corners_px.min(axis=0), shot.corners_px.max(axis=0)
    share = (high - low) / (700, 900)
    assert share.max() == pytest.approx(0.9)
    assert np.allclose((low + high) / 2, (350, 450))


def test_a_bowed_sheet_keeps_its_lengths_and_straight_generators() -> None:
    view = _some_view(0.0, 0.0, 0.0, 10.0, 0.0)
    across = view.to_photo(np.stack([np.linspace(0, 210, 9), np.full(9, 80.0)], axis=1))
    assert np.abs(np.polyfit(across[:, 0], across[:, 1], 2)[0]) < 1e-9
    down = view.to_photo(np.stack([np.zeros(9), np.linspace(0, 297, 9)], axis=1))
    inward = np.interp(down[:, 1], down[[0, -1], 1], down[[0, -1], 0]) - down[:, 0]
    assert inward[4] > 5.0  # the middle stands nearer to the camera, so its edge bulges out
    assert np.abs(inward[[0, -1]]).max() < 1e-9


def test_edges_lie_where_the_mapping_says() -> None:
    shot = _shoot(turn=3.0, tilt=10.0, tilt_toward=30.0, blur_px=0.9)
    light = _linear(shot)[..., 1]
    # the bar's edges lie on whole pixels of the page
    left, right = _px(10) / SCALE, _px(30) / SCALE
    for x_mm, y_mm, dark_right in ((left, 40.0, True), (right, 45.0, False), (80.0, 50.0, True)):
        place = shot.to_photo(np.array([x_mm, y_mm]))
        row = int(place[1])
        at_row = shot.to_photo(np.array([x_mm, y_mm]) + np.linspace(-1, 1, 21)[:, None] * (0, 1))
        true_x = float(np.interp(row + 0.5, at_row[:, 1], at_row[:, 0]))
        cols = np.arange(int(true_x) - 7, int(true_x) + 8)
        values = light[row, cols] if not dark_right else -light[row, cols]
        half = (values[0] + values[-1]) / 2
        found = float(np.interp(half, values, cols + 0.5))
        assert found == pytest.approx(true_x, abs=0.06)


def test_a_thin_line_keeps_its_ink() -> None:
    """Sampling by area: the light that a line takes is its width, wherever it falls."""
    shot = _shoot(blur_px=0.7, turn=4.0)
    light = _linear(shot)[..., 1]
    paper = _at(light, shot, 50.0, 40.0)
    lost = []
    for y_mm in np.linspace(25, 55, 40):
        a = shot.to_photo(np.array([57.0, y_mm]))
        part = light[int(a[1]), int(a[0]) : int(a[0]) + 48]
        lost.append(float((1 - part / paper).sum()) / (1 - 0.04 / 0.86))
    across = shot.view.px_per_mm() / np.cos(np.radians(4.0))
    assert np.mean(lost) == pytest.approx(0.5 * across, rel=0.03)


def test_paper_ink_and_pencil_have_their_reflectance() -> None:
    shot = _shoot()
    light = _linear(shot)
    paper = _at(light, shot, 45.0, 40.0)
    assert paper == pytest.approx(0.8 * np.array([0.86, 0.86, 0.87]), rel=0.02)
    ink = _at(light, shot, 20.0, 40.0) / paper
    assert ink == pytest.approx(0.04 / np.array([0.86, 0.86, 0.87]), abs=0.006)
    pencil = _at(light, shot, 45.0, 75.0) / paper
    assert pencil == pytest.approx(np.array(PENCILS["red"]), abs=0.03)


@pytest.mark.parametrize("ratio", [1.5, 3.0])
def test_light_ratio_over_the_sheet(ratio: float) -> None:
    shot = _shoot(light_ratio=ratio, light_from=0.0)
    light = _linear(shot)[..., 1]
    near, far = (_at(light, shot, x, 65.0) for x in (78.0, 2.0))
    assert near / far == pytest.approx(ratio, rel=0.12)


def test_lamp_is_warm_and_white_balance_takes_it_out() -> None:
    warmth = lamp.colour(2800.0)
    assert warmth[0] > 1.3
    assert warmth[2] < 0.8
    assert lamp.colour(6500.0) == pytest.approx(np.ones(3))
    warm, balanced = (
        _at(_linear(s), s, 45.0, 40.0)
        for s in (_shoot(lamp_k=2800.0, white_balance=b, exposure=0.5) for b in (0.0, 1.0))
    )
    assert warm[0] / warm[2] > 1.8
    assert balanced[0] / balanced[2] == pytest.approx(0.86 / 0.87, rel=0.04)


def test_shadow_takes_its_share_and_its_edge_its_width() -> None:
    hard, soft = (
        _linear(s)[..., 1] for s in (_shoot(shadow=0.5, shadow_soft_mm=w) for w in (0.5, 20.0))
    )
    bare = _linear(_shoot())[..., 1]
    shot = _shoot()
    assert _at(hard / bare, shot, 4.0, 4.0) == pytest.approx(0.515, abs=0.02)
    assert _at(hard / bare, shot, 76.0, 96.0) == pytest.approx(1.0, abs=0.02)

    def between(image: F64) -> float:
        share = (image / bare)[100:800, 100:600]
        return float(np.mean((share > 0.56) & (share < 0.94)))

    assert between(soft) > 4 * between(hard)


def test_blur_has_its_deviation() -> None:
    """The step across the bar's edge has the deviation asked for, and the pixel's own."""
    for sigma in (0.8, 1.6):
        shot = _shoot(blur_px=sigma, turn=5.0, tilt=0.0)
        light = _linear(shot)[..., 1]
        rows = np.arange(*(int(v) for v in shot.to_photo(np.array([[30.0, 30], [30.0, 50]]))[:, 1]))
        offsets, slopes = [], []
        for row in rows:
            mm = np.stack([np.full(50, 30.0), np.linspace(25, 55, 50)], axis=1)
            edge = shot.to_photo(mm)
            x = float(np.interp(row + 0.5, edge[:, 1], edge[:, 0]))
            cols = np.arange(int(x) - 8, int(x) + 8)
            offsets.append(cols + 1.0 - x)
            slopes.append(np.diff(light[row, int(x) - 8 : int(x) + 9]))
        at, weight = np.concatenate(offsets), np.concatenate(slopes)
        mean = np.sum(at * weight) / weight.sum()
        variance = np.sum((at - mean) ** 2 * weight) / weight.sum()
        # the pixel's box, and the difference's, add a twelfth each
        assert np.sqrt(variance - 2 / 12) == pytest.approx(sigma, rel=0.06)


def test_noise_grows_with_light() -> None:
    noisy = Conditions(**{**PLAIN, "shot": 4e-4, "read": 0.003, "jpeg_quality": 100})
    shot = camera.scan(_card(), 150, grey=True, conditions=noisy)
    light = _linear(shot)[..., 1]
    # grey is a weighted mean of three channels with noise of their own
    share = np.hypot(np.hypot(0.2126, 0.7152), 0.0722)
    for x_mm, level in ((45.0, 0.8 * 0.86), (20.0, 0.8 * 0.04)):
        col, row = shot.to_photo(np.array([x_mm, 40.0])).astype(int)
        spread = float(light[row - 40 : row + 40, col - 25 : col + 25].std())
        assert spread == pytest.approx(share * np.sqrt(4e-4 * level + 0.003**2), rel=0.1)


def test_dust_lies_where_it_is_said_and_off_the_ink() -> None:
    with_dust, without = _shoot(dust=40, blur_px=0.6), _shoot(blur_px=0.6)
    assert with_dust.dust.shape == (40, 3)
    assert (with_dust.dust[:, 2] >= 0.05).all()
    assert (with_dust.dust[:, 2] <= 0.2).all()
    change = _linear(without)[..., 1] - _linear(with_dust)[..., 1]
    large = with_dust.dust[with_dust.dust[:, 2] > 0.12]
    for x, y, _ in large:
        col, row = with_dust.to_photo(np.array([x, y], np.float64)).astype(int)
        assert change[row - 1 : row + 2, col - 1 : col + 2].max() > 0.015
        at_row, at_col = int(y * SCALE), int(x * SCALE)
        assert _card().ink[at_row - 5 : at_row + 6, at_col - 5 : at_col + 6].max() == 0.0


def test_grid_and_show_through_mark_the_paper_faintly() -> None:
    plain, grid, through = _shoot(), _shoot(grid_mm=5.0), _shoot(show_through=0.2)
    on_line = _linear(grid)[..., 0] / _linear(plain)[..., 0]
    col, row = grid.to_photo(np.array([47.5, 90.0])).astype(int)
    assert on_line[row - 30 : row + 30, col].min() < 0.9
    share = _linear(through)[..., 1] / _linear(plain)[..., 1]
    # the bar at 10 to 30 mm shines through mirrored, at 50 to 70 mm
    assert _at(share, through, 55.0, 40.0) == pytest.approx(0.8, abs=0.03)
    assert _at(share, through, 40.0, 40.0) == pytest.approx(1.0, abs=0.02)


def test_desks_differ_and_fill_the_photo() -> None:
    means: dict[str, float] = {}
    for kind in ("dark", "wood", "white", "clutter"):
        shot = _shoot(desk=kind, fill=0.5)
        light = _linear(shot)
        means[kind] = float(light[5:60].mean())
    assert means["dark"] < 0.05 < means["wood"] < 0.3 < means["white"]
    painted: F32 = desk.paint("wood", (40, 60), np.zeros((4, 2)), np.random.default_rng(0))
    assert painted.shape == (20, 30, 3)


def test_same_seed_same_photo() -> None:
    one, two = (_shoot(shot=2e-4, grain=0.01, dust=5, seed=3) for _ in range(2))
    other = _shoot(shot=2e-4, grain=0.01, dust=5, seed=4)
    assert one.jpeg == two.jpeg
    assert one.jpeg != other.jpeg


def test_scan_has_no_desk_and_grey_has_no_colour() -> None:
    scan = camera.scan(_card(), 300, grey=True)
    assert scan.pixels.shape == (round(100 * 300 / 25.4), round(80 * 300 / 25.4), 3)
    spread = scan.pixels.astype(np.int16)
    assert np.abs(spread[..., 0] - spread[..., 1]).max() <= 1
    assert np.allclose(scan.corners_px[2], (80 * 300 / 25.4, 100 * 300 / 25.4))
    assert spread[:10].min() > 200
