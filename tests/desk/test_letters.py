"""Marks moved between art and lettering on the desk; the ticket keeps them."""

from __future__ import annotations

from playwright.sync_api import expect

from inkclean.jobs.ticket import read_ticket
from tests.desk.hands import (
    Table,
    at,
    changed,
    drag,
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
BLACK_MM = (150.0, 120.0)  # the round black of the tests' page


def test_a_mark_is_moved_by_a_touch_and_back_by_a_ring(table: Table) -> None:
    tab = table.tab()
    put(tab)
    ink_station(tab)
    tab.get_by_role("button", name="Lettering", exact=True).click()
    reached(tab, "lettering")
    drawn(tab)
    before = key_of(tab, "lettering")
    tab.get_by_role("button", name="To text", exact=True).click()
    tab.mouse.click(*at(tab, *BLACK_MM))
    changed(tab, "lettering", before)
    drawn(tab)
    assert log_of(table)[-1]["do"]["kind"] == "letter"
    until(tab, lambda: pixel(tab, *BLACK_MM)[0] > 120)  # text is red
    before = key_of(tab, "lettering")
    tab.get_by_role("button", name="To art", exact=True).click()
    x, y = BLACK_MM
    ring = [(x - 18, y - 18), (x + 18, y - 18), (x + 18, y + 18), (x - 18, y + 18), (x - 18, y)]
    drag(tab, *(at(tab, *place) for place in ring))
    changed(tab, "lettering", before)
    drawn(tab)
    until(tab, lambda: pixel(tab, *BLACK_MM)[0] < 60)
    station(tab, "Get files")
    tab.get_by_role("button", name="Keep colouring").click()
    expect(tab.get_by_role("link", name="All files as one zip")).to_be_visible()
    moves = read_ticket(table.folder / "page.ticket.json").edits["lettering"]["moves"]
    assert [move["to"] for move in moves] == ["text", "art"]
    assert len(moves[0]["points_mm"]) == 1
    assert len(moves[1]["points_mm"]) > 3
