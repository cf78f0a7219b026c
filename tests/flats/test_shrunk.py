"""Small pictures of masks: what is compiled gives what OpenCV gives."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from inkclean.flats.lettering import marks

pytestmark = pytest.mark.skipif(marks._compiled is None, reason="nothing was compiled here")


@pytest.mark.parametrize("seed", range(40))
def test_small_pictures_are_those_of_opencv(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for _ in range(25):
        high, wide = (int(side) for side in rng.integers(1, 300, 2))
        size = int(rng.integers(1, min(wide, 32) + 1)), int(rng.integers(1, min(high, 32) + 1))
        if wide % size[0] == high % size[1] == 0:
            continue
        noise = cv2.GaussianBlur(
            rng.normal(size=(high, wide)).astype(np.float32), (0, 0), rng.uniform(0.3, 6)
        )
        mask = (noise > rng.choice([-9.0, 0.0, 0.02])).astype(np.uint8) * np.uint8(255)
        found = marks.shrunk_compiled(mask, size)
        assert np.array_equal(found, marks.by_opencv(mask, size))


def test_a_part_of_a_page_is_taken_as_it_lies() -> None:
    page = (np.random.default_rng(1).random((90, 120)) > 0.6).astype(np.uint8) * np.uint8(255)
    part = page[3:80, 7:97]
    assert np.array_equal(marks.shrunk_compiled(part, (32, 28)), marks.by_opencv(part, (32, 28)))


def test_arrays_that_do_not_fit_are_refused() -> None:
    mask, small = np.zeros((8, 8), np.uint8), np.zeros((9, 5), np.uint8)
    for wide, less in ((8, 5), (7, 5), (8, 4), (8, 0)):
        with pytest.raises(ValueError, match="do not fit"):
            marks._compiled.shrunk(mask, wide, small, less)
