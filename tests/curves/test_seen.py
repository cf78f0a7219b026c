"""Ink between pixels: beside scipy's own look-up, and beyond what OpenCV takes at once."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import map_coordinates

from inkclean.curves.seen import seen_about, seen_at


def test_places_between_pixels_are_bilinear() -> None:
    rng = np.random.default_rng(0)
    coverage = rng.random((40, 50), np.float32)
    x = rng.integers(0, 32 * 49, (60, 7)) / 32.0
    y = rng.integers(0, 32 * 39, (60, 7)) / 32.0
    expected = map_coordinates(coverage, [y, x], order=1)
    assert np.abs(seen_at(coverage, x, y) - expected).max() < 1e-5
    # others count as the nearest of these places
    near = seen_at(coverage, x + 0.011, y - 0.012)
    assert np.abs(near - expected).max() < 1e-5


def test_beyond_the_picture_is_paper() -> None:
    coverage = np.ones((8, 9), np.float32)
    seen = seen_at(coverage, np.array([[-3.0, 4.0, 12.0]]), np.array([[4.0, 4.0, 4.0]]))
    assert seen.tolist() == [[0.0, 1.0, 0.0]]


def test_far_along_a_long_picture() -> None:
    coverage = np.zeros((4, 62_000), np.float32)
    coverage[:, [10, 29_999, 30_000, 61_000]] = [0.25, 0.5, 0.75, 1.0]
    at = np.array([[10.5, 2.5], [29_999.5, 2.5], [30_000.5, 2.5], [61_000.5, 2.5]])
    zero = np.zeros((4, 1), np.float32)
    assert seen_about(coverage, at, zero, zero)[:, 0].tolist() == [0.25, 0.5, 0.75, 1.0]
