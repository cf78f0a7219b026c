"""Dotted paper: the printed dots go, what was drawn stays."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import F32
from inkclean.ink.pencil.dots import find_dots
from inkclean.page import Page
from inkclean.settings import Settings
from inkclean.sheet.values import Photo
from tests.sheet.icc import encode_srgb

SCALE = 12.0
SHAPE = (1500, 1200)


def _page(seed: int, depth: float, *, even: bool = True) -> tuple[F32, F32, F32]:
    """A page's light with printed dots on it, drawn lines and dots; where drawn, and printed."""
    rng = np.random.default_rng(seed)
    fine = 4
    drawn, printed = (np.zeros((SHAPE[0] * fine, SHAPE[1] * fine), np.uint8) for _ in range(2))
    turn, pitch = rng.uniform(-0.03, 0.03), rng.uniform(4.5, 6.0) * SCALE
    for row in range(-2, 40):
        for column in range(-2, 40):
            x, y = np.array([column, row]) * pitch
            if not even:
                x, y = rng.uniform(0, SHAPE[1]), rng.uniform(0, SHAPE[0])
            at = (x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn))
            centre = tuple(round(float(v) * fine * 16) for v in at)
            cv2.circle(printed, centre, round(0.22 * SCALE * fine * 16), 255, -1, shift=4)
    for _ in range(12):
        line = rng.uniform(0.1, 0.9, 2) + rng.normal(0, 0.03, (20, 2)).cumsum(axis=0)
        at = np.rint(line * (SHAPE[1], SHAPE[0]) * fine).astype(np.int32)
        cv2.polylines(drawn, [at], False, 255, round(0.5 * SCALE * fine))
    for _ in range(30):  # a pen's dots
        centre = tuple(rng.integers(100, 1100, 2) * fine)
        cv2.circle(drawn, centre, round(0.3 * SCALE * fine), 255, -1)

    def share(mask: np.ndarray[tuple[int, ...], np.dtype[np.uint8]]) -> F32:
        size = (SHAPE[1], SHAPE[0])
        small = cv2.resize(mask, size, interpolation=cv2.INTER_AREA)
        return np.asarray(small, np.float32) / np.float32(255)

    ink, dots = share(drawn), share(printed)
    light = (1 - 0.94 * ink) * (1 - depth * dots) * np.float32(0.85)
    noisy = cv2.GaussianBlur(light, (0, 0), 0.9) + rng.normal(0, 0.006, SHAPE)
    return np.asarray(np.clip(noisy, 0, 1), np.float32), ink, dots


def _ink(light: F32) -> Page:
    codes = np.rint(encode_srgb(light.astype(np.float64)) * 255).astype(np.uint8)
    pixels = np.repeat(codes[..., None], 3, axis=2)
    page = Page(Photo(pixels, 25.4 * SCALE, "dotted"), Settings(frame="whole"))
    page.bring("ink")
    return page


@pytest.mark.parametrize(("seed", "depth"), [(1, 0.35), (2, 0.45)])
def test_printed_dots_go_and_drawn_ones_stay(seed: int, depth: float) -> None:
    light, ink, dots = _page(seed, depth)
    page = _ink(light)
    found = page.ink.coverage > 0.5
    near = cv2.dilate(ink, np.ones((35, 35), np.uint8)) > 0  # in company of ink none is asked
    assert found[(dots > 0.5) & ~near].mean() < 0.01
    assert found[ink > 0.9].mean() > 0.985
    assert "printed dots" in page.ink.pencil.note


def test_dots_without_a_grid_are_none() -> None:
    light = _page(3, 0.4, even=False)[0] / np.float32(0.85)
    small = cv2.resize(light, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    assert find_dots(np.asarray(small, np.float32), SCALE / 2, 2) is None


def test_dots_as_dark_as_the_ink_stay() -> None:
    page = _ink(_page(4, 0.93)[0])
    assert "as dark as the ink" in page.ink.pencil.note


def test_a_part_of_dots_on_a_page_is_drawn() -> None:
    light = np.ones((750, 600), np.float32)
    for row in range(10):
        for column in range(10):
            cv2.circle(light, (60 + 30 * column, 60 + 30 * row), 1, 0.5, -1)
    assert find_dots(light, SCALE / 2, 2) is None
