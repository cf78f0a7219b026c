"""What the desk says of a doubt: one plain line, the rest for whoever opens it."""

from __future__ import annotations

import cv2
from playwright.sync_api import expect

from tests.desk import pages
from tests.desk.hands import PHONE, UPRIGHT, Table, drawn, needs_chromium, reached, station
from tests.desk.test_access import _axe, _faults
from tests.desk.test_line import told_again

pytestmark = needs_chromium


def _part_of_a_page() -> bytes:
    """Return a soft photo of the page's upper part."""
    upper = cv2.resize(pages.draw()[:1300], None, fx=0.9, fy=0.75)
    soft = cv2.GaussianBlur(cv2.cvtColor(upper, cv2.COLOR_RGB2BGR), (0, 0), 2.2)
    return cv2.imencode(".jpg", soft)[1].tobytes()


def test_a_doubt_of_the_sheet_is_one_plain_line(table: Table) -> None:
    tab = table.tab(UPRIGHT)
    photo = {"name": "page.jpg", "mimeType": "image/jpeg", "buffer": _part_of_a_page()}
    tab.set_input_files("#choose", [photo])  # type: ignore[arg-type]
    reached(tab, "ink")
    line, said = tab.locator("#say summary"), tab.locator("#say")
    expect(line).to_have_text(
        "To check: a side of the page lies outside the picture; its size is a guess."
    )
    assert said.evaluate("(e) => e.clientHeight") < 60
    assert said.evaluate("(e) => getComputedStyle(e).fontWeight") == "500"
    assert "choose the paper" not in tab.inner_text("#say")
    line.press("Enter")
    drawn(tab)
    assert "choose the paper" in tab.inner_text("#say")
    assert "hold the camera still" in tab.inner_text("#say")
    assert _faults(tab) == [] and _axe(tab) == []
    told_again(tab, "ink", "#say details")
    tab.get_by_role("button", name="Result").click()
    assert "Right: evened-out sheet" in tab.inner_text("#say"), "what was opened stays open"
    tab.set_viewport_size({"width": PHONE[0], "height": PHONE[1]})
    drawn(tab)
    assert _faults(tab) == []
    station(tab, "Areas")
    reached(tab, "colours")
    drawn(tab)
    tab.get_by_role("button", name="Check", exact=True).click()
    expect(tab.get_by_role("button", name="Nothing to check")).to_be_disabled()
    for answer in ("Yes", "No"):
        expect(tab.get_by_role("button", name=answer, exact=True)).to_be_hidden()
