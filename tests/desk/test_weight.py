"""Another line weight on the desk: shown at once, near the one to come, and kept."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from inkclean.desk.numbers import shared_numbers
from inkclean.ink.weight import weigh
from tests.desk.hands import (
    TABLET,
    Table,
    changed,
    ink_station,
    key_of,
    log_of,
    needs_chromium,
    put,
)

pytestmark = needs_chromium


def test_weight_shows_at_once_and_is_kept(table: Table) -> None:
    tab = table.tab(TABLET)
    put(tab)
    ink_station(tab)
    before = key_of(tab, "ink")
    tab.get_by_role("button", name="Weight").click()
    bar = tab.get_by_role("slider", name="Weight")
    bar.focus()
    tab.keyboard.press("ArrowRight")
    changed(tab, "ink", before)
    assert log_of(table)[-1]["do"] == {"kind": "set", "weight": 0.05}


@pytest.mark.parametrize("weight", [-0.8, 0.5, 1.0])
def test_the_weight_shown_at_once_is_near_the_one_to_come(table: Table, weight: float) -> None:
    scale, side = 12.0, 96
    drawn = np.zeros((4 * side, 4 * side), np.uint8)
    for k, width in enumerate((8, 12, 18, 30)):
        cv2.line(drawn, (30, 60 + 80 * k), (350, 30 + 90 * k), 255, width)
    small = cv2.resize(drawn, (side, side), interpolation=cv2.INTER_AREA)
    coverage = np.asarray(cv2.GaussianBlur(small, (0, 0), 0.6) / 255, np.float32)
    values = (255 - np.rint(coverage * 255)).astype(int).ravel().tolist()
    shown = table.tab().evaluate(
        """async ([values, side, weight, scale, given]) => {
          const { learn } = await import(new URL("static/numbers.js", location.href));
          learn(given);
          const { reweighed } = await import(new URL("static/weight.js", location.href));
          const tile = { values: Uint16Array.from(values), width: side, height: side };
          const image = reweighed(0, weight, scale)(0).paint(tile);
          return [...image.data].filter((_, k) => k % 4 === 0);
        }""",
        [values, side, weight, scale, shared_numbers()],
    )
    at_once = np.array(shown).reshape(side, side) < 128
    to_come = weigh(coverage, weight, scale) > 0.5
    before = coverage > 0.5
    moved = (to_come != before).sum()
    assert moved > 150
    assert (at_once != to_come).sum() < 0.2 * moved
