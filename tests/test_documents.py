"""The documents: short, with links that lead somewhere, and one for each stage's folder."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ROOMS = ("sheet", "ink", "curves", "flats", "deliver", "jobs", "desk")
DOCUMENTS = [
    *ROOT.glob("*.md"),
    *ROOT.glob("inkclean/**/*.md"),
    *ROOT.glob("tests/**/*.md"),
    *ROOT.glob("fixtures/*.md"),
]


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_links_and_named_files_are_there(path: Path) -> None:
    text = path.read_text("utf-8")
    for link in re.findall(r"\]\(([^)#:]+)\)", text):
        assert (path.parent / link).exists(), link
    # modules that a document names by their path
    for named in re.findall(r"`((?:inkclean|tests|desk|deliver|jobs|base)/[\w/]+\.py)`", text):
        assert any((ROOT / start / named).exists() for start in ("", "inkclean")), named


def test_notes_for_developers_stay_short() -> None:
    assert (ROOT / "DEVELOPERS.md").stat().st_size <= 8_192


@pytest.mark.parametrize("room", ROOMS)
def test_each_room_says_what_it_is_given_and_gives(room: str) -> None:
    text = (ROOT / "inkclean" / room / "README.md").read_text("utf-8")
    assert text.startswith(f"# {room}: ")
    assert "**Given**" in text and "**Gives**" in text
    assert len(text) < 6_000, "a page or two"
    for named in re.findall(r"`([\w/]+\.py)`", text):
        places = [ROOT / "inkclean" / room / named, ROOT / "inkclean" / named]
        assert any(place.exists() for place in places) or list(
            (ROOT / "inkclean" / room).rglob(named)
        ), named
