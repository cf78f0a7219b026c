"""What goes over the line between page and server: its order, and what is told twice or early."""

from __future__ import annotations

import re

from playwright.sync_api import Page, expect

from tests.desk import pages
from tests.desk.hands import (
    Table,
    at,
    changed,
    drag,
    drawn,
    framed,
    hold,
    ink_station,
    key_of,
    log_of,
    needs_chromium,
    pixel,
    put,
    reached,
    station,
    until,
    white_out,
)

pytestmark = needs_chromium
# Has the page brought to a goal, and returns when all of it was told again.
AGAIN = """async (goal) => {
  const [{ id }] = await (await fetch('api/shelf')).json();
  const line = new EventSource('api/events');
  await new Promise((done) => { line.onopen = done; });
  const told = new Promise((done) => {
    line.onmessage = (e) => JSON.parse(e.data).event === 'done' && done();
  });
  await fetch(`api/pages/${id}/bring/${goal}`, { method: 'POST' });
  await told;
  line.close();
}"""
# What is told of the evenly lit sheet is held up, to be let go by the test.
UNLIT = """
window.held = [];
window.EventSource = class extends EventSource {
  set onmessage(hear) {
    super.onmessage = (e) => {
      const { event, stage } = JSON.parse(e.data);
      if (event === 'stage' && stage === 'lit') window.held.push(() => hear(e));
      else hear(e);
    };
  }
};"""
MARK = "(which) => document.querySelectorAll(which).forEach((e) => { e.dataset.mine = 'yes'; })"
MARKED = "(which) => [...document.querySelectorAll(which)].map((e) => e.dataset.mine)"


def test_edits_count_in_the_order_in_which_they_were_made(table: Table) -> None:
    tab = table.tab()
    put(tab)
    ink_station(tab)
    white_out(tab)
    held = hold(tab, re.compile(r"/(acts|undo)\b"))
    drag(tab, at(tab, 146, 120), at(tab, 154, 120))
    tab.keyboard.press("Control+z")
    until(tab, lambda: len(held) == 1)
    for _ in range(5):
        framed(tab)
    assert len(held) == 1, "the second waits until the first is on the desk"
    held[0].continue_()
    until(tab, lambda: len(held) == 2)
    held[1].continue_()
    tab.wait_for_selector("body[data-count='2']")
    assert ["do" in entry for entry in log_of(table)] == [True, False]
    assert re.search(r"/acts\b", held[0].request.url)


def test_a_tap_on_pencil_waits_for_the_evenly_lit_sheet(table: Table) -> None:
    tab = table.tab(touch=True)
    tab.add_init_script(UNLIT)
    tab.reload()
    put(tab)
    ink_station(tab)
    tab.wait_for_function("held.length > 0")  # the desk has it, the browser does not yet
    before = key_of(tab, "pencil")
    x, y, _ = pages.PENCIL_MM
    tab.get_by_role("button", name="Remove pencil").tap()
    tab.touchscreen.tap(*at(tab, x + 30, y))
    expect(tab.locator("#say")).to_contain_text("Evening out the light")
    for _ in range(5):
        framed(tab)
    assert log_of(table) == []
    assert key_of(tab, "pencil") == before
    tab.evaluate("held.splice(0).forEach((hear) => hear())")
    changed(tab, "pencil", before)
    assert ["drop" in entry["do"] for entry in log_of(table)] == [True]


def test_what_is_heard_of_a_page_before_its_state_has_come_counts(table: Table) -> None:
    one = table.tab()
    put(one)
    ink_station(one)
    two = table.tab()
    late = hold(two, re.compile(r"/api/pages/\w+$"))
    # what is told is told once: nothing comes again because this one asks
    two.route("**/bring/**", lambda route: route.fulfill(json={}))
    two.get_by_role("button", name="page", exact=True).click()
    until(two, lambda: len(late) == 1)
    answer = late[0].fetch()
    white_out(one)
    drag(one, at(one, 146, 120), at(one, 154, 120))
    one.wait_for_selector("body[data-count='1']")
    one.evaluate(AGAIN, "marks")
    late[0].fulfill(response=answer)
    two.unroute(re.compile(r"/api/pages/\w+$"))
    reached(two, "ink")
    ink_station(two)
    until(two, lambda: pixel(two, 150, 120)[0] > 200)


def told_again(tab: Page, goal: str, which: str) -> list[str | None]:
    """Return the marks that elements have which had them before all was told again."""
    tab.evaluate(MARK, which)
    tab.evaluate(AGAIN, goal)
    for _ in range(3):
        framed(tab)
    found: list[str | None] = tab.evaluate(MARKED, which)
    return found


def test_what_a_finger_may_be_on_is_not_made_again(table: Table) -> None:
    tab = table.tab()
    put(tab)
    drawn(tab)
    assert told_again(tab, "ink", "#handles button") == ["yes"] * 8
    station(tab, "Areas")
    reached(tab, "colours")
    drawn(tab)
    count = tab.locator(".swatch").count()
    assert told_again(tab, "flats", ".swatch") == ["yes"] * count
    # the one that is picked is told from the others all the same
    for number in (1, 2):
        tab.locator(".swatch").nth(number).click()
        pressed = tab.locator(".swatch").evaluate_all(
            "(all) => all.map((e) => e.getAttribute('aria-pressed'))"
        )
        assert [k for k, word in enumerate(pressed) if word == "true"] == [number]
    station(tab, "Pages")
    tab.evaluate(MARK, "#shelf li")
    tab.evaluate("""async () => {
      const order = (await (await fetch('api/shelf')).json()).map((page) => page.id);
      await fetch('api/order', { method: 'POST', body: JSON.stringify(order) });
    }""")
    tab.wait_for_timeout(300)  # nothing is what shall come
    assert tab.evaluate(MARKED, "#shelf li") == ["yes"]
