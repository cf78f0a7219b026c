"""Labels of patches of paper: what is compiled gives what numpy gives."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import I32, U16
from inkclean.flats.maps import full
from inkclean.flats.maps.patches import MIXED

pytest.importorskip("inkclean.flats.maps._seeds", reason="not compiled here")


def _case(seed: int, most: int) -> tuple[I32, full.Sight, U16]:
    """Return patches of paper, labels that lie askew under them, and the labels of patches."""
    rng = np.random.default_rng(seed)
    noise = np.asarray(cv2.GaussianBlur(rng.random((230, 310)), (0, 0), 3.0))
    paper = (noise > np.quantile(noise, 0.3)).astype(np.uint8)
    count, pieces = cv2.connectedComponents(paper, connectivity=4)
    patch = np.asarray(pieces, np.int32)
    cells = rng.integers(0, most + 1, (7, 9)).astype(np.uint16)
    wide = np.asarray(cv2.resize(cells, (310, 115), interpolation=cv2.INTER_NEAREST), np.uint16)
    wide[rng.random(wide.shape) < 0.2] = 0
    row = np.minimum(np.arange(230) // 2, 114)
    table = np.asarray(rng.integers(0, most + 1, int(count)), np.uint16)
    table[0] = 0
    return patch, full.Sight(wide, row, (0, 0)), table


@pytest.mark.parametrize("most", [1, 2, 60_000])
@pytest.mark.parametrize("seed", range(4))
def test_seeds_are_the_same(seed: int, most: int) -> None:
    patch, sight, table = _case(seed, most)
    found = np.empty(patch.shape, np.uint16)
    full._compiled.seed(patch, sight.wide, sight.row, table, found, MIXED)
    assert np.array_equal(found, full.seeds_by_numpy(patch, sight, table))
    assert len(np.unique(found)) > most / 60_000


def test_patches_without_a_label_are_refused() -> None:
    patch, sight, table = _case(1, 9)
    seeds = np.empty(patch.shape, np.uint16)
    for bad in (patch + len(table), -patch):
        with pytest.raises(ValueError, match="fit each other"):
            full._compiled.seed(bad, sight.wide, sight.row, table, seeds, MIXED)
    with pytest.raises(ValueError, match="fit each other"):
        full._compiled.seed(patch, sight.wide, sight.row + 200, table, seeds, MIXED)
