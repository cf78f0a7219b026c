"""A frame drawn around a picture is no edge of paper: the scan is the page."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from inkclean.sheet.framing.edges import own_ink
from inkclean.sheet.framing.frame import find_frame
from inkclean.sheet.framing.outline import made_small
from inkclean.sheet.values import Photo


def _scan(seed: int, upright: bool, ink_codes: float = 25, filled: bool = False) -> Photo:
    """Return a scan that holds the page alone, unevenly lit, a frame drawn by hand on it.

    ``filled``: the upper half of the picture in the frame is black, but for a moon.
    """
    rng = np.random.default_rng(seed)
    high, wide = (1500, 1060) if upright else (1060, 1500)
    y, x = np.mgrid[:high, :wide]
    slope = rng.uniform(-0.15, 0.15, 2)
    light = 1 + slope[0] * (x / wide - 0.5) + slope[1] * (y / high - 0.5)
    paper = rng.uniform(205, 245) * light + rng.normal(0, 1, (high, wide))
    left, top, right, bottom = rng.uniform(0.03, 0.14, 4) * 1060
    corner = np.array(
        [[left, top], [wide - right, top], [wide - right, high - bottom], [left, high - bottom]]
    ) + rng.normal(0, 3, (4, 2))
    ink = np.zeros((high, wide), np.uint8)
    pen = int(rng.integers(2, 12))
    for a, b in zip(corner, np.roll(corner, -1, axis=0), strict=True):
        way = a + (b - a) * np.linspace(0, 1, 60)[:, None]
        way += np.cumsum(rng.normal(0, 0.1, way.shape), axis=0)
        cv2.polylines(ink, [np.round(8 * way).astype(np.int32)], False, 255, pen, cv2.LINE_AA, 3)
    if filled:
        half = [*corner[:2], corner[1:3].mean(axis=0), corner[[0, 3]].mean(axis=0)]
        cv2.fillConvexPoly(ink, np.round(half).astype(np.int32), 255)
    moon = 0 if filled else 255
    cv2.ellipse(ink, (wide // 2, high // 2), (wide // 6, high // 6), 0, 0, 360, moon, -1)
    for k in range(1, 9):  # waves below
        at = (wide // 2, high - high // 4 + 14 * k)
        cv2.ellipse(
            ink, at, (wide // 4, 40 + 3 * k), 0, 20, 160, 255, max(pen // 2, 2), cv2.LINE_AA
        )
    grey = paper * (1 - ink / 255) + ink_codes * (ink / 255)
    pixels = np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    return Photo(pixels, None, "scan")


@pytest.mark.parametrize("upright", [True, False])
@pytest.mark.parametrize("seed", range(18, 26))
def test_a_drawn_frame_is_no_edge_of_paper(seed: int, upright: bool) -> None:
    assert find_frame(_scan(seed, upright)).framed == "whole"


@pytest.mark.parametrize("ink_codes", [120, 160, 190])
@pytest.mark.parametrize("filled", [False, True])
@pytest.mark.parametrize("seed", range(30, 34))
def test_nor_is_one_in_pale_ink(seed: int, filled: bool, ink_codes: float) -> None:
    assert find_frame(_scan(seed, True, ink_codes, filled)).framed == "whole"


def test_the_ink_of_a_page_is_told_by_its_darkest_strokes() -> None:
    photo = _scan(30, True, 160)
    _, bare, scale = made_small(photo.pixels)
    paper = float(np.median(photo.pixels))
    share = (160 / paper) ** 2.2
    assert own_ink(photo.pixels, bare, scale) == pytest.approx(share, abs=0.08)
