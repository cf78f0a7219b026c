"""What was told of a page stays on the disk: it is there at once, and safe to delete."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from inkclean.desk import pictures
from inkclean.desk.edits import PageEdits
from inkclean.desk.work.before import TOLD, read_told, trim
from inkclean.desk.work.stages import Bench
from inkclean.desk.work.task import More
from inkclean.settings import Settings
from tests.desk import pages

WORK = PageEdits(Settings())
HEAVIER = PageEdits(Settings(weight=0.3))


def _bench(folder: Path) -> Bench:
    return Bench(folder / "page.jpg", 1, folder / "pictures", 300.0)


def _told(bench: Bench, work: PageEdits, goal: str = "ink") -> dict[str, dict[str, Any]]:
    told: dict[str, dict[str, Any]] = {}
    bench.run(work, goal, told.__setitem__, lambda: None)
    return told


def test_a_page_opened_again_is_there_before_anything_is_worked_out(tmp_path: Path) -> None:
    pages.write(tmp_path / "page.jpg")
    first = _told(_bench(tmp_path), WORK)
    bench = _bench(tmp_path)
    assert _told(bench, WORK) == first
    assert not bench.page.has("photo")  # not even read
    bench.settle(WORK, "ink")
    assert bench.page.has("ink")
    assert _told(bench, WORK) == first
    # an edit changes what rests on it, and comes out as it does otherwise
    again = _told(bench, HEAVIER)
    assert {stage for stage in first if again[stage] != first[stage]} == {"ink"}
    other = _bench(tmp_path)
    assert _told(other, HEAVIER) == again
    other.settle(HEAVIER, "ink")
    assert np.array_equal(other.page.ink.coverage, bench.page.ink.coverage)


def test_an_edit_at_once_after_opening_counts(tmp_path: Path) -> None:
    pages.write(tmp_path / "page.jpg")
    _told(_bench(tmp_path), WORK)
    bench = _bench(tmp_path)
    told = _told(bench, HEAVIER)
    shown = pictures.read_whole(tmp_path / "pictures" / told["ink"]["picture"])
    assert np.array_equal(shown, np.rint(bench.page.ink.coverage * 255).astype(np.uint8))


def test_what_was_deleted_is_made_anew(tmp_path: Path) -> None:
    pages.write(tmp_path / "page.jpg")
    first = _told(_bench(tmp_path), WORK)
    pictures.drop(tmp_path / "pictures" / first["ink"]["picture"])
    again = _told(_bench(tmp_path), WORK)
    assert {stage: said["key"] for stage, said in again.items()} == {
        stage: said["key"] for stage, said in first.items()
    }
    assert pictures.read_whole(tmp_path / "pictures" / again["ink"]["picture"]).size


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"of": ["0"], "stages": {}}', "\x00"])
def test_a_damaged_note_counts_for_nothing(tmp_path: Path, text: str) -> None:
    (tmp_path / TOLD).write_text(text, "utf-8")
    assert read_told(tmp_path, More()) == {}


def test_the_pages_left_longest_go_first_and_their_numbers_stay_taken(tmp_path: Path) -> None:
    folders = [tmp_path / name / "pictures" for name in "abc"]
    for age, folder in enumerate(folders):
        pictures.keep(np.zeros((100, 100), np.uint8), folder / "ink-7")
        (folder / TOLD).write_text("{}", "utf-8")
        for path in folder.rglob("*"):
            os.utime(path, (1e9 + age, 1e9 + age))
    trim(folders, 25_000)
    assert [(folder / "ink-7" / "0.raw").exists() for folder in folders] == [False, True, True]
    assert (folders[0] / "ink-7").is_dir() and not (folders[0] / TOLD).exists()
    trim(folders, 0)
    assert not any((folder / "ink-7" / "0.raw").exists() for folder in folders)
