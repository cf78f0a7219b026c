"""The network of ink by compiled convolutions, beside the same by OpenCV."""

from __future__ import annotations

from importlib.resources import files

import cv2
import numpy as np
import pytest

from inkclean.base.convolve import can_convolve
from inkclean.base.network import layers, network, run
from inkclean.ink.seen.places import FOLD, LEVELS, NET
from inkclean.ink.seen.sight import read_sight

PACKAGE = "inkclean.ink.seen"
DATA = (files(PACKAGE) / NET).read_bytes()


@pytest.mark.skipif(not can_convolve(), reason="nothing was compiled here")
@pytest.mark.parametrize("shape", [(1, 1), (3, 5)])
def test_both_ways_see_the_same(shape: tuple[int, int]) -> None:
    sight = read_sight(DATA)
    assert sight is not None
    size = FOLD**2 + 1, LEVELS * shape[0], LEVELS * shape[1]
    cells = np.random.default_rng(2).random(size, dtype=np.float32)
    cells[:, :20, :20] = 0
    cells[-1] = 0.8
    told = sight(cells)
    other = run(network(PACKAGE, NET), cells)
    assert told.shape == other.shape
    assert np.abs(told - other).max() < 1e-4
    usual = cv2.getNumThreads()
    try:
        cv2.setNumThreads(3)
        assert np.array_equal(sight(cells), told)
    finally:
        cv2.setNumThreads(usual)


def test_a_file_laid_out_otherwise_is_left_to_opencv() -> None:
    assert read_sight(DATA.replace(b"/narrow.", b"/narrew.")) is None


def test_weights_are_read_as_they_were_written() -> None:
    kind, (weights, bias) = layers(DATA)["/meet/ConvTranspose"]
    assert kind == "ConvTranspose"
    assert weights.shape[1:] == (len(bias), 2, 2)
    net = network(PACKAGE, NET)
    # bare cells: all that comes out rests on the weights
    cells = np.zeros((1, FOLD**2 + 1, LEVELS, LEVELS), np.float32)
    net.setInput(cells)
    assert np.isfinite(net.forward()).all()
    assert 0.001 < float(np.abs(weights).max()) < 10
