"""Curves and lettering that are kept: the same to the last bit, and only where nothing changed."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from click.testing import CliRunner

import inkclean.pipeline
from inkclean import kept
from inkclean.base.arrays import U8
from inkclean.cli.main import main
from inkclean.ink.values import Ink
from inkclean.page import Page
from inkclean.settings import Settings
from inkclean.sheet.values import Photo


@pytest.fixture(autouse=True)
def _place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(kept.PLACE, str(tmp_path / "kept"))


def _drawn() -> U8:
    sheet = np.full((240, 320, 3), 245, np.uint8)
    cv2.circle(sheet, (90, 110), 50, (20, 20, 20), 5, cv2.LINE_AA)
    cv2.line(sheet, (180, 40), (290, 200), (20, 20, 20), 6, cv2.LINE_AA)
    return sheet


def _page(settings: Settings | None = None, **more: Any) -> Page:
    photo = Photo(_drawn(), 200.0, "page")
    return Page(photo, settings or Settings(frame="whole"), **more)


def _made() -> Page:
    page = _page()
    page.bring("curves", "lettering")
    kept.keep(page, "one")
    return page


def test_what_is_kept_is_the_same_to_the_last_bit_and_no_ink_is_cut_again() -> None:
    before = _made()
    ran: list[str] = []
    again = _page(given=kept.recall(_page(), "one"), before=lambda step: ran.append(step.name))
    for name in ("curves", "lettering"):
        one, other = before.get(name), again.get(name)
        for item in fields(one):
            old, new = getattr(one, item.name), getattr(other, item.name)
            assert np.array_equal(old, new)
            assert np.asarray(old).dtype == np.asarray(new).dtype
    assert not ran


def test_nothing_is_recalled_where_the_photo_or_a_setting_is_another() -> None:
    _made()
    assert not kept.recall(_page(), "two")
    assert not kept.recall(_page(Settings(frame="whole", weight=0.4)), "one")


def test_another_state_of_the_program_recalls_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    _made()
    monkeypatch.setattr(kept, "_program", lambda: "another")
    assert not kept.recall(_page(), "one")


def test_broken_files_are_as_good_as_none(tmp_path: Path) -> None:
    _made()
    for path in (tmp_path / "kept").iterdir():
        path.write_bytes(path.read_bytes()[:-40])
    assert not kept.recall(_page(), "one")


def test_what_was_recalled_is_not_kept_again(tmp_path: Path) -> None:
    _made()
    count = len(list((tmp_path / "kept").iterdir()))
    kept.keep(_page(given=kept.recall(_page(), "one")), "one")
    assert len(list((tmp_path / "kept").iterdir())) == count == 2


def test_the_oldest_goes_where_there_is_too_much(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = tmp_path / "kept" / "old.npz"
    old.parent.mkdir()
    old.write_bytes(bytes(50_000))
    monkeypatch.setattr(kept, "LIMIT_MB", 0.06)
    _made()
    assert not old.exists()
    assert kept.recall(_page(), "one")


def test_without_a_place_nothing_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(kept.PLACE, "")
    _made()
    assert not kept.recall(_page(), "one")
    assert not (tmp_path / "kept").exists()


def test_a_poster_of_a_cleaned_page_needs_no_cleaning(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    photo = tmp_path / "page.png"
    cv2.imwrite(str(photo), _drawn())
    run = CliRunner().invoke
    cleaned = run(main, ["clean", str(photo), "--frame", "whole", "--paper", "40x30mm", "--quiet"])
    assert cleaned.exit_code == 0, cleaned.output

    def never(*_: object, **__: object) -> Ink:
        raise AssertionError("the ink was cut again")

    monkeypatch.setattr(inkclean.pipeline, "cut", never)
    words = ["press", str(tmp_path / "page.ticket.json"), "--poster", "A4", "--on", "A5"]
    made = run(main, [*words, "--quiet"])
    assert made.exit_code == 0, made.output
    assert (tmp_path / "page.tiles.pdf").exists()
