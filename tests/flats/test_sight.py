"""The network of areas by compiled convolutions, beside the same by OpenCV."""

from __future__ import annotations

import numpy as np
import pytest

from inkclean.base.convolve import can_convolve
from inkclean.base.network import network, run, weights
from inkclean.base.pyramid import read_sight
from inkclean.flats.lines.seams import FOLD, NET, UNIT

PACKAGE = "inkclean.flats.lines"


@pytest.mark.skipif(not can_convolve(), reason="nothing was compiled here")
@pytest.mark.parametrize("shape", [(1, 1), (2, 3)])
def test_both_ways_see_the_same(shape: tuple[int, int]) -> None:
    sight = read_sight(weights(PACKAGE, NET))
    assert sight is not None
    size = FOLD**2, UNIT * shape[0], UNIT * shape[1]
    cells = np.random.default_rng(2).random(size, dtype=np.float32)
    cells[:, :20, :20] = 0
    told = sight(cells)
    other = run(network(PACKAGE, NET), cells)
    assert told.shape == other.shape
    assert np.abs(told - other).max() < 1e-4


def test_a_file_laid_out_otherwise_is_left_to_opencv() -> None:
    data = weights(PACKAGE, NET)
    assert read_sight(data.replace(b"/narrow.", b"/narrew.")) is None
