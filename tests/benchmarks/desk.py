"""The desk in a real browser: latencies, the first ink, panning, memory after long work.

Run: ``python -m tests.benchmarks.desk [first] [again] [latency] [pan] [memory] [--rounds N]``;
all without a name. Needs Debian's chromium. Latencies count from the browser's own time stamp of
the input to the first frame in which pixels of the canvas are others.
"""

from __future__ import annotations

import argparse
import contextlib
import tempfile
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import numpy as np
from playwright.sync_api import Browser, Page, sync_playwright

from tests.benchmarks.desk_pages import BROAD, HIGH, mosaic
from tests.desk.hands import (
    CHROMIUM,
    FLAGS,
    TABLET,
    Table,
    at,
    drag,
    drawn,
    ink_station,
    key_of,
    reached,
    station,
)

PATIENCE_MS = 300_000

# Looks at the canvas each frame; `armed` is set before an input, `spent` after it.
WATCH = """(which) => {
  const canvas = document.querySelector(which);
  const sum = () => {
    const { data } = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height);
    const words = new Uint32Array(data.buffer);
    let total = 0;
    for (let k = 0; k < words.length; k += 3) total = (total * 31 + words[k]) | 0;
    return total;
  };
  const before = sum();
  window.spent = null;
  let start = null;
  const kinds = ['pointerdown', 'pointerup', 'pointermove', 'input', 'keydown'];
  const note = (e) => { start = e.timeStamp; };
  for (const kind of kinds) addEventListener(kind, note, { capture: true });
  const look = () => {
    if (start !== null && sum() !== before) {
      window.spent = performance.now() - start;
      for (const kind of kinds) removeEventListener(kind, note, { capture: true });
    } else requestAnimationFrame(look);
  };
  requestAnimationFrame(look);
}"""


def measured(tab: Page, what: Callable[[], object], canvas: str = "#page") -> float:
    """Return the milliseconds from the last input of ``what`` to another picture."""
    tab.evaluate(WATCH, canvas)
    what()
    for _ in range(3000):
        spent = tab.evaluate("() => window.spent")
        if spent is not None:
            return float(spent)
        time.sleep(0.005)
    raise AssertionError("nothing changed on the screen")


def line(name: str, found: list[float], target: float) -> None:
    """Print a row: count, median, 95th percentile, worst, target."""
    p50, p95 = np.percentile(found, [50, 95])
    print(
        f"| {name} | {len(found)} | {p50:.0f} | {p95:.0f} | {max(found):.0f} | {target:.0f} |",
        flush=True,
    )


@contextlib.contextmanager
def desk(browser: Browser, size: tuple[int, int] = TABLET) -> Iterator[tuple[Table, Page]]:
    """Give a desk as a command of its own in a fresh folder, and a tab on it."""
    with tempfile.TemporaryDirectory() as folder:
        table = Table(Path(folder), browser)
        table.start()
        try:
            tab = table.tab(size)
            tab.context.set_default_timeout(PATIENCE_MS)
            yield table, tab
            tab.context.close()
        finally:
            table.stop()
        if table.faults:
            print("faults:", table.faults)


def put_in(tab: Page, photo: bytes) -> float:
    """Upload a photo; return when it was through (perf_counter)."""
    file = {"name": "page.jpg", "mimeType": "image/jpeg", "buffer": photo}
    with tab.expect_response(lambda answer: "api/photos" in answer.url):
        tab.set_input_files("#choose", [file])  # type: ignore[arg-type]
    return time.perf_counter()


def first_ink(browser: Browser, rounds: int) -> None:
    """Print the seconds from the upload's end to ink on the screen, coarse and whole."""
    coarse, whole = [], []
    for number in range(rounds):
        with desk(browser) as (_, tab):
            start = put_in(tab, mosaic(3000, 4000, number))
            tab.wait_for_selector("[data-station=sheet][aria-current]")
            station(tab, "Ink")
            tab.wait_for_selector("#page[data-look='first'][data-waiting='0']")
            coarse.append(1000 * (time.perf_counter() - start))
            tab.wait_for_selector("#page[data-look='whole'][data-waiting='0']")
            whole.append(1000 * (time.perf_counter() - start))
    line("first ink on the screen, coarse (ms)", coarse, 3000)
    line("the ink itself on the screen (ms)", whole, 3000)


def opened_again(browser: Browser, rounds: int) -> None:
    """Print the seconds from a tap on a page worked on before to its areas on the screen.

    The desk was stopped and started in between: nothing is in its memory.
    """
    found = []
    with desk(browser) as (table, first):
        put_in(first, mosaic(3000, 4000, 0))
        first.wait_for_selector("[data-station=sheet][aria-current]")
        station(first, "Areas")
        reached(first, "colours")
        drawn(first)
        settled(first)
        for _ in range(rounds):
            table.stop()
            table.start()
            tab = table.tab(TABLET)
            tab.context.set_default_timeout(PATIENCE_MS)
            page = tab.locator("#shelf li > button").first
            page.wait_for()
            start = time.perf_counter()
            page.click()
            station(tab, "Areas")
            reached(tab, "colours")
            drawn(tab)
            found.append(1000 * (time.perf_counter() - start))
            tab.context.close()
    line("a page opened again, its areas on the screen (ms)", found, 1000)


