"""The capture check: blur at the edges, and what it says of a photo."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import erf

from inkclean.sheet.check import WHOLE_LINE, check_capture, edge_blur_px
from inkclean.sheet.framing.frame import whole_frame
from inkclean.sheet.values import Photo, Sheet

F32 = NDArray[np.float32]
_FINE = 4
PIXEL = 1 / np.sqrt(12)  # the standard deviation of a box of one px


def page(blur: float, widths: tuple[float, ...], noise: float = 0.01, size: int = 700) -> F32:
    """Straight strokes of known width under Gaussian blur, sampled by area; linear light."""
    rng = np.random.default_rng(3)
    fine = np.ones((size * _FINE, size * _FINE), np.float32)
    for width in widths:
        for _ in range(18):
            (x0, y0), (x1, y1) = rng.integers(0, size * _FINE, (2, 2)).tolist()
            thick = max(1, round(width * _FINE))
            cv2.line(fine, (x0, y0), (x1, y1), 0.04, thick, cv2.LINE_AA)
    fine = np.asarray(cv2.GaussianBlur(fine, (0, 0), blur * _FINE), np.float32)
    small = np.asarray(cv2.resize(fine, (size, size), interpolation=cv2.INTER_AREA), np.float32)
    return (small + rng.normal(0, noise, small.shape)).astype(np.float32)


@pytest.mark.parametrize("blur", [0.7, 1.0, 1.5, 2.2, 3.0])
@pytest.mark.parametrize("widths", [(3.0, 5.0, 8.0), (6.0, 12.0, 30.0)])
@pytest.mark.parametrize("noise", [0.004, 0.02])
def test_blur_is_measured(blur: float, widths: tuple[float, ...], noise: float) -> None:
    measured = edge_blur_px(page(blur, widths, noise))
    assert measured == pytest.approx(np.hypot(blur, PIXEL), rel=0.13)


def test_blur_grows_with_blur() -> None:
    measured = [edge_blur_px(page(blur, (4.0, 7.0))) for blur in (0.5, 0.8, 1.2, 1.8, 2.6)]
    assert (np.diff(measured) > 0.15).all()


@pytest.mark.parametrize("shape", [(1, 1), (5, 900), (300, 300)])
def test_a_blank_page_has_a_usual_blur(shape: tuple[int, int]) -> None:
    blank = 1 + np.random.default_rng(1).normal(0, 0.01, shape).astype(np.float32)
    assert edge_blur_px(blank) == pytest.approx(1.0)


def sheet(
    luminance: F32, px_per_mm: float, codes: int = 200, ratio: float = 1.2
) -> tuple[Sheet, Photo]:
    pixels = np.clip(luminance * codes, 1, 254).astype(np.uint8)
    photo = Photo(np.repeat(pixels[..., None], 3, axis=2), px_per_mm * 25.4, "page")
    light = np.linspace(0.6, 0.6 / ratio, 50, dtype=np.float32)
    shading = np.repeat(np.repeat(light[None, :, None], 40, axis=0), 3, axis=2)
    reflectance = np.repeat(luminance[..., None], 3, axis=2)
    return Sheet(reflectance, px_per_mm, whole_frame(photo), shading), photo


def test_a_good_capture_has_no_problems() -> None:
    capture = check_capture(*sheet(page(0.7, (4.0, 8.0)), 12.0))
    assert capture.verdict == "good"
    assert capture.advice == "no problems found"
    assert 0.5 < capture.sharpness <= 1.0
    assert capture.thinnest_mm == pytest.approx(2 * np.hypot(0.7, PIXEL) / 12, rel=0.13)


def test_the_thinnest_whole_line_keeps_93_per_cent_of_its_width() -> None:
    """Under Gaussian blur a bar has the profile of two error functions; it is cut half-way."""
    half = WHOLE_LINE / 2

    def over(x: float) -> float:
        return float(erf((half + x) / np.sqrt(2)) + erf((half - x) / np.sqrt(2)) - 1)

    assert brentq(over, 0, 2 * half) / half == pytest.approx(0.93, abs=0.006)


def test_soft_focus_is_named_with_its_cure() -> None:
    capture = check_capture(*sheet(page(2.6, (6.0, 12.0)), 12.0))
    assert capture.verdict in ("fair", "poor")
    assert capture.advice.startswith("soft focus: lines under 0.4")
    assert "hold the camera still" in capture.advice


def test_too_few_pixels_are_not_called_soft_focus() -> None:
    capture = check_capture(*sheet(page(0.7, (4.0, 8.0)), 4.0))
    assert capture.verdict != "good"
    assert "hold the camera closer" in capture.advice


def test_uneven_light_and_dark_pictures() -> None:
    uneven = check_capture(*sheet(page(0.7, (4.0, 8.0)), 12.0, ratio=4.0))
    assert uneven.light_ratio == pytest.approx(4.0, rel=0.08)
    assert "uneven light" in uneven.advice
    assert uneven.verdict == "fair"
    dark = check_capture(*sheet(page(0.7, (4.0, 8.0)), 12.0, codes=40))
    assert dark.verdict == "poor"
    assert "more light" in dark.advice


def test_the_share_without_detail() -> None:
    made, photo = sheet(page(0.7, (4.0, 8.0)), 12.0)
    pixels = photo.pixels.copy()
    pixels[:, : pixels.shape[1] // 2] = 255
    capture = check_capture(made, Photo(pixels, None, "bright"))
    assert capture.clipped_share == pytest.approx(0.5, abs=0.02)
