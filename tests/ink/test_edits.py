from __future__ import annotations

import json

import numpy as np
import pytest

from inkclean.base.arrays import F32
from inkclean.base.errors import InputError
from inkclean.ink.edits import (
    InkEdits,
    InkStroke,
    bring_back,
    ink_edits_record,
    lay_strokes,
    mend,
    read_ink_edits,
)

NONE = np.zeros((0, 3), np.float32)


def _blank(px_per_mm: float, fill: float = 0.0) -> F32:
    side = round(40 * px_per_mm)
    return np.full((side, side), fill, np.float32)


def _stroke(how: str, *points: tuple[float, float, float]) -> InkStroke:
    return InkStroke("ink" if how == "ink" else "white", np.array(points, np.float64))


@pytest.mark.parametrize("px_per_mm", [4.0, 11.8, 23.6])
def test_a_stroke_covers_what_its_length_and_width_say_at_any_resolution(px_per_mm: float) -> None:
    coverage = _blank(px_per_mm)
    lay_strokes(coverage, (_stroke("ink", (10, 20, 2), (30, 20, 2)),), px_per_mm)
    # a bar of 20 by 2 mm with two half discs of 1 mm radius
    assert coverage.sum() / px_per_mm**2 == pytest.approx(40 + np.pi, rel=0.04)
    rows, columns = np.nonzero(coverage > 0.5)
    assert (rows.mean() + 0.5) / px_per_mm == pytest.approx(20, abs=0.1)
    assert (columns.mean() + 0.5) / px_per_mm == pytest.approx(20, abs=0.1)


def test_pressure_makes_a_wedge() -> None:
    coverage = _blank(10)
    lay_strokes(coverage, (_stroke("ink", (5, 20, 1), (35, 20, 4)),), 10)
    widths = (coverage > 0.5).sum(axis=0) / 10
    assert widths[100] == pytest.approx(1.5, abs=0.15)
    assert widths[300] == pytest.approx(3.5, abs=0.15)


def test_white_takes_ink_away_and_later_strokes_lie_on_top() -> None:
    coverage = _blank(8, fill=1.0)
    white, ink = _stroke("white", (5, 20, 6), (35, 20, 6)), _stroke("ink", (20, 5, 2), (20, 35, 2))
    lay_strokes(coverage, (white, ink), 8)
    assert coverage[160, 80] == 0
    assert coverage[160, 160] == 1
    assert coverage[40, 40] == 1


def test_strokes_off_the_sheet_change_nothing_and_do_not_fail() -> None:
    coverage = _blank(8)
    lay_strokes(coverage, (_stroke("ink", (-50, -50, 3), (-40, -60, 3)),), 8)
    lay_strokes(coverage, (_stroke("ink", (400, 20, 3)),), 8)
    assert not coverage.any()
    lay_strokes(coverage, (_stroke("ink", (-5, 20, 3), (5, 20, 3)),), 8)
    assert coverage[160, 0] == 1


def test_a_speck_touched_comes_back_and_the_others_stay_away() -> None:
    raw = _blank(10)
    raw[98:102, 98:102] = 1
    raw[298:302, 298:302] = 1
    removed = np.array([[10, 10, 0.4], [30, 30, 0.4]], np.float32)
    cleaned = _blank(10)
    left = bring_back(cleaned, raw, removed, ((10.2, 10.0),), 10)
    assert left.tolist() == removed[1:].tolist()
    assert cleaned[:200, :200].sum() == 16
    assert not cleaned[200:].any()
    assert len(bring_back(_blank(10), raw, removed, ((20, 20),), 10)) == 2


def test_the_record_is_read_as_it_was_written() -> None:
    edits = InkEdits(((1.5, 2.25),), (_stroke("ink", (1, 2, 0.3), (4, 5, 0.6)),))
    again = read_ink_edits(json.loads(json.dumps(ink_edits_record(edits))))
    assert again.kept == edits.kept
    assert again.strokes[0].how == "ink"
    assert np.array_equal(again.strokes[0].points, edits.strokes[0].points)
    plain = read_ink_edits({})
    coverage = _blank(4, 0.25)
    assert mend(coverage, coverage, NONE, plain, 4)[1] is NONE
    assert (coverage == 0.25).all()


@pytest.mark.parametrize(
    "record",
    [
        {"kept": 5},
        {"kept": [[1]]},
        {"kept": [["a", "b"]]},
        {"strokes": [1]},
        {"strokes": [{"how": "red", "points_mm": [[1, 2, 3]]}]},
        {"strokes": [{"how": "ink", "points_mm": []}]},
        {"strokes": [{"how": "ink", "points_mm": [[1, 2, -3]]}]},
        {"strokes": [{"how": "ink", "points_mm": [[1, 2, 300]]}]},
        {"strokes": [{"how": "ink"}]},
    ],
    ids=str,
)
def test_a_record_edited_wrongly_is_one_line(record: dict[str, object]) -> None:
    with pytest.raises(InputError) as refused:
        read_ink_edits(record)
    assert "\n" not in str(refused.value)
