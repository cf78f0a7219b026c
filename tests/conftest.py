"""What tests of several folders share."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser


# Nothing of a run is kept on this computer; the tests of keeping name a folder of their own.
os.environ["INKCLEAN_KEPT"] = ""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Let the files with the longest tests go first, so that no long one starts last."""
    seconds: dict[Path, float] = {}
    for item in items:
        slow = item.get_closest_marker("slow")
        if slow is not None:
            longest = float(slow.args[0]) if slow.args else 2.0
            seconds[item.path] = max(longest, seconds.get(item.path, 0.0))
    items.sort(key=lambda item: -seconds.get(item.path, 0.0))


@pytest.fixture(scope="session")
def of_the_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that all processes of this run share."""
    own = tmp_path_factory.getbasetemp()
    return own.parent if "PYTEST_XDIST_WORKER" in os.environ else own


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """The one browser of a process: Playwright starts no second beside it."""
    from playwright.sync_api import expect, sync_playwright

    from tests.desk.hands import CHROMIUM, FLAGS, WAIT_MS

    expect.set_options(timeout=WAIT_MS)
    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield chromium
        chromium.close()
