"""The measures of features, each on marks that are right, missing or clogged."""

from __future__ import annotations

import numpy as np
import pytest

from tests.scoring import measures


def _stripes(width: int, pitch: int) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
    rows = np.arange(200) % pitch
    return np.asarray(np.repeat((rows < width)[:, None], 300, axis=1), np.bool_)


def _ends(width: int, pitch: int) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    y = np.arange(2, 10) * pitch + width / 2
    return np.stack([np.full(8, 20.0), y, np.full(8, 280.0), y], axis=1)


def test_lines_there_and_open_are_kept() -> None:
    kept = measures.lines_kept(_stripes(5, 16), _ends(5, 16), np.full(8, 5.0))
    assert kept.all()


def test_broken_missing_and_clogged_lines_are_not_kept() -> None:
    image = _stripes(5, 16)
    image[2 * 16 : 2 * 16 + 5, 100:130] = False  # broken
    image[4 * 16 : 4 * 16 + 5] = False  # missing
    image[6 * 16 : 7 * 16] = True  # clogged: the lines on either side close up
    kept = measures.lines_kept(image, _ends(5, 16), np.full(8, 5.0))
    assert kept.tolist() == [False, True, False, True, False, False, True, True]


def test_dots_and_places() -> None:
    y, x = np.mgrid[:100, :100] + 0.5
    image = np.hypot(x - 30, y - 40) < 4
    dots = np.array([[30.0, 40.0, 8.0], [70.0, 60.0, 8.0]])
    assert measures.dots_kept(image, dots).tolist() == [True, False]
    assert measures.places_free(image, dots, 1.0).tolist() == [False, True]
    assert measures.places_free(image, np.array([[37.0, 40.0, 2.0]]), 1.0).tolist() == [True]
    assert measures.places_free(image, np.array([[35.0, 40.0, 2.0]]), 1.0).tolist() == [False]


def test_holes_in_blacks_are_counted() -> None:
    polygon = np.array([[10.0, 10.0], [90.0, 12.0], [85.0, 80.0], [12.0, 75.0]])
    image = np.ones((100, 100), np.bool_)
    assert measures.black_holes(image, [polygon], 3.0) == (0, 0)
    image[40:42, 50] = False
    image[11, 11] = False  # on the rim: not the inside of the black
    assert measures.black_holes(image, [polygon, polygon + 500.0], 3.0) == (1, 2)


@pytest.mark.parametrize("shift", [0.0, 3.3, 20.0])
def test_jaccard_of_a_shifted_page(shift: float) -> None:
    page = np.array([[0.0, 0.0], [210.0, 0.0], [210.0, 297.0], [0.0, 297.0]])
    common = (210.0 - shift) * 297.0
    expected = common / (2 * 210.0 * 297.0 - common)
    found = measures.page_jaccard(page + np.array([shift, 0.0]), 210.0, 297.0)
    assert found == pytest.approx(expected, abs=1e-6)


def test_jaccard_of_a_larger_and_a_smaller_frame() -> None:
    page = np.array([[0.0, 0.0], [210.0, 0.0], [210.0, 297.0], [0.0, 297.0]])
    middle = np.array([105.0, 148.5])
    for scale in (0.9, 1.25):
        found = measures.page_jaccard((page - middle) * scale + middle, 210.0, 297.0)
        assert found == pytest.approx(min(scale, 1 / scale) ** 2, abs=1e-6)


def test_spread_of_paper_sees_a_gradient_but_not_the_ink() -> None:
    ramp = np.repeat(np.linspace(0.95, 1.05, 400, dtype=np.float32)[None], 400, axis=0)
    bare = np.ones((400, 400), np.bool_)
    assert measures.spread_of_paper(ramp, bare, 20) == pytest.approx(9.0, abs=0.6)
    flat = np.ones((400, 400), np.float32)
    flat[100:200, 100:200] = 0.0
    bare[100:200, 100:200] = False
    assert measures.spread_of_paper(flat, bare, 20) == pytest.approx(0.0, abs=1e-4)
