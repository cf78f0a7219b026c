"""Everybody can use the page: names, contrast, size of targets, and the keyboard alone.

Contrast by WCAG 2.2, 1.4.3 (4.5 to 1, relative luminance as defined there); targets of 44 px
by 2.5.5; names by 4.1.2. Beside these, all rules of the checker axe-core.
"""

from __future__ import annotations

from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from tests.desk.hands import (
    PHONE,
    TABLET,
    UPRIGHT,
    WIDE,
    Table,
    changed,
    drawn,
    ink_station,
    key_of,
    log_of,
    needs_chromium,
    pixel,
    put,
    reached,
    station,
    until,
)

pytestmark = needs_chromium

FAULTS = """() => {
  const seen = (e) => e.checkVisibility({ visibilityProperty: true, opacityProperty: true });
  const all = [...document.querySelectorAll('button, a, select, input, [tabindex], [role=slider]')];
  const found = [];
  const colour = (text) => text.match(/[\\d.]+/g).map(Number);
  const luminance = ([r, g, b]) => {
    const [x, y, z] = [r, g, b].map((v) => v / 255)
      .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4));
    return 0.2126 * x + 0.7152 * y + 0.0722 * z;
  };
  const ground = (e) => {
    for (let at = e; at; at = at.parentElement) {
      const c = colour(getComputedStyle(at).backgroundColor);
      if (c.length < 4 || c[3] === 1) return c;
    }
    return [255, 255, 255];
  };
  for (const e of all.filter(seen)) {
    const words = e.getAttribute('aria-label') || e.textContent.trim() ||
      [...(e.labels ?? [])].map((l) => l.textContent.trim()).join(' ');
    if (!words) found.push(`no name: ${e.outerHTML.slice(0, 90)}`);
    const box = (e.closest('label') ?? e).getBoundingClientRect();
    if (box.width < 44 || box.height < 44)
      found.push(`small, ${box.width} by ${box.height}: ${e.outerHTML.slice(0, 90)}`);
  }
  const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node; (node = texts.nextNode()); ) {
    const e = node.parentElement;
    if (!node.data.trim() || !seen(e) || e.closest(':disabled, .unseen, option')) continue;
    const [a, b] = [luminance(colour(getComputedStyle(e).color)), luminance(ground(e))];
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < 4.5) found.push(`contrast ${ratio.toFixed(2)}: ${node.data.trim().slice(0, 60)}`);
  }
  const ids = [...document.querySelectorAll('[id]')].map((e) => e.id);
  if (new Set(ids).size !== ids.length) found.push('an id stands twice');
  if (document.documentElement.scrollWidth > innerWidth) found.push('wider than the screen');
  return found;
}"""

UNREACHED = """() => [
    ...document.querySelectorAll('button, a[href], select, input, [tabindex="0"]')]
  .filter((e) => e.checkVisibility({ visibilityProperty: true }) && !e.disabled && !e.dataset.met)
  .map((e) => e.outerHTML.slice(0, 90))"""


def _faults(tab: Any) -> list[str]:
    found: list[str] = tab.evaluate(FAULTS)
    return found


TOOLS = {
    "Sheet": ("Outline", "Result"),
    "Ink": ("Compare", "Check", "White out", "Weight", "Dust size", "Curve accuracy"),
    "Areas": ("Fill", "Check", "Bridge", "Light direction"),
    "Get files": (),
}


def _axe(tab: Page) -> list[str]:
    found = Axe().run(tab).response["violations"]
    return [f"{fault['id']}: {fault['nodes'][0]['html'][:90]}" for fault in found]


def _use(tab: Page, station_name: str, tool: str) -> None:
    tab.get_by_role("button", name=tool, exact=True).click()
    if (station_name, tool) == ("Ink", "Curve accuracy"):
        tab.wait_for_selector("#curves[data-nodes]")
    drawn(tab)


def _come(tab: Page, name: str) -> None:
    station(tab, name)
    if name == "Areas":
        reached(tab, "colours")
        expect(tab.locator(".swatch").first).to_be_visible()


@pytest.mark.parametrize("size", [UPRIGHT, TABLET, WIDE, PHONE], ids=str)
def test_every_station_in_light_and_dark(table: Table, size: tuple[int, int]) -> None:
    tab = table.tab(size, touch=size != WIDE)
    tab.wait_for_selector("#choose")
    assert _faults(tab) == []
    assert _axe(tab) == []
    put(tab)
    for name, tools in TOOLS.items():
        _come(tab, name)
        for tool in tools:
            _use(tab, name, tool)
            assert _faults(tab) == [], (name, tool)
        for scheme in ("light", "dark"):
            tab.emulate_media(color_scheme=scheme)
            assert _faults(tab) == [], (name, scheme)
            if size in (UPRIGHT, PHONE):
                assert _axe(tab) == [], (name, scheme)


def test_the_keyboard_reaches_everything(table: Table) -> None:
    tab = table.tab(UPRIGHT)
    put(tab)
    for name, tools in TOOLS.items():
        _come(tab, name)
        for tool in tools or ("",):
            if tool:
                _use(tab, name, tool)
            tab.locator("#page").focus()
            for _ in range(28):
                tab.keyboard.press("Tab")
                tab.evaluate("() => { document.activeElement.dataset.met = 'yes'; }")
            assert tab.evaluate(UNREACHED) == [], (name, tool)


def test_strokes_and_bridges_are_drawn_by_keys_alone(table: Table) -> None:
    tab = table.tab(UPRIGHT)
    put(tab)
    ink_station(tab)
    tab.get_by_role("button", name="Ink in").focus()
    tab.keyboard.press("Enter")
    page = tab.locator("#page")
    page.focus()
    before = key_of(tab, "ink")
    for key in ("Enter", *["ArrowRight"] * 8, "Enter"):
        page.press(key)
    changed(tab, "ink", before)
    done = log_of(table)[-1]["do"]
    (x0, y0, _), (x1, y1, _) = done["points"][0], done["points"][-1]
    assert (done["kind"], done["how"]) == ("stroke", "ink")
    assert x1 > x0 + 5
    assert y1 == pytest.approx(y0, abs=0.01)
    drawn(tab)
    # the line is two px of the screen wide: its darkest px lies within one of its middle
    until(tab, lambda: pixel(tab, (x0 + x1) / 2, y0, reach=1)[0] < 60)
    # Escape takes a line back before it is kept
    for key in ("Enter", "ArrowDown", "Escape"):
        page.press(key)
    _come(tab, "Areas")
    tab.get_by_role("button", name="Bridge").press("Enter")
    page.focus()
    for key in ("Enter", *["ArrowDown"] * 5, "Enter"):
        page.press(key)
    until(tab, lambda: log_of(table)[-1]["do"]["kind"] == "bridge")
    assert [entry["do"]["kind"] for entry in log_of(table)] == ["stroke", "bridge"]
