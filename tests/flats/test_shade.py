from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from inkclean.base.arrays import F32, I32
from inkclean.flats.colour import relief
from inkclean.flats.colour.palette import MUTED
from inkclean.flats.colour.relief import inflate, normals
from inkclean.flats.colour.shade import Shading, lit, shade_areas, shaded
from inkclean.flats.colour.space import to_lab
from inkclean.flats.values import BACKGROUND, Flats
from tests.flats.small_maps import flats_of, lined

ALONE: F32 = np.array([np.inf, 1], np.float32)


def _disc(side: int, radius: float) -> tuple[I32, F32, F32]:
    y, x = (np.mgrid[:side, :side] + 0.5 - side / 2).astype(np.float32)
    return (np.hypot(x, y) < radius).astype(np.int32), x, y


@pytest.mark.parametrize("px_per_mm", [4.0, 10.0])
def test_a_small_disc_becomes_half_a_ball(
    monkeypatch: pytest.MonkeyPatch, px_per_mm: float
) -> None:
    # the closed form: ∇²u = −1 on a disc has u = (R² − r²)/4
    monkeypatch.setattr(relief, "REACH_MM", 1e6)
    radius = 60.0
    body, x, y = _disc(200, radius)
    u = inflate(body, ALONE, px_per_mm)
    r2 = x * x + y * y
    inside = r2 < (radius - 5) ** 2
    true = (radius**2 - r2) / px_per_mm**2 / 4
    assert np.abs(u - true)[inside].max() < 0.05 * true.max()
    nx, ny, nz = normals(u, body, ALONE, px_per_mm)
    for found, expected in ((nx, x), (ny, y), (nz, np.sqrt(np.maximum(radius**2 - r2, 0)))):
        assert np.abs(found - expected / radius)[inside].max() < 0.05


def test_normals_have_unit_length_everywhere() -> None:
    body, _, _ = _disc(120, 40)
    nx, ny, nz = normals(inflate(body, ALONE, 4.0), body, ALONE, 4.0)
    np.testing.assert_allclose(nx**2 + ny**2 + nz**2, 1.0, atol=1e-4)


def test_a_wide_area_stays_level_in_the_middle() -> None:
    body = np.zeros((400, 400), np.int32)
    body[4:-4, 4:-4] = 1
    _, _, nz = normals(inflate(body, ALONE, 4.0), body, ALONE, 4.0)
    assert nz[180:220, 180:220].min() > 0.99
    assert nz[6, 200] < 0.6


def test_what_is_small_lies_in_front_and_does_not_dent_the_large() -> None:
    body, x, y = _disc(300, 120)
    with_eye = body + (np.hypot(x, y) < 12)
    size = np.array([np.inf, 1000, 10], np.float32)
    plain = inflate(body, ALONE, 4.0)
    dented = inflate(with_eye, size, 4.0)
    beside = (np.hypot(x, y) > 14) & (np.hypot(x, y) < 22)
    assert np.abs(dented - plain)[beside].max() < 0.1 * plain.max()
    assert dented[150, 150] < 0.2 * plain[150, 150]  # the eye has its own roundness


def _shaded(flats: Flats, direction: float) -> Shading:
    return shade_areas(flats, lined(flats, 3), direction)


def _ball(px_per_mm: float = 8.0, radius_mm: float = 9.0) -> Flats:
    side = round(24 * px_per_mm)
    body, _, _ = _disc(side, radius_mm * px_per_mm)
    return flats_of(body + 1, px_per_mm, [BACKGROUND, 0])


def test_lower_parts_are_darker_when_light_comes_from_above() -> None:
    shading = _shaded(_ball(), 0)
    middle = shading.shade.shape[0] // 2
    assert shading.shade[middle + 40 :].sum() > 20 * max(shading.shade[: middle - 40].sum(), 1)
    assert shading.light[:middle].sum() > 20 * max(shading.light[middle:].sum(), 1)