def slid(tab: Page, name: str) -> Callable[[], object]:
    """Return a step of the slider of a tool, back and forth."""
    tab.get_by_role("button", name=name, exact=True).click()
    bar = tab.get_by_role("slider", name=name)
    bar.focus()
    for _ in range(2):
        bar.press("ArrowRight")
    keys = iter(["ArrowRight", "ArrowRight", "ArrowLeft", "ArrowLeft"] * 99)
    return lambda: bar.press(next(keys))


def ink_latencies(tab: Page, rounds: int) -> None:
    """Print what the station Ink takes to show."""
    ink_station(tab)
    tab.wait_for_selector("body[data-stages*=' marks:']")
    for name, canvas in (
        ("Weight", "#page"),
        ("Dust size", "#page"),
        ("Curve accuracy", "#curves"),
    ):
        step = slid(tab, name)
        tab.wait_for_timeout(1500)
        found = []
        for _ in range(rounds):
            found.append(measured(tab, step, canvas))
            tab.wait_for_timeout(150)
        line(name, found, 150)
        settled(tab)
    rng = np.random.default_rng(1)
    for name in ("White out", "Ink in"):
        tab.get_by_role("button", name=name, exact=True).click()
        found = []
        for x, y in rng.uniform((25, 25), (180, 270), (rounds, 2)):
            here, there = at(tab, x, y), at(tab, x + 8, y + 5)
            found.append(measured(tab, partial(drag, tab, here, there)))
        line(name, found, 150)
        settled(tab)


def settled(tab: Page) -> None:
    """Wait until the server has followed."""
    before = ""
    while (now := str(tab.get_attribute("body", "data-stages"))) != before:
        before = now
        tab.wait_for_timeout(2500)
    drawn(tab)


