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


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"kind": "something"}, "is no ticket"),
        ({"version": "999.0"}, "install the newer one"),
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
        ({"settings": {"paper": "A99"}}, "no paper size"),
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
    with pytest.raises(InputError):
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
