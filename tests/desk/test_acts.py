from __future__ import annotations

import math
from dataclasses import fields
from pathlib import Path

import pytest

from inkclean.base.errors import UsageError
from inkclean.desk.acts import KINDS, apply_acts, check_act
from inkclean.desk.edits import PageEdits
from inkclean.desk.log import EditLog
from inkclean.settings import Settings

WRONG: list[object] = [
    None,
    [],
    {},
    {"kind": "format the disk"},
    {"kind": "set"},
    {"kind": "set", "dpi": 9},
    {"kind": "set", "weight": 2},
    {"kind": "set", "weight": "1"},
    {"kind": "set", "weight": math.nan},
    {"kind": "set", "speck_mm": -1},
    {"kind": "set", "drop": "blue"},
    {"kind": "set", "drop": ["nothing known"]},
    {"kind": "set", "paper": "tablecloth"},
    {"kind": "set", "frame": "1,2;3,4"},
    {"kind": "stroke", "how": "red", "points": [[1, 2, 3]]},
    {"kind": "stroke", "how": "ink", "points": []},
    {"kind": "stroke", "how": "ink", "points": [[1, 2]]},
    {"kind": "stroke", "how": "ink", "points": [[1, 2, 0]]},
    {"kind": "stroke", "how": "ink", "points": [[1, 2, 99]]},
    {"kind": "stroke", "how": "ink", "points": [[1e9, 2, 1]]},
    {"kind": "stroke", "how": "ink", "points": [[1, 2, 1]] * 30_000},
    {"kind": "speck", "at": [1]},
    {"kind": "bridge", "cubic": [[0, 0]] * 3},
    {"kind": "join", "points": [[0, 0]]},
    {"kind": "split", "points": [[0, 0]]},
    {"kind": "letter", "to": "sky", "points": [[1, 2]]},
    {"kind": "letter", "to": "art", "points": []},
    {"kind": "dab", "at": [1, 2], "colour": "red"},
    {"kind": "dab", "at": [1, 2], "colour": "#ff00001"},
    {"kind": "sweep", "points": [[1, 2]], "colour": "red"},
    {"kind": "sweep", "points": [], "colour": "#ff0000"},
    {"kind": "specks", "points": [[1]]},
    {"kind": "checked", "at": None},
    {"kind": "bridges", "cubics": []},
    {"kind": "bridges", "cubics": [[[0, 0]] * 3]},
    {"kind": "bridges", "cubics": [[[0, 0]] * 4] * 101},
    {"kind": "light", "degrees": "north"},
    {"kind": "name", "colour": "red", "name": "coat"},
    {"kind": "name", "colour": "#ff0000", "name": "  "},
    {"kind": "name", "colour": "#ff0000", "name": "a\x00b"},
    {"kind": "set", "frame": "1,2 3;4,5;6,7;8,9"},
]


@pytest.mark.parametrize("act", WRONG, ids=lambda act: str(act)[:50])
def test_what_makes_no_sense_is_refused_in_one_line(act: object) -> None:
    with pytest.raises(UsageError) as refused:
        check_act(act)
    assert "\n" not in str(refused.value)


def test_nothing_more_is_kept_than_an_act_holds() -> None:
    act = check_act({"kind": "speck", "at": [1, 2], "path": "/etc/passwd"})
    assert act == {"kind": "speck", "at": [1.0, 2.0]}


def test_acts_amount_to_settings_and_edits() -> None:
    acts = [
        {"kind": "set", "weight": 0.3, "drop": ["blue"]},
        {"kind": "set", "weight": 0.5},
        {"kind": "stroke", "how": "white", "points": [[1, 1, 2], [5, 1, 2]]},
        {"kind": "speck", "at": [9, 9]},
        {"kind": "bridge", "cubic": [[0, 0], [1, 0], [2, 0], [3, 0]]},
        {"kind": "join", "points": [[1, 1], [2, 2]]},
        {"kind": "split", "points": [[1, 1], [2, 2], [3, 3]]},
        {"kind": "dab", "at": [4, 4], "colour": "#AABBCC"},
        {"kind": "light", "degrees": -45},
        {"kind": "letter", "to": "text", "points": [[1, 1]]},
        {"kind": "letter", "to": "art", "points": [[1, 1], [2, 1], [2, 2]]},
    ]
    work = apply_acts([check_act(act) for act in acts], PageEdits(Settings()))
    assert work.settings.weight == 0.5
    assert work.settings.drop == ("blue",)
    assert [stroke.how for stroke in work.ink.strokes] == ["white"]
    assert work.ink.kept == ((9.0, 9.0),)
    assert len(work.flats.bridges) == len(work.flats.joins) == len(work.flats.splits) == 1
    assert work.dabs == ((4.0, 4.0, "#aabbcc", ""),)
    assert work.light == 315
    assert [move.to for move in work.letters.moves] == ["text", "art"]


def test_areas_joined_in_one_stroke_are_one_edit() -> None:
    act = check_act({"kind": "join", "points": [[1, 1], [2, 2], [3, 3]]})
    joins = apply_acts([act], PageEdits(Settings())).flats.joins
    assert joins == (((1.0, 1.0), (2.0, 2.0)), ((1.0, 1.0), (3.0, 3.0)))


