"""From an edit of the areas to their new pixels in a real browser.

Run: ``python -m tests.benchmarks.desk_edits [--edits N]``: N edits (sixty) of the photographed page
of 500 cells. Milliseconds count from the browser's own time stamp of the last input to the first
frame with all tiles of the new areas; beside them the processor's, of the desk and of the page,
and the kilobytes that came over the line.
"""

from __future__ import annotations

import argparse
import os
from collections import defaultdict
from pathlib import Path

import numpy as np
from playwright.sync_api import Browser, Page, sync_playwright
from playwright.sync_api import TimeoutError as TookTooLong

from tests.benchmarks.desk import children, desk, put_in, renderers, settled
from tests.benchmarks.desk_pages import mosaic
from tests.desk.hands import CHROMIUM, FLAGS, Table, at, drag, drawn, reached, station

QUIET_MS = 4000  # an edit that changed nothing by then is not counted
KINDS = ("Bridge", "Split", "Join", "tap", "undo")

# `followed` is set at the frame in which the areas are others and all their tiles are there.
WATCH = """() => {
  const canvas = document.querySelector('#page');
  const key = () => /colours:(\\S+)/.exec(document.body.dataset.stages)?.[1];
  const before = key();
  window.followed = null;
  let start = null;
  const kinds = ['pointerdown', 'pointerup', 'keydown'];
  const note = (e) => { start = e.timeStamp; };
  for (const kind of kinds) addEventListener(kind, note, { capture: true });
  const look = () => {
    if (start !== null && key() !== before && canvas.dataset.waiting === '0') {
      window.followed = performance.now() - start;
      for (const kind of kinds) removeEventListener(kind, note, { capture: true });
    } else requestAnimationFrame(look);
  };
  requestAnimationFrame(look);
}"""


def busy_ms(numbers: list[int]) -> float:
    """Return the milliseconds of processor that processes have taken so far."""
    ticks = 0
    for number in numbers:
        try:
            text = Path(f"/proc/{number}/stat").read_text("ascii", "replace")
        except OSError:
            continue
        ticks += sum(int(field) for field in text.rpartition(")")[2].split()[11:13])
    return 1000 * ticks / os.sysconf("SC_CLK_TCK")


def edit(tab: Page, kind: str, rng: np.random.Generator) -> None:
    """Make one edit at a place by chance."""
    if kind == "undo":
        tab.keyboard.press("Control+z")
        return
    x, y = rng.uniform((25, 30), (180, 265))
    dx, dy = rng.uniform(-12, 12, 2)
    tab.get_by_role("button", name="Bridge" if kind == "tap" else kind, exact=True).click()
    if kind == "tap":
        tab.mouse.click(*at(tab, x, y))
    else:
        drag(tab, at(tab, x, y), at(tab, x + dx, y + dy))


def bytes_heard(tab: Page) -> list[int]:
    """Return a list that is filled with the bytes of all that comes over the line from now on."""
    heard: list[int] = []
    line = tab.context.new_cdp_session(tab)
    line.send("Network.enable")
    line.on("Network.loadingFinished", lambda e: heard.append(int(e["encodedDataLength"])))
    line.on("Network.eventSourceMessageReceived", lambda e: heard.append(len(e["data"])))
    return heard


def measure(browser: Browser, table: Table, tab: Page, count: int) -> None:
    """Print how long edits take until they are on the screen."""
    assert table.ran is not None
    found: dict[str, list[tuple[float, float, float, float]]] = defaultdict(list)
    rng = np.random.default_rng(5)
    heard = bytes_heard(tab)
    for number in range(count):
        kind = KINDS[number % len(KINDS)]
        desks = [table.ran.pid, *children(table.ran.pid)]
        pages = renderers(browser)
        heard.clear()
        tab.evaluate(WATCH)
        before = busy_ms(desks), busy_ms(pages)
        edit(tab, kind, rng)
        try:
            tab.wait_for_function("() => window.followed !== null", timeout=QUIET_MS)
        except TookTooLong:
            continue
        spent = float(tab.evaluate("() => window.followed"))
        after = busy_ms(desks), busy_ms(pages)
        spent_ms = (spent, after[0] - before[0], after[1] - before[1])
        found[kind].append((*spent_ms, sum(heard) / 1000))
    found["all"] = [row for rows in found.values() for row in rows]
    print("| edit | times | ms to the screen: median, 95 % | desk's processor | page's | kB |")
    for kind, rows in found.items():
        middle, most = np.percentile(rows, [50, 95], axis=0)
        figures = " | ".join(f"{a:.0f}, {b:.0f}" for a, b in zip(middle, most, strict=True))
        print(f"| {kind} | {len(rows)} | {figures} |", flush=True)


def main() -> None:
    """Print what edits take."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--edits", type=int, default=60)
    options = parser.parse_args()
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        with desk(browser) as (table, tab):
            put_in(tab, mosaic(3000, 4000, 0))
            reached(tab, "ink")
            station(tab, "Areas")
            reached(tab, "colours")
            drawn(tab)
            settled(tab)
            measure(browser, table, tab, options.edits)
        browser.close()


if __name__ == "__main__":
    main()
