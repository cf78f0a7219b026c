"""Everybody can use the page: names, contrast, size of targets, and the keyboard alone.

Contrast by WCAG 2.2, 1.4.3 (4.5 to 1, relative luminance as defined there); targets of 44 px
by 2.5.5; names by 4.1.2.
"""

from __future__ import annotations

from typing import Any

import pytest

from tests.desk.hands import (
    TABLET,
    UPRIGHT,
    WIDE,
    Table,
    drawn,
    needs_chromium,
    put,
    reached,
    station,
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


@pytest.mark.parametrize("size", [UPRIGHT, TABLET, WIDE, (390, 844)], ids=str)
def test_every_station_in_light_and_dark(table: Table, size: tuple[int, int]) -> None:
    tab = table.tab(size, touch=size != WIDE)
    tab.wait_for_selector("#choose")
    assert _faults(tab) == []
    put(tab)
    for name in ("Sheet", "Ink", "Areas", "Take away"):
        station(tab, name)
        if name == "Areas":
            reached(tab, "colours")
        for scheme in ("light", "dark"):
            tab.emulate_media(color_scheme=scheme)
            assert _faults(tab) == [], (name, scheme)
        drawn(tab)


def test_the_keyboard_reaches_everything(table: Table) -> None:
    tab = table.tab(UPRIGHT)
    put(tab)
    for name in ("Sheet", "Ink", "Areas", "Take away"):
        station(tab, name)
        if name == "Areas":
            reached(tab, "colours")
        for _ in range(45):
            tab.keyboard.press("Tab")
            tab.evaluate("() => { document.activeElement.dataset.met = 'yes'; }")
        assert tab.evaluate(UNREACHED) == [], name