def area_latencies(tab: Page, rounds: int) -> None:
    """Print what the station Areas takes to show, and then until all areas have followed."""
    station(tab, "Areas")
    reached(tab, "colours")
    drawn(tab)
    print(f"areas: {tab.inner_text('#say')}", flush=True)
    rng = np.random.default_rng(2)
    places = rng.uniform((25, 30), (180, 265), (8 * rounds, 2))
    swatches = tab.locator(".swatch")
    found = []
    for number, (x, y) in enumerate(places[:rounds]):
        swatches.nth(1 + number % 4).click()
        here = at(tab, x, y)
        try:
            found.append(measured(tab, partial(tab.mouse.click, *here)))
        except AssertionError:  # that area has this colour
            continue
    line("Fill", found, 100)
    for name in ("Bridge", "Join", "Split"):
        tab.get_by_role("button", name=name, exact=True).click()
        found, after = [], []
        for x, y in places[rounds : rounds + rounds // 3 + 1]:
            before = key_of(tab, "colours")
            here, there = at(tab, x, y), at(tab, x + 9, y + 4)
            found.append(measured(tab, partial(drag, tab, here, there)))
            start = time.perf_counter()
            try:
                tab.wait_for_selector(
                    f"body[data-stages*=' colours:']:not([data-stages*='{before}'])", timeout=20_000
                )
                after.append(1000 * (time.perf_counter() - start))
            except Exception:  # noqa: S112 one area alone was met: nothing to join
                continue
        line(name, found, 100)
        if after:
            line(f"{name}: until the areas have followed", after, 300)
    tab.get_by_role("button", name="Light direction").click()
    reached(tab, "relief")
    drawn(tab)
    x, y = at(tab, 105, 140)
    tab.mouse.move(x, y)
    tab.mouse.down()
    tab.mouse.move(x + 60, y + 60)
    found = []
    for angle in np.linspace(0.3, 6, rounds):
        end = (x + 90 * np.cos(angle), y + 90 * np.sin(angle))
        found.append(measured(tab, partial(tab.mouse.move, *end)))
    tab.mouse.up()
    line("Light direction", found, 100)


def panning(browser: Browser) -> None:
    """Print the frame times of a sheet of 70 MP under the hand."""
    with desk(browser) as (_, tab):
        put_in(tab, mosaic(BROAD, HIGH, 1))
        tab.wait_for_selector("[data-station=sheet][aria-current]")
        station(tab, "Ink")
        tab.wait_for_selector("#page[data-look='whole'][data-waiting='0']")
        for zoom in (0, 4, 8):
            tab.mouse.move(512, 500)
            for _ in range(zoom and 4):
                tab.mouse.wheel(0, -400)
            tab.wait_for_timeout(800)
            tab.evaluate(
                """() => { window.frames_ = []; let last = performance.now();
                const next = (now) => { window.frames_.push(now - last); last = now;
                  if (window.frames_) requestAnimationFrame(next); };
                requestAnimationFrame(next); }"""
            )
            tab.mouse.move(700, 700)
            tab.mouse.down()
            for k in range(160):
                angle = k / 12
                tab.mouse.move(512 + 190 * np.cos(angle), 450 + 230 * np.sin(angle))
            tab.mouse.up()
            frames = tab.evaluate(
                "() => { const f = window.frames_; window.frames_ = []; return f; }"
            )
            line(f"70 MP, panned at zoom {zoom} (ms a frame)", frames[2:], 33)


def memory(browser: Browser, rounds: int) -> None:
    """Print the memory of server, workers and page before and after long work."""
    with desk(browser) as (table, tab):
        put_in(tab, mosaic(3000, 4000, 1))
        reached(tab, "ink")
        ink_station(tab)
        rng = np.random.default_rng(3)
        assert table.ran is not None
        for number in range(rounds + 1):
            if number in (0, 5, rounds // 2, rounds):
                settled(tab)
                print(f"| round {number} | {_taken(browser, tab, table.ran.pid)} |", flush=True)
            _round(tab, rng)


def _round(tab: Page, rng: np.random.Generator) -> None:
    """Do what a hand does in half a minute: strokes, settings, a look around, colours."""
    station(tab, "Ink")
    for name in ("White out", "Ink in"):
        tab.get_by_role("button", name=name, exact=True).click()
        for x, y in rng.uniform((25, 25), (180, 270), (3, 2)):
            drag(tab, at(tab, x, y), at(tab, x + 6, y + 3))
    slid(tab, "Weight")()
    tab.keyboard.press("Control+z")
    tab.keyboard.press("Control+z")
    for step in (-500, -500, 700, 500):
        tab.mouse.move(*rng.uniform((300, 300), (700, 700)))
        tab.mouse.wheel(0, step)
        tab.wait_for_timeout(60)
    station(tab, "Areas")
    tab.wait_for_selector(".swatch")
    tab.get_by_role("button", name="Whole page").click()
    tab.get_by_role("button", name="Fill", exact=True).click()
    tab.locator(".swatch").nth(int(rng.integers(1, 5))).click()
    for x, y in rng.uniform((25, 30), (180, 265), (4, 2)):
        tab.mouse.click(*at(tab, x, y))
    tab.wait_for_timeout(300)


def _taken(browser: Browser, tab: Page, server: int) -> str:
    line_in = tab.context.new_cdp_session(tab)
    line_in.send("HeapProfiler.collectGarbage")
    line_in.send("Performance.enable")
    metrics = {m["name"]: m["value"] for m in line_in.send("Performance.getMetrics")["metrics"]}
    line_in.detach()
    page = max(_pss(number) for number in renderers(browser))
    server_mb, others = _pss(server), sum(_pss(number) for number in children(server))
    heap = metrics["JSHeapUsedSize"] / 2**20
    return (
        f"server {server_mb:.0f} MB, workers {others:.0f} MB, page {page:.0f} MB, "
        f"its heap {heap:.1f} MB"
    )


def _pss(number: int) -> float:
    try:
        text = Path(f"/proc/{number}/smaps_rollup").read_text("ascii")
    except OSError:
        return 0.0
    return next(int(row.split()[1]) for row in text.splitlines() if row.startswith("Pss:")) / 1024


def renderers(browser: Browser) -> list[int]:
    """Return the processes that draw the browser's pages."""
    whole = browser.new_browser_cdp_session()
    running = whole.send("SystemInfo.getProcessInfo")["processInfo"]
    whole.detach()
    return [one["id"] for one in running if one["type"] == "renderer"]


def children(number: int) -> list[int]:
    """Return the processes that a process started, and those that they did."""
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError, ValueError, IndexError):
            parent = int(path.read_text("ascii", "replace").rpartition(")")[2].split()[1])
            if parent == number:
                child = int(path.parent.name)
                found += [child, *children(child)]
    return found


def main() -> None:
    """Print what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", nargs="*", default=["first", "again", "latency", "pan", "memory"])
    parser.add_argument("--rounds", type=int, default=24)
    options = parser.parse_args()
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        print("| what | times | median | 95th percentile | worst | target |")
        if "first" in options.what:
            first_ink(browser, 3)
        if "again" in options.what:
            opened_again(browser, 3)
        if "latency" in options.what:
            with desk(browser) as (_, tab):
                put_in(tab, mosaic(3000, 4000, 0))
                reached(tab, "ink")
                ink_latencies(tab, options.rounds)
                area_latencies(tab, options.rounds)
        if "pan" in options.what:
            panning(browser)
        if "memory" in options.what:
            memory(browser, 3 * options.rounds)
        browser.close()


if __name__ == "__main__":
    main()
