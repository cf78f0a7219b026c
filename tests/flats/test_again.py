"""After an edit only what changed is looked at again: all comes out as a full run has it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from inkclean.base.arrays import F32
from inkclean.flats.find import find_flats
from inkclean.flats.kept import Kept
from inkclean.flats.prepared import prepare
from inkclean.flats.values import FlatEdits, Flats
from inkclean.ink.values import Ink, Pencil
from tests.flats.pages import LOOSE, make_page

KINDS = ("gap", "bridge", "split", "join", "open", "undo")
MARGIN_MM = 6.0


def edited(edits: FlatEdits, flats: Flats, kind: str, rng: np.random.Generator) -> FlatEdits:
    """Return the edits with one more of a kind, at random; ``undo`` takes some back."""
    high, wide = np.array(flats.labels.shape) / flats.px_per_mm
    start = rng.uniform((MARGIN_MM, MARGIN_MM), (wide - MARGIN_MM, high - MARGIN_MM))
    line = start + rng.uniform(-9, 9, 2) * np.linspace(0, 1, 4)[:, None]
    a, b, c, d = ((float(x), float(y)) for x, y in line)
    if kind == "gap" and len(flats.gaps):
        cubic = flats.gaps["cubic"][rng.integers(len(flats.gaps))]
        a, b, c, d = ((float(x), float(y)) for x, y in cubic)
    if kind in ("gap", "bridge"):
        return replace(edits, bridges=(*edits.bridges, (a, b, c, d)))
    if kind == "split":
        return replace(edits, splits=(*edits.splits, (a, b, d)))
    if kind == "join":
        return replace(edits, joins=(*edits.joins, (a, d)))
    if kind == "open" and len(flats.bridges):
        cubic = flats.bridges["cubic"][rng.integers(len(flats.bridges))]
        x, y = cubic.mean(axis=0).tolist()
        return replace(edits, opened=(*edits.opened, (x, y)))
    return replace(edits, bridges=edits.bridges[:-1], joins=edits.joins[:-1])


def differing(one: Flats, other: Flats) -> list[str]:
    """Return the names of what is not the same to the byte."""
    names = ("labels", "areas", "neighbours", "bridges", "gaps", "checks")
    return [name for name in names if _bytes(one, name) != _bytes(other, name)]


def _bytes(flats: Flats, name: str) -> bytes:
    found: Any = getattr(flats, name)
    return bytes(found.tobytes())


def _turned(coverage: F32) -> F32:
    return np.ascontiguousarray(coverage[::-1].T)


@pytest.mark.parametrize("turned", [False, True])
def test_every_edit_gives_what_a_full_run_gives(turned: bool) -> None:
    ink: Ink = make_page(7, LOOSE, 60, 70).ink
    if turned:
        ink = replace(ink, coverage=_turned(ink.coverage))
    page, rng = prepare(ink), np.random.default_rng(2)
    edits = FlatEdits()
    flats = find_flats(ink, prepared=page)
    seen = {flats.labels.tobytes()}
    for kind in KINDS:
        edits = edited(edits, flats, kind, rng)
        flats = find_flats(ink, prepared=page, edits=edits)
        whole = replace(page, kept=Kept())
        full = find_flats(ink, prepared=whole, edits=edits)
        assert differing(flats, full) == []
        laid, anew = page.kept.laid, whole.kept.laid
        assert laid is not None and anew is not None
        assert (laid.full.seeded == anew.full.seeded).all()  # nor does the next edit differ
        seen.add(flats.labels.tobytes())
    assert len(seen) > 2  # some of these edits did something
    # and so do other lengths and sizes
    flats = find_flats(ink, prepared=page, edits=edits, gap_mm=2.0, smallest_mm=4.0)
    page = replace(page, kept=Kept())
    full = find_flats(ink, prepared=page, edits=edits, gap_mm=2.0, smallest_mm=4.0)
    assert differing(flats, full) == []


def test_edits_that_change_what_walls_off_a_panel_give_what_a_full_run_gives() -> None:
    page_px = np.zeros((440, 560), np.float32)
    for left in (80, 290):
        page_px[80:360, left : left + 190] = 1
        page_px[85:355, left + 5 : left + 185] = 0
    page_px[80:85, 142:194] = 0  # a border that breaks off, and a line across the panel
    page_px[200:204, 290:480] = 1
    ink = Ink(page_px, 8.0, Pencil(False, (), 0.0, None, "none"))
    page = prepare(ink)
    assert page.panel.max() == 2
    opened = FlatEdits(opened=((21.0, 10.3),))
    laid = FlatEdits(bridges=(((18.6, 10.2), (20.0, 10.2), (21.0, 10.2), (22.6, 10.2)),))
    steps = (FlatEdits(), opened, laid, FlatEdits(splits=(((12.0, 30.0), (32.0, 31.0)),)), opened)
    grounds = []
    for edits in steps:
        flats = find_flats(ink, prepared=page, edits=edits)
        full = find_flats(ink, prepared=replace(page, kept=Kept()), edits=edits)
        assert differing(flats, full) == []
        grounds.append(page.kept.ground)
        assert page.kept.cells is not None
        again = page.kept.cells.after
        assert (again > 0) == (len(grounds) > 1)  # what did not change was not looked at again
    assert len({id(ground) for ground in grounds}) > 1
