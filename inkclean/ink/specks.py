"""Specks: dust and grain taken away, pinholes closed, drawn dots kept."""

from __future__ import annotations

import numpy as np

from inkclean.arrays import F32
from inkclean.ink.values import Doubt, Grey


def clean_specks(
    coverage: F32, grey: Grey, *, speck_mm: float = 0.2, noise: float = 0.01, blur_px: float = 1.0
) -> tuple[F32, F32, tuple[Doubt, ...]]:
    """Return (coverage, removed (N, 3) mm, doubts)."""
    return coverage, np.zeros((0, 3), np.float32), ()
