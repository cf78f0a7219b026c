"""Small pieces found by their outlines are those that labelling every pixel finds."""

from __future__ import annotations

import cv2
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from inkclean.ink.pieces import Pieces, small_pieces


def _told(pieces: Pieces) -> set[tuple[int, ...]]:
    told = set()
    for box, area, centre in zip(pieces.box, pieces.area, pieces.centre, strict=True):
        told.add((*box.tolist(), int(area), *np.rint(1000 * centre).astype(int).tolist()))
    return told


@settings(deadline=None)
@given(seed=st.integers(0, 10_000), share=st.floats(0.05, 0.95), soft=st.booleans())
def test_small_components_are_those_of_all(seed: int, share: float, soft: bool) -> None:
    noise = np.random.default_rng(seed).random((60, 70), np.float32)
    if soft:
        noise = np.asarray(cv2.GaussianBlur(noise, (0, 0), 1.2), np.float32)
    ink = noise > np.quantile(noise, share)
    largest = 9.0
    found, _ = small_pieces(ink, largest, 5.0)
    _, _, stats, centres = cv2.connectedComponentsWithStats(ink.astype(np.uint8), connectivity=8)
    small = stats[:, 2:4].max(axis=1) < largest
    small[0] = False
    wanted = {
        (*map(int, row), *np.rint(1000 * (centre + 0.5)).astype(int).tolist())
        for row, centre in zip(stats[small], centres[small], strict=True)
    }
    assert _told(found) == wanted


def test_holes_are_told_by_the_paper_in_them() -> None:
    ink = np.zeros((50, 60), np.bool_)
    ink[5:45, 5:55] = True
    ink[10:13, 10:12] = False  # 6 px
    ink[20:30, 20:40] = False  # 200 px: no small one
    ink[24, 30] = True  # an island in it
    ink[35, 50] = False
    marks, holes = small_pieces(ink, 5.0, 4.0)
    assert _told(marks) == {(30, 24, 1, 1, 1, 30500, 24500)}
    assert _told(holes) == {(10, 10, 2, 3, 6, 11000, 11500), (50, 35, 1, 1, 1, 50500, 35500)}
    for which, rows, columns, whose in holes.windows(1):
        assert whose.sum() == holes.area[which].sum()
        assert not ink[np.broadcast_to(rows, whose.shape)[whose],
                       np.broadcast_to(columns, whose.shape)[whose]].any()  # fmt: skip
