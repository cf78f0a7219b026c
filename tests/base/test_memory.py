from __future__ import annotations

import numpy as np

from inkclean.base.memory import hand_back, keep_what_is_free, zeros_of


def test_zeros_are_zeros_that_can_be_written() -> None:
    plane = zeros_of((30, 7))
    assert plane.dtype == np.int32 and plane.shape == (30, 7)
    assert not plane.any()
    plane[3, 4] = 5
    assert plane.sum() == 5
    assert zeros_of((0, 4)).shape == (0, 4)


def test_kept_memory_can_be_handed_back() -> None:
    keep_what_is_free()
    planes = [np.ones((500, 500)) for _ in range(4)]
    del planes
    hand_back()
