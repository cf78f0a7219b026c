"""How cells lie on patches of paper: brought up to date as it is found anew."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import Bool
from inkclean.flats.find import find_flats
from inkclean.flats.kept import Kept
from inkclean.flats.laid import ready
from inkclean.flats.maps.filled import PaperTiles, lying_of
from inkclean.flats.prepared import prepare
from inkclean.flats.values import FlatEdits
from inkclean.flats.walls.cells import Ground, find_cells
from inkclean.ink.values import Ink, Pencil
from tests.flats.test_again import KINDS, differing, edited


def _scribble(shape: tuple[int, int], lines: int, rng: np.random.Generator) -> Bool:
    page = np.zeros(shape, np.uint8)
    for _ in range(lines):
        at = (rng.uniform(0, 1, (5, 2)) * shape[::-1]).astype(np.int32)
        cv2.polylines(page, [at], False, 1, 2)
    return page > 0


@pytest.mark.parametrize("finer", [1.0, 1.47, 1.9])
def test_what_is_brought_up_to_date_is_as_what_is_found_anew(finer: float) -> None:
    rng, shape = np.random.default_rng(int(10 * finer)), (330, 400)
    ink, shut = _scribble(shape, 14, rng), _scribble(shape, 2, rng)
    high, wide = (round(finer * side) for side in shape)
    paper = cv2.resize(ink.astype(np.float32), (wide, high)) < 0.5
    ground, tiles, cells = Ground.of(ink), PaperTiles.none(paper, shut), None
    assert len(tiles.pieces.tiles) > 3
    wall = np.zeros(shape, np.int32)
    for number in range(24):
        start, end = rng.integers(0, (400, 330), (2, 2)).tolist()
        cv2.line(wall, start, end, int(rng.integers(0, 4)), 1)
        cells = find_cells(ground, wall if number % 5 else np.zeros_like(wall), cells)
        at, of = cells.walled
        at = at[np.isin(of, rng.choice([1, 2, 3], 2))]
        tiles.part(at, shut)
        if cells.parts is None or number == 9:  # nobody asks for it now and then
            continue
        tiles.look(cells, cells.parts, paper)
        found, anew = tiles.lying(cells.parts), lying_of(cells, at, paper, shut)
        assert found.count == anew.count > 3
        assert np.array_equal(found.key, anew.key)
        assert np.array_equal(found.times, anew.times)


def _closed_page() -> Ink:
    """Return boxes drawn closed, each with a neck so narrow that only fine paper passes."""
    page = np.zeros((700, 900), np.float32)
    for top in range(40, 600, 160):
        for left in range(40, 800, 210):
            cv2.rectangle(page, (left, top), (left + 180, top + 130), 1, 4)
            cv2.rectangle(page, (left + 88, top), (left + 92, top + 62), 1, -1)
            cv2.rectangle(page, (left + 88, top + 67), (left + 92, top + 130), 1, -1)
    return Ink(page, 12.0, Pencil(False, (), 0.0, None, "none"))


@pytest.mark.parametrize("soon", [False, True])
def test_edits_on_a_page_drawn_closed_give_what_a_full_run_gives(soon: bool) -> None:
    ink = _closed_page()
    page, edits, rng = prepare(ink), FlatEdits(), np.random.default_rng(4)
    flats = find_flats(ink, prepared=page)
    assert page.kept.filled is not None  # it counts as drawn closed
    if not soon:
        ready(page, ink)
    seen = {flats.labels.tobytes()}
    for kind in (*KINDS, "bridge", "split"):
        edits = edited(edits, flats, kind, rng)
        flats = find_flats(ink, prepared=page, edits=edits)
        full = find_flats(ink, prepared=replace(page, kept=Kept()), edits=edits)
        assert differing(flats, full) == []
        seen.add(flats.labels.tobytes())
    assert len(seen) > 3
    cells = page.kept.cells
    assert cells is not None
    assert page.kept.filled.serial == cells.serial  # and from what was known
