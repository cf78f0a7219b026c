"""Coverage is exact: areas and places of known shapes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inkclean.base.arrays import F64
from inkclean.demo.drawing import raster
from inkclean.demo.drawing.pen import Pen, disc, ink_strokes


def _cover(
    *polygons: F64, shape: tuple[int, int] = (60, 80)
) -> np.ndarray[tuple[int, ...], np.dtype[np.float32]]:
    return raster.coverage(*raster.join(list(polygons)), shape)


def _disc(x: float, y: float, r: float, n: int = 720) -> F64:
    t = np.linspace(0, 2 * np.pi, n, endpoint=False)
    return np.stack([x + r * np.cos(t), y + r * np.sin(t)], axis=1)


@settings(max_examples=40, deadline=None)
@given(st.floats(12, 60), st.floats(12, 45), st.floats(0.2, 11.0), st.booleans())
def test_disc_covers_its_area_pixel_by_pixel(x: float, y: float, r: float, back: bool) -> None:
    shape = _disc(x, y, r)
    cover = _cover(shape[::-1] if back else shape)
    assert float(cover.sum(dtype=np.float64)) == pytest.approx(np.pi * r * r, rel=1e-3)
    fine = 24
    rows, cols = (np.mgrid[: 60 * fine, : 80 * fine] + 0.5) / fine
    inside = np.hypot(cols - x, rows - y) < r
    counted = inside.reshape(60, fine, 80, fine).mean(axis=(1, 3))
    # a straight edge through a pixel is counted to about one sub-pixel's breadth
    assert np.abs(cover - counted).max() < 1.2 / fine


@settings(max_examples=60, deadline=None)
@given(st.floats(-20, 90), st.floats(-20, 70), st.floats(0.05, 40), st.floats(0.05, 40))
def test_bar_covers_exactly_its_share_of_every_pixel(
    x: float, y: float, w: float, h: float
) -> None:
    bar = np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]])
    along = np.clip(np.minimum(np.arange(80) + 1, x + w) - np.maximum(np.arange(80), x), 0, 1)
    down = np.clip(np.minimum(np.arange(60) + 1, y + h) - np.maximum(np.arange(60), y), 0, 1)
    assert np.allclose(_cover(bar), down[:, None] * along[None], atol=2e-5)


def test_shapes_that_touch_leave_no_seam_and_overlaps_stay_full() -> None:
    left = np.array([[5.0, 5.0], [20.3, 5.0], [24.9, 50.0], [5.0, 50.0]])
    right = np.array([[20.3, 5.0], [70.0, 5.0], [70.0, 50.0], [24.9, 50.0]])
    assert np.allclose(_cover(left, right)[6:49, 6:69], 1.0, atol=1e-5)
    assert _cover(left, left + np.array([3.0, 0.0]), right).max() <= 1.0


def test_a_straight_stroke_has_its_width() -> None:
    pen = Pen(0.2, pressure=0.0, wobble_mm=0.0)
    line = np.array([[2.13, 3.0], [21.7, 9.3]])
    centres = (line[0] + np.linspace(0, 1, 20)[:, None] * (line[1] - line[0]))[None]
    (outline,) = ink_strokes(centres, pen, np.random.default_rng(0))
    area, _ = raster.areas(*raster.join([outline, outline]))
    length = float(np.hypot(*(line[1] - line[0])))
    # the round caps are polygons: a little less than half discs
    assert abs(area) == pytest.approx(0.2 * length + np.pi * 0.01, rel=2e-3)


def test_a_dot_set_by_hand_has_the_area_of_its_disc() -> None:
    shape = disc(3.0, 4.0, 0.3, 0.05, np.random.default_rng(1))
    assert abs(raster.areas(*raster.join([shape]))[0]) == pytest.approx(np.pi * 0.15**2, rel=1e-6)
