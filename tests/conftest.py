"""What tests of several folders share."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser


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
