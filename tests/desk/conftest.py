"""A desk in a fresh folder for each flow."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.desk.hands import Table


@pytest.fixture
def table(tmp_path: Path, browser: Browser) -> Iterator[Table]:
    yield from _laid(tmp_path, browser, Table.start_here)


@pytest.fixture
def own_table(tmp_path: Path, browser: Browser) -> Iterator[Table]:
    """The desk as a command of its own, which can be killed."""
    yield from _laid(tmp_path, browser, Table.start)


def _laid(folder: Path, browser: Browser, start: Callable[[Table], None]) -> Iterator[Table]:
    work = folder / "work"
    work.mkdir()
    made = Table(work, browser)
    start(made)
    yield made
    for tab in made.tabs:
        # a request may still be on its way through a test's own handler
        tab.unroute_all(behavior="ignoreErrors")
        tab.context.close()
    made.stop()
    assert made.faults == []
