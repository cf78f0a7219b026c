"""A desk that runs, a browser on it, and what the flows do with both."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from playwright.sync_api import Browser, Page, Route, expect

from inkclean.desk.config import Config
from inkclean.desk.web.app import create_app
from inkclean.desk.web.serve import _bind
from tests.desk import pages

CHROMIUM = Path("/usr/bin/chromium")
needs_chromium = pytest.mark.skipif(not CHROMIUM.exists(), reason="needs Debian's chromium")
FLAGS = ["--no-sandbox", "--disable-gpu"]
# The machine may have other work: this is when to give up, not how long it takes.
WAIT_MS = 60_000
TABLET, UPRIGHT, WIDE, PHONE = (1024, 1366), (768, 1024), (1440, 900), (390, 844)


@dataclass
class Table:
    """A desk that runs in a folder, and the tabs open on it."""

    folder: Path
    browser: Browser
    ran: subprocess.Popen[str] | None = None
    url: str = ""
    faults: list[str] = field(default_factory=list)
    allowed: tuple[str, ...] = ()  # beside what the tests' own reading of pixels brings about
    tabs: list[Page] = field(default_factory=list)
    ending: threading.Event = field(default_factory=threading.Event)
    server: uvicorn.Server | None = None
    thread: threading.Thread | None = None

    def start_here(self) -> None:
        """Run the desk in a thread of this process: what it imports is there already."""
        bound = _bind("127.0.0.1", 0)
        number = bound.getsockname()[1]
        config = Config(self.folder, frozenset({f"127.0.0.1:{number}"}))
        self.url = f"http://127.0.0.1:{number}/{config.token}/"
        settings = uvicorn.Config(create_app(config), log_level="warning", access_log=False)
        self.server = uvicorn.Server(settings)
        self.ending = config.ending
        run = self.server.run
        self.thread = threading.Thread(target=lambda: run(sockets=[bound]), daemon=True)
        self.thread.start()

    def start(self, port: int = 0) -> None:
        words = [
            sys.executable,
            "-m",
            "inkclean.cli",
            "desk",
            "--no-browser",
            f"--port={port}",
        ]
        self.ran = subprocess.Popen([*words, str(self.folder)], stdout=subprocess.PIPE, text=True)
        assert self.ran.stdout is not None
        found = re.search(r"http://\S+", self.ran.stdout.readline())
        assert found is not None
        self.url = found[0]

    def stop(self, how: signal.Signals = signal.SIGTERM) -> None:
        if self.server is not None and self.thread is not None:
            self.ending.set()
            self.server.should_exit = True
            self.thread.join(20)
        if self.ran is not None and self.ran.poll() is None:
            self.ran.send_signal(how)
            self.ran.wait(20)
        if self.ran is not None and self.ran.stdout is not None:
            self.ran.stdout.close()

    def tab(self, size: tuple[int, int] = UPRIGHT, *, touch: bool = False) -> Page:
        context = self.browser.new_context(
            viewport={"width": size[0], "height": size[1]}, has_touch=touch
        )
        context.set_default_timeout(WAIT_MS)
        tab = context.new_page()
        tab.on("console", lambda said: self._said(said.type, said.text))
        tab.on("pageerror", lambda error: self.faults.append(str(error)))
        self.tabs.append(tab)
        tab.goto(self.url)
        return tab

    def _said(self, kind: str, text: str) -> None:
        if kind in ("error", "warning") and not any(
            part in text for part in (*self.allowed, "getImageData")
        ):
            self.faults.append(text)


def put(tab: Page, grains: Sequence[tuple[float, float]] = ()) -> None:
    photo = {"name": "page.jpg", "mimeType": "image/jpeg", "buffer": pages.jpeg(grains)}
    tab.set_input_files("#choose", [photo])  # type: ignore[arg-type]
    reached(tab, "ink")


def reached(tab: Page, stage: str) -> None:
    tab.wait_for_selector(f"body[data-stages*=' {stage}:']")


def key_of(tab: Page, stage: str) -> str:
    stages = str(tab.get_attribute("body", "data-stages"))
    found = re.search(rf"(?:^| ){stage}:(\S+)", stages)
    assert found is not None, (stage, stages)
    return found[1]


def changed(tab: Page, stage: str, before: str) -> None:
    tab.wait_for_selector(f"body[data-stages*=' {stage}:']:not([data-stages*='{before}'])")


def station(tab: Page, name: str) -> None:
    tab.get_by_role("button", name=name, exact=True).click()


def framed(tab: Page) -> None:
    """Wait until what was changed so far has been laid out and drawn, as far as it is here.

    A canvas learns of its new size after the frame's own drawing, and draws again.
    """
    tab.evaluate("() => new Promise((done) => requestAnimationFrame(() => setTimeout(done)))")


def drawn(tab: Page) -> None:
    """Wait until the page fills the room that the controls leave it, and no tile is missing.

    What the canvas tells of itself is as old as its last frame: one has to pass first.
    """
    framed(tab)
    tab.wait_for_function(
        """() => {
          const c = document.querySelector('#page');
          const ratio = Math.min(devicePixelRatio || 1, 2);
          return c.width === Math.round(c.clientWidth * ratio)
            && c.height === Math.round(c.clientHeight * ratio)
            && c.dataset.waiting === '0';
        }"""
    )


def at(tab: Page, x: float, y: float) -> tuple[float, float]:
    """Return where a place of the sheet (mm) lies in the window, all changes so far laid out."""
    framed(tab)
    k, ox, oy = (float(v) for v in str(tab.get_attribute("#page", "data-view")).split())
    return ox + x * k, oy + y * k


def pixel(tab: Page, x: float, y: float, reach: int = 0) -> list[int]:
    """Return the darkest pixel of the canvas within ``reach`` of a place of the sheet."""
    cx, cy = at(tab, x, y)
    got = tab.evaluate(
        """([x, y, r]) => {
          const c = document.querySelector('#page');
          const s = c.width / c.clientWidth;
          const d = c.getContext('2d').getImageData(
            Math.round(x * s) - r, Math.round(y * s) - r, 2 * r + 1, 2 * r + 1).data;
          let best = [255, 255, 255, 255];
          for (let k = 0; k < d.length; k += 4)
            if (d[k] + d[k + 1] + d[k + 2] < best[0] + best[1] + best[2])
              best = [d[k], d[k + 1], d[k + 2], d[k + 3]];
          return best;
        }""",
        [cx, cy, reach],
    )
    return [int(value) for value in got]


def hold(tab: Page, where: re.Pattern[str]) -> list[Route]:
    """Return a list of the requests that are held up from now on, to be let go by the test."""
    held: list[Route] = []

    def keep(route: Route) -> None:
        held.append(route)

    tab.route(where, keep)
    return held


def until(tab: Page, right: Callable[[], bool]) -> None:
    """Let frames pass until ``right`` holds."""
    for _ in range(3000):
        if right():
            return
        tab.evaluate("() => new Promise((done) => requestAnimationFrame(() => done()))")
    raise AssertionError("it never came to be")


def drag_handle(tab: Page, handle: str, across: float, down: float) -> None:
    """Drag a handle of the sheet by px of the screen; the loupe shows meanwhile."""
    drawn(tab)  # handles get their places when the page is drawn
    box = tab.locator(handle).bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    tab.mouse.move(x, y)
    tab.mouse.down()
    tab.mouse.move(x + across, y + down, steps=5)
    expect(tab.locator("#loupe")).to_be_visible()
    tab.mouse.up()


def drag(tab: Page, *places: tuple[float, float]) -> None:
    tab.mouse.move(*places[0])
    tab.mouse.down()
    for place in places[1:]:
        tab.mouse.move(*place, steps=6)
    tab.mouse.up()


def ink_station(tab: Page) -> None:
    station(tab, "Ink")
    tab.get_by_role("slider", name="Compare").focus()
    tab.keyboard.press("Home")  # the ink over the whole screen
    drawn(tab)


def white_out(tab: Page) -> None:
    tab.get_by_role("button", name="White out").click()
    tab.get_by_role("slider", name="Width").fill("3")


def log_of(table: Table) -> list[dict[str, Any]]:
    """Return what was done to the one page, nothing before its first edit is kept."""
    path = next((table.folder / ".desk" / "pages").glob("*/edits.log"), None)
    if path is None:
        return []
    return [json.loads(line) for line in path.read_text("utf-8").splitlines()]
