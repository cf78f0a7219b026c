"""Pictures folded into cells and back, and the networks that ship."""

from __future__ import annotations

import numpy as np
import pytest

from inkclean.base.network import folded, network, run, unfolded


@pytest.mark.parametrize("shape", [(1, 1), (32, 64), (37, 50)])
def test_folding_comes_back(shape: tuple[int, int]) -> None:
    picture = np.random.default_rng(1).random(shape).astype(np.float32)
    cells = folded(picture, 4, 8)
    assert cells.shape[0] == 16
    assert all(side % 8 == 0 for side in cells.shape[1:])
    back = unfolded(cells)
    assert np.array_equal(back[: shape[0], : shape[1]], picture)
    assert back.sum() == pytest.approx(picture.sum(), rel=1e-5)


def test_a_cell_holds_its_pixels_row_by_row() -> None:
    picture = np.arange(16, dtype=np.float32).reshape(4, 4)
    assert folded(picture, 4, 1).ravel().tolist() == list(range(16))


def test_four_seams_and_twelve_affinities_are_told_a_cell() -> None:
    net = network("inkclean.flats.lines", "areas.onnx.gz")
    told = run(net, folded(np.zeros((64, 96), np.float32), 4, 32))
    assert told.shape == (16, 32, 32)
    assert np.isfinite(told).all()