def test_an_outline_with_bowed_edges_is_kept_as_it_is() -> None:
    frame = "10,10 300,4 600,10;900,10;900,1200;10,1200"
    assert (
        apply_acts(
            [check_act({"kind": "set", "frame": frame})], PageEdits(Settings())
        ).settings.frame
        == frame
    )


def test_a_bridge_by_hand_is_taken_away_again_and_nothing_else_opened() -> None:
    laid = check_act({"kind": "bridge", "cubic": [[0, 0], [1, 0], [2, 0], [3, 0]]})
    away = check_act({"kind": "open", "at": [1.5, 0.1]})
    work = apply_acts([laid, away], PageEdits(Settings()))
    assert not work.flats.bridges
    assert not work.flats.opened
    assert apply_acts([laid, away, away], PageEdits(Settings())).flats.opened == ((1.5, 0.1),)


def test_a_split_under_its_older_name_in_a_log_is_still_followed() -> None:
    work = apply_acts([{"kind": "part", "points": [[1, 1], [2, 2]]}], PageEdits(Settings()))
    assert work.flats.splits == (((1, 1), (2, 2)),)


DONE: list[dict[str, object]] = [
    {"kind": "set", "weight": 0.5},
    {"kind": "stroke", "how": "ink", "points": [[1, 1, 0.5]]},
    {"kind": "dots", "how": "white", "points": [[1, 1, 0.5], [2, 2, 0.5]]},
    {"kind": "speck", "at": [1, 2]},
    {"kind": "specks", "points": [[1, 2]]},
    {"kind": "letter", "to": "text", "points": [[1, 2]]},
    {"kind": "checked", "at": [1, 2]},
    {"kind": "open", "at": [1, 2]},
    {"kind": "bridges", "cubics": [[[0, 0], [1, 0], [2, 0], [3, 0]]]},
    {"kind": "bridge", "cubic": [[0, 0], [1, 0], [2, 0], [3, 0]]},
    {"kind": "join", "points": [[1, 1], [2, 2]]},
    {"kind": "split", "points": [[1, 1], [2, 2]]},
    {"kind": "dab", "at": [1, 2], "colour": "#aabbcc"},
    {"kind": "sweep", "points": [[1, 2]], "colour": "#aabbcc"},
    {"kind": "light", "degrees": 90},
    {"kind": "name", "colour": "#aabbcc", "name": "coat"},
    {
        "kind": "book",
        "out": [],
        "into": [{"name": "skin", "colour": "#f0c8a0"}],
        "bind": "#aabbcc",
    },
]


def test_every_kind_of_act_comes_back_from_a_log_and_changes_its_own_part(tmp_path: Path) -> None:
    assert sorted(str(act["kind"]) for act in DONE) == sorted(kind.name for kind in KINDS)
    log = EditLog(tmp_path / "edits.log")
    for act in DONE:
        log.do(check_act(act))
    kept = EditLog(tmp_path / "edits.log").done
    start = PageEdits(Settings())
    made = {act["kind"]: apply_acts([act], start) for act in kept}
    parts = [part.name for part in fields(PageEdits)]
    changed = {
        kind: {part for part in parts if repr(getattr(after, part)) != repr(getattr(start, part))}
        for kind, after in made.items()
    }
    flats = {kind: {"flats"} for kind in ("open", "bridge", "bridges", "join", "split")}
    assert changed == {
        "set": {"settings"}, "stroke": {"ink"}, "dots": {"ink"}, "speck": {"ink"},
        "specks": {"ink"}, **flats,
        "checked": {"checked"}, "dab": {"dabs"}, "sweep": {"dabs"}, "light": {"light"},
        "name": {"names"}, "book": {"bound"}, "letter": {"letters"},
    }  # fmt: skip


def test_one_stroke_over_many_is_one_act() -> None:
    cubic = [[0, 0], [1, 0], [2, 0], [3, 0]]
    acts = [
        {"kind": "sweep", "points": [[1, 1], [5, 5]], "colour": "#AABBCC", "name": "coat"},
        {"kind": "specks", "points": [[2, 2], [3, 3]]},
        {"kind": "dots", "how": "white", "points": [[4, 4, 0.3], [6, 6, 0.4]]},
        {"kind": "bridges", "cubics": [cubic, cubic]},
        {"kind": "checked", "at": [7, 8]},
    ]
    work = apply_acts([check_act(act) for act in acts], PageEdits(Settings()))
    assert work.dabs == ((1.0, 1.0, "#aabbcc", "coat"), (5.0, 5.0, "#aabbcc", "coat"))
    assert work.ink.kept == ((2.0, 2.0), (3.0, 3.0))
    assert [stroke.points.tolist() for stroke in work.ink.strokes] == [[[4, 4, 0.3]], [[6, 6, 0.4]]]
    assert len(work.flats.bridges) == 2
    assert work.checked == ((7.0, 8.0),)
