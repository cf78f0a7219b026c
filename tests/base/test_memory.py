"""Memory: zeros that can be written, and what is let go handed back when it is asked for."""

from __future__ import annotations

import os
import platform
from pathlib import Path

import numpy as np
import pytest

from inkclean.base.memory import hand_back, keep_what_is_free, zeros_of


def test_zeros_are_zeros_that_can_be_written() -> None:
    plane = zeros_of((30, 7))
    assert plane.dtype == np.int32 and plane.shape == (30, 7)
    assert not plane.any()
    plane[3, 4] = 5
    assert plane.sum() == 5
    assert zeros_of((0, 4)).shape == (0, 4)


def _resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="others can't be told")
def test_memory_is_kept_until_it_is_handed_back() -> None:
    keep_what_is_free()
    hand_back()
    before = _resident_mb()
    planes = [np.ones((500, 500)) for _ in range(40)]  # 76 MB
    del planes
    assert _resident_mb() - before > 60
    hand_back()
    assert _resident_mb() - before < 20
