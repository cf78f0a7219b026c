"""The measures against their published or computed values.

F-measure: worked example of the DIBCO 2009 evaluation page. DRD: Lu, Kot, Shi, IEEE SPL 11(2),
2004; the formula is from memory, the weights computed from it. PSNR: 1 % wrong is 20 dB, by its
definition.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.scoring import measures


def test_f_measure_of_the_worked_example() -> None:
    truth = np.zeros(100, np.bool_)
    result = np.zeros(100, np.bool_)
    truth[: 27 + 8] = True
    result[8 : 8 + 27 + 11] = True
    counts = measures.overlap(result[None], truth[None])
    assert (counts.tp, counts.fp, counts.fn) == (27, 11, 8)
    assert round(counts.recall, 2) == 0.77
    assert round(counts.precision, 2) == 0.71
    assert round(counts.f_measure, 2) == 73.97


def test_psnr_of_one_per_cent_wrong() -> None:
    truth = np.zeros((100, 100), np.bool_)
    result = truth.copy()
    result[40] = True
    assert measures.psnr(result, truth) == pytest.approx(20.0)
    assert measures.psnr(truth, truth) == float("inf")


def test_drd_weights() -> None:
    weights = measures.drd_weights()
    assert weights.sum() == pytest.approx(1.0, abs=1e-6)
    expected = {(2, 3): 0.07236, (3, 3): 0.05116, (2, 4): 0.03618, (3, 4): 0.03236, (4, 4): 0.02558}
    for place, value in expected.items():
        assert weights[place] == pytest.approx(value, abs=5e-6)
    assert weights[2, 2] == 0.0


def test_drd_of_a_lone_speck_is_one() -> None:
    truth = np.zeros((64, 64), np.bool_)
    truth[8:12, 8:12] = True  # lies in one block and a corner of nobody else's
    result = truth.copy()
    result[40, 40] = True
    assert measures.distortions(result, truth).sum() == pytest.approx(1.0, abs=1e-6)
    assert measures.mixed_blocks(truth) == 1
    assert measures.drd(result, truth) == pytest.approx(1.0, abs=1e-6)


def test_drd_of_one_pixel_beside_a_long_edge() -> None:
    truth = np.zeros((64, 64), np.bool_)
    truth[:32] = True
    result = truth.copy()
    result[32, 30] = True
    assert measures.distortions(result, truth).sum() == pytest.approx(0.60854, abs=5e-6)


@pytest.mark.parametrize(("width", "fat"), [(6, 1), (12, 1), (20, 3)])
def test_f_of_a_stroke_too_fat_on_each_side(width: int, fat: int) -> None:
    """F = w / (w + e), from the definition."""
    truth = np.zeros((80, 200), np.bool_)
    truth[30 : 30 + width] = True
    result = np.zeros_like(truth)
    result[30 - fat : 30 + width + fat] = True
    counts = measures.overlap(result, truth)
    assert counts.f_measure == pytest.approx(100 * width / (width + fat))


def test_pseudo_f_takes_recall_on_the_skeleton() -> None:
    """Form of 2010: a line found too thin by its rim loses nothing."""
    truth = np.zeros((40, 100), np.bool_)
    truth[15:24, 5:95] = True
    thin = np.zeros_like(truth)
    thin[17:22, 5:95] = True
    assert measures.overlap(thin, truth).f_measure < 75
    assert measures.pseudo_f(thin, truth) > 99
