from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from inkclean.base.errors import InputError
from inkclean.deliver.flats_record import edits_record, flats_record, read_edits
from inkclean.flats.colour.colours import colour_areas
from inkclean.flats.colour.hints import Hints, colour_by_hints, hints_in_picture
from inkclean.flats.values import BRIDGE, BRIDGED, CHECK, LINE, FlatEdits
from tests.flats.small_maps import cells, two_rooms

EDITS = FlatEdits(
    bridges=(((1.0, 2.0), (2.0, 2.5), (3.0, 2.5), (4.0, 2.0)),),
    opened=((5.5, 6.25), (7.0, 8.0)),
    joins=(((1.0, 1.0), (9.0, 9.0)),),
    splits=(((0.0, 0.0), (5.0, 5.0), (9.0, 5.0)), ((1.0, 1.0), (2.0, 2.0))),
)
HINTS = Hints(
    np.array([[1.0, 2.0], [30.5, 4.0]]),
    np.array([0, 1], np.int32),
    np.array([[200, 60, 50], [1, 2, 3]], np.uint8),
    ("skin", ""),
)


def _through_json(record: dict[str, Any]) -> Any:
    return json.loads(json.dumps(record, allow_nan=False))


def test_edits_come_back_as_they_were() -> None:
    edits, hints = read_edits(_through_json(edits_record(EDITS, HINTS)))
    assert edits == EDITS
    assert hints is not None
    np.testing.assert_array_equal(hints.points, HINTS.points)
    np.testing.assert_array_equal(hints.dab, HINTS.dab)
    np.testing.assert_array_equal(hints.colours, HINTS.colours)
    assert hints.names == HINTS.names


def test_no_edits() -> None:
    assert read_edits({}) == (FlatEdits(), None)
    assert read_edits(_through_json(edits_record(FlatEdits()))) == (FlatEdits(), None)


def test_painted_dabs_colour_the_same_areas_after_the_ticket() -> None:
    flats, ink = two_rooms()
    picture = np.zeros((240, 480, 4), np.uint8)
    picture[30:60, 30:90] = (200, 60, 50, 255)
    picture[150:200, 300:440] = (40, 90, 200, 255)
    hints = hints_in_picture(picture, 60, 30)
    _, kept = read_edits(_through_json(edits_record(FlatEdits(), hints)))
    assert kept is not None
    assert len(kept.points) <= 400
    first, colouring = colour_by_hints(flats, ink, hints)
    again, colouring_again = colour_by_hints(flats, ink, kept)
    one = colouring.palette[colouring.of_area[first.labels]]
    other = colouring_again.palette[colouring_again.of_area[again.labels]]
    assert (one != other).any(axis=2).mean() < 0.002


def test_dabs_hold_at_another_resolution() -> None:
    flats, ink = two_rooms()
    doubled = replace(
        flats, labels=flats.labels.repeat(2, 0).repeat(2, 1), px_per_mm=2 * flats.px_per_mm
    )
    fine = replace(ink, coverage=ink.coverage.repeat(2, 0).repeat(2, 1), px_per_mm=16.0)
    hints = replace(HINTS, points=np.array([[5.0, 5.0], [40.0, 20.0]]))
    small, one = colour_by_hints(flats, ink, hints)
    large, other = colour_by_hints(doubled, fine, hints)
    assert one.of_area.tolist() == other.of_area.tolist()
    assert (small.labels != large.labels[::2, ::2]).mean() < 0.002


@pytest.mark.parametrize(
    "record",
    [
        {"bridges": 3},
        {"bridges": [[[1, 2]]]},
        {"opened": [[1, "a"]]},
        {"opened": [[1, None]]},
        {"joins": [[[1, 2], [3]]]},
        {"splits": [[1, 2]]},
        {"splits": [None]},
        {"dabs": [3]},
        {"dabs": [{"colour": "#12", "points_mm": [[1, 2]]}]},
        {"dabs": [{"colour": "#zzzzzz", "points_mm": [[1, 2]]}]},
        {"dabs": [{"colour": "#102030", "points_mm": []}]},
    ],
)
def test_wrong_edits_are_one_line(record: dict[str, Any]) -> None:
    with pytest.raises(InputError, match=next(iter(record))) as caught:
        read_edits(record)
    assert "\n" not in str(caught.value)


def test_the_record_says_what_the_flats_hold() -> None:
    flats = cells(20, 120, 1)
    bridges = np.zeros(2, BRIDGE)
    bridges["cubic"], bridges["confidence"], bridges["doubtful"] = 1.23456, 0.4, True
    checks = np.zeros(2, CHECK)
    checks["kind"], checks["bridge"], checks["x_mm"] = (BRIDGED, LINE), (1, -1), (1.23456, 7.0)
    colouring = colour_areas(flats)
    record = _through_json(flats_record(replace(flats, bridges=bridges, checks=checks), colouring))
    assert len(record["areas"]) == len(flats.areas)
    for row, area in zip(record["areas"], flats.areas, strict=True):
        assert row["area"] == area["label"]
        assert row["size_mm2"] == pytest.approx(area["size_mm2"], abs=1e-3)
        colour = record["colours"][row["colour"]]["colour"]
        expected = colouring.palette[colouring.of_area[area["label"]]].tolist()
        assert list(bytes.fromhex(colour[1:])) == expected
    assert {row["kind"] for row in record["areas"]} == {"figure", "background"}
    assert len(record["neighbours"]) == len(flats.neighbours)
    assert record["bridges"][0]["cubic_mm"][0] == [1.235, 1.235]
    assert [bridge["to_check"] for bridge in record["bridges"]] == [False, True]
    assert [place["x_mm"] for place in record["to_check"]] == [1.235, 7.0]
    assert "bridge" in record["to_check"][0]["what"]
    assert "line" in record["to_check"][1]["what"]
