"""Lengths do not depend on where the arrays lie in memory."""

from __future__ import annotations

import numpy as np

from inkclean.arrays import F32, length


def _at(values: F32, start: int) -> F32:
    room = np.empty(values.size + 64, np.float32)
    moved = room[start : start + values.size].reshape(values.shape)
    moved[:] = values
    return moved


def test_the_same_wherever_the_arrays_lie() -> None:
    rng = np.random.default_rng(5)
    across, down = rng.random((2, 503, 497), np.float32)
    first = length(across, down)
    np.testing.assert_allclose(first, np.hypot(across, down), rtol=1e-6)
    for start in range(1, 17):
        assert (length(_at(across, start), _at(down, (3 * start) % 16)) == first).all()
