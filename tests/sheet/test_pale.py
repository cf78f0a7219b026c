"""Blacks in pale ink: kept, however their rims fray; shadows on such pages still go."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import F32
from inkclean.sheet.light import even_light
from tests.sheet.patches import FRAME, PX_PER_MM, lines, position, scatter, shoot

SIDE_MM = 70.0


def _drawing() -> F32:
    """Lines, and a night sky that frays into grass."""
    shape = (round(SIDE_MM * PX_PER_MM),) * 2
    cover = lines(shape, scatter(25, SIDE_MM, 14.0, 4), 0.6)
    px = PX_PER_MM
    cover[round(10 * px) : round(28 * px), round(8 * px) : round(60 * px)] = 1.0
    for k in range(50):
        blade = np.array([[8 + 1.04 * k, 27], [9.2 + 1.04 * k, 27], [8.6 + 1.04 * k, 33 + k % 5]])
        cv2.fillPoly(cover, [np.rint(blade * px * 16).astype(np.int32)], 1.0, cv2.LINE_AA, 4)
    return cover


def _reflectance(ink: float, light: F32 | float = 1.0) -> tuple[F32, F32]:
    cover = _drawing()
    page = 1 - (1 - np.float32(ink)) * np.repeat(cover[..., None], 3, axis=2)
    sheet = even_light(shoot(page.astype(np.float32), light), PX_PER_MM, FRAME)
    return sheet.reflectance[..., 1], cover


@pytest.mark.parametrize("ink", [0.55, 0.7, 0.8])
def test_a_sky_in_pale_ink_stays(ink: float) -> None:
    x, y = position((round(SIDE_MM * PX_PER_MM),) * 2)
    light = (0.95 - 0.25 * x - 0.1 * y)[..., None] * np.array([1.0, 0.95, 0.9], np.float32)
    seen, cover = _reflectance(ink, light.astype(np.float32))
    solid = cv2.erode(cover, np.ones((25, 25), np.uint8)) > 0.9
    bare = cv2.dilate(cover, np.ones((25, 25), np.uint8)) < 0.01
    assert float(seen[solid].mean()) == pytest.approx(ink, abs=0.04)
    assert float(seen[bare].mean()) == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("dim", [0.5, 0.6, 0.75])
def test_a_shadow_as_dark_as_the_ink_goes(dim: float) -> None:
    x, y = position((round(SIDE_MM * PX_PER_MM),) * 2)
    away_mm = (0.8 * x + 0.6 * y - 0.75) * SIDE_MM
    lit = 1.0 / (1.0 + np.exp(np.clip(away_mm * 2.2, -40, 40)))
    light = np.repeat((lit * (1 - dim) + dim)[..., None], 3, axis=2).astype(np.float32)
    seen, cover = _reflectance(0.6, light)
    bare = cv2.dilate(cover, np.ones((25, 25), np.uint8)) < 0.01
    for there in (bare & (away_mm < -4), bare & (away_mm > 4)):
        assert float(seen[there].mean()) == pytest.approx(1.0, abs=0.03)
