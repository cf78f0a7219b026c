"""A browser for all flows, and a desk in a fresh folder for each."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

from tests.desk.hands import CHROMIUM, FLAGS, Table


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield chromium
        chromium.close()


@pytest.fixture
def table(tmp_path: Path, browser: Browser) -> Iterator[Table]:
    folder = tmp_path / "work"
    folder.mkdir()
    made = Table(folder, browser)
    made.start()
    yield made
    for tab in made.tabs:
        tab.context.close()
    made.stop()
    assert made.faults == []
