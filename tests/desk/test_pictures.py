"""Tiles hold what was kept, at every size and at the rim."""

from __future__ import annotations

import zlib
from pathlib import Path

import numpy as np

from inkclean.desk import pictures


def test_tiles_of_labels_hold_every_label_as_it_is(tmp_path: Path) -> None:
    labels = np.random.default_rng(0).integers(0, 65536, (701, 1030)).astype(np.uint16)
    kept = pictures.keep(labels, tmp_path / "labels-1")
    assert kept.levels == 3
    for level, whole in ((0, labels), (1, labels[::2, ::2]), (2, labels[::4, ::4])):
        for row in range(-(-whole.shape[0] // 512)):
            for column in range(-(-whole.shape[1] // 512)):
                part = whole[512 * row : 512 * row + 512, 512 * column : 512 * column + 512]
                body, kind = pictures.tile(kept.folder, level, column, row)
                assert kind == pictures.NUMBERS
                wide, high, *values = np.frombuffer(zlib.decompress(body), "<u2").tolist()
                assert (high, wide) == part.shape
                assert values == part.ravel().tolist()
