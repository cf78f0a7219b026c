"""The ticket: a round trip, and refusal of what was edited wrongly."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from inkclean.base.errors import InputError, UsageError
from inkclean.jobs.ticket import Ticket, file_hash, read_ticket, ticket_text
from inkclean.settings import Settings, check_settings

TICKET = Ticket(
    photo="harbour.jpg",
    sha256="0" * 64,
    page=1,
    settings=Settings(drop=("blue", "#A4DDED"), weight=0.25, strokes=True),
    measured={"ink": {"share": 0.1}},
    edits={},
    results={"svg": "1" * 64},
)


def _write(folder: Path, **changes: Any) -> Path:
    body = json.loads(ticket_text(TICKET)) | changes
    path = folder / "harbour.ticket.json"
    path.write_text(json.dumps(body), "utf-8")
    return path


def test_round_trip(tmp_path: Path) -> None:
    path = tmp_path / "harbour.ticket.json"
    path.write_text(ticket_text(TICKET), "utf-8")
    assert read_ticket(path) == TICKET


def test_keys_of_older_tickets_are_read_under_the_names_of_today(tmp_path: Path) -> None:
    path = _write(
        tmp_path,
        measured={
            "sheet": {"doubt": "could be letter instead of A4"},
            "capture": {"finest_mm": 0.2},
            "ink": {"doubts": [{"x_mm": 1.0, "why": "a faint mark kept as ink"}]},
            "flats": {"bridges": [{"doubtful": True}], "run": {"found": {"doubtful": 1}}},
        },
        edits={"flats": {"parts": [[[1.0, 2.0], [3.0, 4.0]]]}},
        results={"tone": "2" * 64},
    )
    ticket = read_ticket(path)
    assert ticket.measured == {
        "sheet": {"to_check": "could be letter instead of A4"},
        "capture": {"thinnest_mm": 0.2},
        "ink": {"to_check": [{"x_mm": 1.0, "why": "a faint mark kept as ink"}]},
        "flats": {"bridges": [{"to_check": True}], "run": {"found": {"to_check": 1}}},
    }
    assert ticket.edits == {"flats": {"splits": [[[1.0, 2.0], [3.0, 4.0]]]}}
    assert ticket.results == {"grey": "2" * 64}


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"kind": "something"}, "is not a ticket"),
        ({"version": "999.0"}, "update inkclean"),
        ({"page": 0}, "'page'"),
        ({"page": True}, "'page'"),
        ({"photo": ""}, "'photo'"),
        ({"edits": []}, "'edits'"),
        ({"settings": {"weight": "heavy"}}, "'settings.weight'"),
        ({"settings": {"strokes": 1}}, "'settings.strokes'"),
        ({"settings": {"colour": "x"}}, "'settings.colour'"),
        ({"settings": {"drop": [1]}}, "'settings.drop'"),
        ({"settings": None}, "'settings'"),
        ({"settings": {"weight": 9}}, "--weight"),
        ({"settings": {"dpi": 10**6}}, "--dpi"),
        ({"settings": {"paper": "A99"}}, "not a paper size"),
        ({"settings": {"weight": float("nan")}}, "'settings.weight'"),
    ],
)
def test_wrong_edits_are_refused(tmp_path: Path, changes: dict[str, Any], said: str) -> None:
    with pytest.raises(InputError, match=said) as caught:
        read_ticket(_write(tmp_path, **changes))
    assert caught.value.exit_code == 3
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("text", ["", "{", "[1]", "null", "\x00", "[" * 100_000])
def test_text_that_is_no_ticket(tmp_path: Path, text: str) -> None:
    path = tmp_path / "x.ticket.json"
    path.write_text(text, "utf-8")
    with pytest.raises(InputError):
        read_ticket(path)


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(InputError):
        read_ticket(tmp_path / "none.json")
    with pytest.raises(InputError, match=r"none\.jpg: no such file; check the name"):
        file_hash(tmp_path / "none.jpg")


def test_hash_is_sha256(tmp_path: Path) -> None:
    # FIPS 180-4, the one-block message "abc"
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    assert file_hash(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


@pytest.mark.parametrize(
    "settings", [Settings(paper="A9"), Settings(speck_mm=9.0), Settings(within_mm=0.0)]
)
def test_settings_out_of_range(settings: Settings) -> None:
    with pytest.raises(UsageError):
        check_settings(settings)