@pytest.mark.parametrize("direction", [0.0, 45.0, 90.0, 200.0, 315.0])
def test_light_comes_from_where_the_compass_says(direction: float) -> None:
    shading = _shaded(_ball(), direction)
    side = shading.light.shape[0]
    y, x = np.mgrid[:side, :side] + 0.5 - side / 2
    toward = np.array([np.sin(np.radians(direction)), -np.cos(np.radians(direction))])
    for layer, sign in ((shading.light, 1), (shading.shade, -1)):
        weight = layer.astype(np.float64)
        mean = np.array([(x * weight).sum(), (y * weight).sum()]) * sign
        assert mean @ toward / np.hypot(*mean) > 0.999


def test_paper_is_neither_shaded_nor_lit() -> None:
    flats = _ball()
    shading = _shaded(flats, 315)
    off = flats.labels == 1
    # the relief's grid is coarser than the page: it may reach half a cell over the outline
    inner = np.hypot(*(np.mgrid[:192, :192] + 0.5 - 96)) > 72 + 3
    assert not shading.shade[off & inner].any()
    assert not shading.light[off & inner].any()
    assert shading.shade.max() > 60


def test_it_is_gentle() -> None:
    shading = _shaded(_ball(), 0)
    assert shading.shade.max() <= 0.6 * 255
    assert shading.light.max() <= 0.4 * 255


def test_shade_is_darker_and_cooler_light_lighter_and_warmer() -> None:
    for colour in MUTED:
        flat, dark, bright = to_lab(colour), to_lab(shaded(colour)), to_lab(lit(colour))
        assert dark[0] < flat[0] - 10 < bright[0] - 15
        assert dark[2] < flat[2]
        assert bright[2] > flat[2] - 1


def test_the_same_at_another_resolution() -> None:
    fine, coarse = _shaded(_ball(16.0), 315), _shaded(_ball(8.0), 315)
    every_other = (fine.shade[::2, ::2].astype(int) + fine.shade[1::2, 1::2]) / 2
    inside = np.hypot(*(np.mgrid[:192, :192] + 0.5 - 96)) < 66
    assert np.abs(every_other - coarse.shade)[inside].max() < 8


def test_an_eye_lies_on_the_face() -> None:
    flats = _ball(8.0, 10.0)
    labels = flats.labels.astype(np.int32)
    y, x = np.mgrid[: labels.shape[0], : labels.shape[1]]
    labels[np.hypot(x - 96, y - 130) < 10] = 3
    with_eye = flats_of(labels, 8.0, [BACKGROUND, 0, 0])
    with_eye.areas["enclosing"][2] = 2
    np.testing.assert_array_equal(_shaded(with_eye, 0).shade, _shaded(flats, 0).shade)
    free = replace(with_eye, areas=with_eye.areas.copy())
    free.areas["enclosing"] = 0
    assert (_shaded(free, 0).shade != _shaded(flats, 0).shade).any()


def test_a_tiny_page() -> None:
    for shape in ((1, 1), (1, 30), (3, 2)):
        shading = _shaded(flats_of(np.ones(shape, np.int32), 20.0), 315)
        assert shading.shade.shape == shape


def test_the_rim_beside_a_spot_black_is_shaded_and_a_small_black_dents_nothing() -> None:
    flats = _ball(8.0, 10.0)
    plain = lined(flats, 3)
    y, x = np.mgrid[:192, :192] + 0.5 - 96
    beneath = np.where(y > 20, np.float32(1), plain.coverage)
    shading = shade_areas(flats, replace(plain, coverage=beneath), 0)
    rim = (y > 10) & (y < 20) & (np.abs(x) < 20)
    assert shading.shade[rim].mean() > 2 * shade_areas(flats, plain, 0).shade[rim].mean() + 20
    pupil = np.where(np.hypot(x, y) < 14, np.float32(1), plain.coverage)
    shading = shade_areas(flats, replace(plain, coverage=pupil), 0)
    around = (np.hypot(x, y) > 16) & (np.hypot(x, y) < 26)
    assert shading.shade[around].max() < 40
