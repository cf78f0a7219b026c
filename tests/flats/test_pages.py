"""The page maker itself: where gaps are cut. Drawings of our own."""

from __future__ import annotations

import numpy as np

from tests.flats.pages import EASY, STEP_MM, _clear, make_page
from tests.flats.shapes import resample


def test_a_gap_mid_stroke_keeps_off_what_crosses() -> None:
    across = resample(np.array([[0.0, 10.0], [40.0, 10.0]]), STEP_MM)
    down = resample(np.array([[25.0, 10.0], [25.0, 40.0]]), STEP_MM)
    free, other = _clear([(across, False, 0.5), (down, False, 0.3)], 1.0)
    assert (free == (np.abs(across[:, 0] - 25) > 1.5)).mean() > 0.98
    assert (other == (down[:, 1] - 10 > 1.3)).mean() > 0.98


def test_an_easy_page_has_gaps_of_all_sizes_asked_for() -> None:
    length = np.array([gap for *_, gap in make_page(7, EASY, 120, 160).gaps])
    assert len(length) > 8
    assert length.min() >= 0.5 and length.max() <= 5.0
    assert np.ptp(length) > 2
