"""A scanner's rim is no ink; what is drawn to the border stays."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from inkclean.page import Page
from inkclean.settings import Settings
from inkclean.sheet.framing.frame import whole_frame
from inkclean.sheet.light import even_light
from inkclean.sheet.rim import find_rim
from inkclean.sheet.values import Photo
from tests.sheet.icc import encode_srgb

SCALE = 11.811
HIGH, WIDE = 1400, 1000


def _page() -> NDArray[np.float64]:
    """Bare paper with strokes that run off it, a black to its border and hatching along it."""
    page = np.full((HIGH, WIDE), 0.85)
    for k in range(8):  # off the left border, 0.4 mm broad
        cv2.line(page, (-10, 200 + 30 * k), (200, 240 + 30 * k), 0.04, 5)
    cv2.rectangle(page, (600, -5), (900, 160), 0.04, -1)
    for k in range(25):  # square to the lower border, 3 mm long
        cv2.line(page, (300 + 12 * k, HIGH + 5), (300 + 12 * k, HIGH - 36), 0.04, 4)
    return page


def _scan(light: NDArray[np.float64]) -> NDArray[np.uint8]:
    noise = np.random.default_rng(1).normal(0, 0.004, light.shape)
    soft = cv2.GaussianBlur(light, (0, 0), 0.8) + noise
    codes = np.rint(encode_srgb(np.clip(soft, 0, 1)) * 255).astype(np.uint8)
    return np.repeat(codes[..., None], 3, axis=2)


def _ink(pixels: NDArray[np.uint8]) -> NDArray[np.bool_]:
    frame = whole_frame(Photo(pixels, 300.0, "scan"))
    sheet = even_light(pixels, SCALE, frame)
    return np.asarray(
        Page(None, Settings(), given={"sheet": sheet, "differing": ()}).ink.coverage > 0.5
    )


def _rim_right(page: NDArray[np.float64]) -> None:
    y = np.arange(HIGH)
    depth = 8 + 14 * y / HIGH  # a wedge, the page lay askew
    page[np.arange(WIDE)[None] > WIDE - depth[:, None]] = 0.03


def _rim_right_to_the_middle(page: NDArray[np.float64]) -> None:
    page[: HIGH // 2, -9:] = 0.1


def _lid_on_the_left(page: NDArray[np.float64]) -> None:
    x = np.arange(WIDE) / SCALE
    page *= 1.0 - 0.85 * np.exp(-((x / 1.2) ** 2))


@pytest.mark.parametrize("spoil", [_rim_right, _rim_right_to_the_middle, _lid_on_the_left])
def test_no_ink_is_found_on_a_rim(spoil) -> None:  # type: ignore[no-untyped-def]
    clean = _page()
    spoiled = clean.copy()
    spoil(spoiled)
    wanted, found = _ink(_scan(clean)), _ink(_scan(spoiled))
    drawn = cv2.dilate(wanted.view(np.uint8), np.ones((5, 5), np.uint8)) > 0
    assert (found & ~drawn).sum() < 30
    inner = np.s_[60:-60, 60:-60]
    assert (found[inner] == wanted[inner]).mean() > 0.9995
    assert wanted[:40, 620:880].all() and found[:40, 620:880].all()  # the black to the border


def test_the_edge_of_the_glass_is_no_ink_on_a_pale_page() -> None:
    page = np.where(_page() < 0.1, 0.4, 0.85)
    clean = page.copy()
    page[0] *= 0.83
    page[:, -1] *= 0.75
    for other in (clean, page):  # strokes and blacks to the border, in grey
        assert _ink(_scan(other))[205:235, 1:4].any()
    lost = _ink(_scan(page))
    assert not lost[:2, 50:550].any()
    assert not lost[200:-60, -2:].any()


def test_drawing_at_the_border_is_no_rim() -> None:
    page = np.repeat((_page() / 0.85)[..., None], 3, axis=2).astype(np.float32)
    assert find_rim(page, SCALE, cut_out=False) is None
    assert find_rim(page[::-1, ::-1], SCALE, cut_out=False) is None


def test_crumbs_of_the_table_go_and_strokes_stay() -> None:
    page = _page() / 0.85
    page[3:9, 300:330] = 0.3  # a shadow's crumb, half a mm deep
    tone = np.repeat(page[..., None], 3, axis=2).astype(np.float32)
    assert find_rim(tone, SCALE, cut_out=False) is None
    rim = find_rim(tone, SCALE, cut_out=True)
    assert rim is not None
    assert rim[:9, 303:327].all()
    drawn = page < 0.1
    assert not (rim & drawn)[:, 20:].any()


@pytest.mark.parametrize("shape", [(1, 1), (30, 400), (120, 90)])
def test_small_sheets_have_no_rim(shape: tuple[int, int]) -> None:
    assert find_rim(np.zeros((*shape, 3), np.float32), SCALE, cut_out=True) is None
