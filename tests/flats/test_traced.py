"""A line drawn by hand along ink makes that ink part two areas, though its wall had fallen."""

from __future__ import annotations

import numpy as np
import pytest

from inkclean.base.arrays import F32
from inkclean.flats.find import find_flats
from inkclean.flats.values import FlatEdits
from inkclean.flats.walls.traced import Middles, onto_ink, simpler
from tests.flats.test_find import PX_PER_MM, at, blank, ink_of, ring, stroke

SCALE = PX_PER_MM


def _hatched() -> F32:
    """Return a ring hatched from side to side, which is one area."""
    page = blank()
    ring(page, 30, 30, 18)
    for k in range(9):
        y = 27 + 1.1 * k
        half = np.sqrt(18**2 - (y - 30) ** 2)
        stroke(page, (30 - half, y), (30 + half, y), width_mm=0.3)
    return page


@pytest.mark.parametrize("seed", range(3))
def test_a_split_along_a_fallen_line_parts_at_that_line(seed: int) -> None:
    page, rng = _hatched(), np.random.default_rng(seed)
    y = 27 + 1.1 * 3
    half = np.sqrt(18**2 - (y - 30) ** 2)
    x = np.linspace(30 - half, 30 + half, 30)
    hand = y + 0.35 * np.sin(x * 0.9 + rng.uniform(0, 6)) * rng.uniform(0.3, 1)
    split = tuple(zip(x.tolist(), hand.tolist(), strict=True))
    assert at(find_flats(ink_of(page)), 30, 16) == at(find_flats(ink_of(page)), 30, 44)
    flats = find_flats(ink_of(page), edits=FlatEdits(splits=(split,)))
    assert len(flats.areas) == 3
    above, below = at(flats, 30, 16), at(flats, 30, 44)
    assert len({above, below, at(flats, 2, 2)}) == 3
    # on paper beside the line nothing is left over
    rows = np.arange(page.shape[0])[:, None] / SCALE
    inside = np.hypot(*(np.indices(page.shape) / SCALE - 30)) < 17
    paper = inside & (page < 0.1)
    assert (flats.labels[paper & (rows < y - 0.2)] == above).all()
    assert (flats.labels[paper & (rows > y + 0.3)] == below).all()


def test_a_line_across_strokes_follows_none_of_them() -> None:
    ink = _hatched() > 0.5
    line = np.array([[30.0, 10.0], [31.0, 50.0]]) * SCALE
    moved, along = onto_ink(line, Middles.of(ink), SCALE)
    assert not along.any()
    assert np.allclose(simpler(moved), line, atol=0.5)


def test_a_line_on_bare_paper_stays() -> None:
    ink = np.zeros((100, 100), bool)
    line = np.array([[10.0, 10.0], [50.0, 60.0], [90.0, 20.0]])
    moved, along = onto_ink(line, Middles.of(ink), SCALE)
    assert not along.any()
    assert np.allclose(simpler(moved), line, atol=0.6)


def test_a_line_shorter_than_a_stroke_is_broad_is_no_trouble() -> None:
    line = np.array([[30.0, 10.0], [30.4, 10.1]]) * SCALE
    moved, along = onto_ink(line, Middles.of(_hatched() > 0.5), SCALE)
    assert len(moved) == len(along) and not along.any()
