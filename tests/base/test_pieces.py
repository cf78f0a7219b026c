"""Pieces of masks: what is compiled gives the numbers and boxes that OpenCV gives."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from inkclean.base import pieces
from inkclean.base.arrays import Bool

pytestmark = pytest.mark.skipif(pieces._compiled is None, reason="nothing was compiled here")


def _mask(seed: int) -> Bool:
    """Return noise, soft or not, of any share and some odd size."""
    rng = np.random.default_rng(seed)
    height, width = rng.integers(1, 60, 2).tolist()
    noise = rng.random((height, width))
    if seed % 2:
        noise = np.reshape(cv2.GaussianBlur(noise, (0, 0), rng.uniform(0.5, 3)), noise.shape)
    return np.asarray(noise > np.quantile(noise, rng.random()))


@pytest.mark.parametrize("connectivity", [4, 8])
def test_pieces_are_those_of_opencv(connectivity: int) -> None:
    for seed in range(200):
        mask = _mask(seed)
        label, told = pieces.pieces_of(mask, connectivity)
        wanted, boxes = pieces.pieces_by_opencv(mask, connectivity)
        assert np.array_equal(label, wanted)
        some = slice(int(mask.all()), None)  # of no pixel there is no box
        assert np.array_equal(told[some], boxes[some])
        assert np.array_equal(pieces.boxes_of(mask, connectivity), told)
        # by the pixels themselves
        for number in range(1, len(told)):
            row, column = np.nonzero(label == number)
            box = [column.min(), row.min(), np.ptp(column) + 1, np.ptp(row) + 1, len(row)]
            assert told[number].tolist() == box


def test_a_part_of_a_picture_and_one_without_ink() -> None:
    whole = np.zeros((40, 50), bool)
    whole[3:9, 4:8] = whole[9:12, 8:20] = True
    assert len(pieces.boxes_of(whole, 8)) == 2
    assert len(pieces.boxes_of(whole, 4)) == 3
    assert pieces.boxes_of(whole[8:10, 6:10], 8)[1].tolist() == [0, 0, 4, 2, 4]
    label, told = pieces.pieces_of(np.zeros((5, 7), bool))
    assert not label.any() and told.tolist() == [[0, 0, 7, 5, 35]]


def test_what_does_not_fit_is_refused() -> None:
    mask = np.zeros((4, 6), np.uint8)
    for wide, label in ((5, np.zeros(24, np.int32)), (0, mask), (6, np.zeros(23, np.int32))):
        with pytest.raises(ValueError, match="fit each other"):
            pieces._compiled.pieces(mask, wide, True, label)
