"""The scores against worked examples."""

from __future__ import annotations

import numpy as np
import pytest

from tests.flats.scores import score


def test_adjusted_rand_index_of_a_small_table() -> None:
    # Hubert and Arabie, "Comparing partitions", Journal of Classification 2, 1985; the labels
    # 0 0 1 1 against 0 0 1 2 give 4/7 (worked by hand from its formula)
    truth = np.repeat([[1, 1, 2, 2]], 1, axis=0).astype(np.int32)
    found = np.array([[1, 1, 2, 3]], np.int32)
    assert score(found, truth, np.ones((1, 4), bool), 1.0).rand == pytest.approx(4 / 7)


def test_leaks_and_pieces_are_told_apart() -> None:
    truth = np.repeat(np.arange(1, 5), 20)[None].repeat(40, axis=0).astype(np.int32)
    paper = np.ones(truth.shape, bool)
    same = score(truth, truth, paper, 2.0)
    assert (same.areas, same.right, same.pieces, same.leaks) == (4, 4, 4, 0)
    leaked = truth.copy()
    leaked[leaked == 2] = 1
    found = score(leaked, truth, paper, 2.0)
    assert (found.right, found.pieces, found.leaks) == (2, 4, 1)
    split = truth.copy()
    split[20:][split[20:] == 3] = 9
    found = score(split, truth, paper, 2.0)
    assert (found.right, found.pieces, found.leaks) == (3, 5, 0)
