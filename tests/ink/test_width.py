"""The thinnest line, against bars of known width at several angles (own raster, exact)."""

from __future__ import annotations

import numpy as np
import pytest

from inkclean.base.arrays import F32
from inkclean.ink.width import thin_line_mm


def _bars(width: float, angle: float) -> F32:
    """Raster of a bar through the middle; coverage by 8 × 8 samples a pixel."""
    side, fine = 120, 8
    at = (np.arange(side * fine) + 0.5) / fine - side / 2
    x, y = np.meshgrid(at, at)
    off = np.abs(x * np.sin(angle) - y * np.cos(angle))
    along = np.abs(x * np.cos(angle) + y * np.sin(angle))
    inside = ((off <= width / 2) & (along < 50)).astype(np.float32)
    return np.asarray(inside.reshape(side, fine, side, fine).mean((1, 3)), np.float32)


@pytest.mark.parametrize("angle", [0.0, 0.3, 0.6, np.pi / 4, 1.2])
@pytest.mark.parametrize("width", [2.0, 2.7, 4.3])
def test_bar_width(width: float, angle: float) -> None:
    found = thin_line_mm(_bars(width, angle), px_per_mm=10.0)
    assert found is not None
    assert found == pytest.approx(width / 10.0, rel=0.12)


def test_no_lines() -> None:
    assert thin_line_mm(np.zeros((50, 50), np.float32), 10.0) is None
    assert thin_line_mm(np.ones((50, 50), np.float32), 10.0) is None
