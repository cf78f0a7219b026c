"""Parts of masks: what is compiled gives what OpenCV gives."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import Bool
from inkclean.ink.seen import parts

pytestmark = pytest.mark.skipif(
    parts._parts is None or parts._long_parts is None, reason="nothing was compiled here"
)

SHAPES = [(1, 1), (1, 200), (90, 1), (64, 64), (130, 128), (77, 191), (200, 63)]


def _mask(shape: tuple[int, int], share: float) -> Bool:
    rng = np.random.default_rng(shape[0] + shape[1])
    noise = cv2.GaussianBlur(rng.normal(size=shape).astype(np.float32), (0, 0), 1.5)
    return np.asarray(noise < np.quantile(noise, share), np.bool_)


def _same(found: Bool | None, wanted: Bool | None) -> bool:
    if found is None or wanted is None:
        return found is wanted
    return found.dtype == wanted.dtype and bool((found == wanted).all())


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 1.0])
@pytest.mark.parametrize(("least", "most"), [(1, math.inf), (4.5, 9.2), (12, math.inf)])
def test_parts_are_those_of_opencv(
    shape: tuple[int, int], share: float, least: float, most: float
) -> None:
    mask, other = _mask(shape, share), _mask(shape[::-1], 0.1).T
    for against in (None, other):
        wanted = parts.parts_by_opencv(mask, least, most, against)
        assert _same(parts.parts_compiled(mask, least, most, against), wanted)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("reach", [1, 3, 8])
def test_what_is_broad_is_what_opencv_opens(shape: tuple[int, int], reach: int) -> None:
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1,) * 2)
    widths = np.asarray(kernel).sum(axis=1, dtype=np.int64) // 2
    for share in (0.1, 0.6, 0.9, 1.0):
        mask = _mask(shape, share)
        for beside in (0, 4):
            wanted = parts.broad_by_opencv(mask, widths, beside)
            assert _same(parts.broad_compiled(mask, widths, beside), wanted)
            opened = cv2.morphologyEx(mask.view(np.uint8), cv2.MORPH_OPEN, kernel)
            assert (wanted is None) == (not np.asarray(opened).any())


def test_what_is_no_array_of_its_own_is_taken_too() -> None:
    mask = _mask((90, 120), 0.5)
    part = mask[3:80, 7:90]
    assert _same(parts.parts_of(part, 5), parts.parts_by_opencv(part.copy(), 5, math.inf, None))
    assert parts.parts_of(np.zeros((9, 9), np.bool_), 1) is None


def test_arrays_that_do_not_fit_are_refused() -> None:
    mask, chosen = np.ones((8, 8), np.bool_), np.zeros((8, 8), np.bool_)
    with pytest.raises(ValueError, match="do not fit"):
        parts._long_parts(mask, mask[:4], chosen, 8, 1.0, 9.0)
    with pytest.raises(ValueError, match="do not fit"):
        parts._parts.opened(mask, 8, np.array([99]), 2, chosen)
    with pytest.raises(ValueError, match="do not fit"):
        parts._parts.opened(mask, 7, np.array([1, 1, 1]), 2, chosen)
