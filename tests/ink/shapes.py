"""Shapes of known size as a camera sees them: area, blur, noise."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, U8
from inkclean.ink.values import Grey

FINE = 12  # sub-pixels a side
BLACK = 0.95  # light that full ink absorbs


def canvas(height: int, width: int) -> U8:
    """Return an empty page of ``FINE`` sub-pixels a px."""
    return np.zeros((height * FINE, width * FINE), np.uint8)


def bar(page: U8, start: tuple[float, float], end: tuple[float, float], width: float) -> None:
    """Draw a bar with square ends; x, y and width in px."""
    a, b = np.array(start), np.array(end)
    along = (b - a) / np.hypot(*(b - a))
    side = np.array([-along[1], along[0]]) * width / 2
    corners = np.array([a + side, b + side, b - side, a - side]) * FINE - 0.5
    cv2.fillPoly(page, [np.rint(corners * 16).astype(np.int32)], 255, shift=4)


def dot(page: U8, x: float, y: float, radius: float) -> None:
    """Draw a disc; px."""
    centre = (round((x * FINE - 0.5) * 16), round((y * FINE - 0.5) * 16))
    cv2.circle(page, centre, round(radius * FINE * 16), 255, -1, shift=4)


def area(page: U8) -> F32:
    """Return the share of each px that is ink."""
    size = (page.shape[1] // FINE, page.shape[0] // FINE)
    share = np.asarray(cv2.resize(page, size, interpolation=cv2.INTER_AREA), np.float32)
    return np.asarray(share / 255, np.float32)


def photographed(
    page: U8, blur_px: float, noise: float = 0.0, black: float = BLACK, seed: int = 1
) -> F32:
    """Return reflectance (H, W): ``blur_px`` includes the pixel's own box (variance 1/12)."""
    sigma = np.sqrt(blur_px**2 - 1 / 12) * FINE
    reach = int(4 * sigma) | 1
    kernel = cv2.getGaussianKernel(2 * reach + 1, sigma, cv2.CV_32F)
    soft = cv2.sepFilter2D(page, cv2.CV_32F, kernel, kernel, borderType=cv2.BORDER_REPLICATE)
    size = (page.shape[1] // FINE, page.shape[0] // FINE)
    share = np.asarray(cv2.resize(soft, size, interpolation=cv2.INTER_AREA), np.float32) / 255
    grain = np.random.default_rng(seed).normal(0, 1, share.shape).astype(np.float32)
    return np.asarray(1 - black * share + np.float32(noise) * grain, np.float32)


def grey(reflectance: F32, px_per_mm: float = 12.0) -> Grey:
    """Return a grey sheet."""
    return Grey(reflectance, px_per_mm)


def widths(coverage: F32) -> F64:
    """Return each row's inked length in px, read bilinearly along the row at half coverage."""
    fine = 32
    x = (np.arange(coverage.shape[1] * fine) + 0.5) / fine - 0.5
    at = np.arange(coverage.shape[1])
    shares = [float((np.interp(x, at, row) > 0.5).mean()) for row in coverage]
    return np.array(shares, np.float64) * float(coverage.shape[1])
