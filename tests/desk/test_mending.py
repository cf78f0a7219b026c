"""Mending areas at a stroke, and places to check, by hand in a real browser."""

from __future__ import annotations

import re

import numpy as np
import pytest
from playwright.sync_api import Page, Route, expect

from tests.desk.hands import (
    UPRIGHT,
    Table,
    at,
    changed,
    drag,
    drawn,
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
)

pytestmark = needs_chromium
# The page's two boxes share a wall at 110 mm whose gap of 3 mm in the middle is bridged.
UPPER, LOWER, GAP = (60.0, 80.0), (60.0, 140.0), (70.0, 110.0)


def _areas(table: Table) -> Page:
    tab = table.tab(UPRIGHT)
    put(tab)
    station(tab, "Areas")
    reached(tab, "colours")
    drawn(tab)
    return tab


def _mode(tab: Page, name: str) -> None:
    before = at(tab, *GAP)
    tab.get_by_role("button", name=name, exact=True).click()
    drawn(tab)
    if name != "Check":  # which brings the first place to the middle
        assert at(tab, *GAP) == before  # the page does not jump


def _last(table: Table) -> dict[str, object]:
    done = log_of(table)[-1]["do"]
    assert isinstance(done, dict)
    return done


def test_a_dab_drawn_over_areas_fills_them_all_and_undo_takes_it_back_whole(table: Table) -> None:
    tab = _areas(table)
    before = [pixel(tab, *place)[:3] for place in (UPPER, LOWER)]
    tab.locator(".swatch").last.click()
    drag(tab, at(tab, *UPPER), at(tab, *LOWER))
    until(tab, lambda: pixel(tab, *UPPER)[:3] == pixel(tab, *LOWER)[:3])
    tab.wait_for_selector("body[data-count='1']")
    assert _last(table)["kind"] == "sweep"
    assert [pixel(tab, *place)[:3] for place in (UPPER, LOWER)] != before
    assert len(_last(table)["points"]) == 2  # type: ignore[arg-type]
    tab.get_by_role("button", name="Undo").click()
    until(tab, lambda: [pixel(tab, *place)[:3] for place in (UPPER, LOWER)] == before)


def test_areas_drawn_around_become_one(table: Table) -> None:
    tab = _areas(table)
    before = key_of(tab, "flats")
    _mode(tab, "Join")
    turn = np.linspace(0, 2 * np.pi, 24)
    loop = [(70 + 42 * np.sin(t), 110 - 62 * np.cos(t)) for t in turn]
    drag(tab, *(at(tab, *place) for place in loop))
    until(tab, lambda: pixel(tab, *UPPER)[:3] == pixel(tab, *LOWER)[:3])
    changed(tab, "flats", before)
    assert _last(table)["kind"] == "join"
    assert len(_last(table)["points"]) == 2  # type: ignore[arg-type]


def test_a_gap_is_closed_by_a_tap_near_it(table: Table) -> None:
    tab = _areas(table)
    before = key_of(tab, "flats")
    _mode(tab, "Bridge")
    tab.mouse.click(*at(tab, *GAP))
    changed(tab, "flats", before)
    assert _last(table)["kind"] == "open"
    drawn(tab)
    until(tab, lambda: pixel(tab, *UPPER)[:3] == pixel(tab, *LOWER)[:3])
    before = key_of(tab, "flats")
    # a line near the gap snaps to the ends of the ink on both sides of it
    x, y = at(tab, *GAP)
    drag(tab, (x - 14, y + 5), (x + 14, y + 5))
    changed(tab, "flats", before)
    cubic = np.array(_last(table)["cubic"])
    assert _last(table)["kind"] == "bridge"
    assert cubic[0] == pytest.approx([GAP[0] - 1.5, GAP[1]], abs=1.0)
    assert cubic[3] == pytest.approx([GAP[0] + 1.5, GAP[1]], abs=1.0)
    until(tab, lambda: pixel(tab, *UPPER)[:3] != pixel(tab, *LOWER)[:3])


def test_a_split_shows_at_once_and_reaches_the_ink(table: Table) -> None:
    tab = _areas(table)
    before, plain = key_of(tab, "flats"), pixel(tab, 50, 70)[:3]
    _mode(tab, "Split")
    acts = re.compile(r"/acts(\?|$)")
    held = hold(tab, acts)  # the server says nothing: what shows is the page's
    drag(tab, at(tab, 44, 80), at(tab, 96, 80))
    until(tab, lambda: pixel(tab, 50, 70)[:3] != plain)
    assert pixel(tab, 50, 100)[:3] == plain
    until(tab, lambda: len(held) == 1)
    assert key_of(tab, "flats") == before
    held[0].continue_()
    tab.unroute(acts)
    changed(tab, "flats", before)
    before = key_of(tab, "flats")
    drag(tab, at(tab, 44, 80), at(tab, 96, 80))
    changed(tab, "flats", before)
    points = np.array(_last(table)["points"])
    assert points[0, 0] == pytest.approx(40, abs=0.9)
    assert points[-1, 0] == pytest.approx(100, abs=0.9)


def _told_to_check(route: Route) -> None:
    """Pass on the page's state with two places to check: the bridge in the gap, and a line."""
    answer = route.fetch()
    state = answer.json()
    if "flats" in state["stages"]:
        flats = state["stages"]["flats"]
        boxes = [(k, x, y) for k, (x, y, *_) in enumerate(flats["areas"], 1) if 40 < x < 100]
        (upper, *one), (lower, *other) = sorted(boxes, key=lambda box: box[2])[:2]
        place = {"one": one, "other": other, "labels": [upper, lower], "cubics": [], "size": 3.0}
        flats["checks"] = [
            {"x": 40.0, "y": 80.0, "what": "line", "bridge": -1, **place},
            {"x": GAP[0], "y": GAP[1], "what": "bridge", "bridge": 0, **place},
        ]
    route.fulfill(json=state)


def test_places_to_check_are_gone_through_and_answered_by_a_key_or_a_tap(table: Table) -> None:
    tab = _areas(table)
    tab.route("**/bring/**", lambda route: route.fulfill(json={}))
    # the page stays as it is told: edits are kept, and it does not follow them
    tab.route("**/acts?*", lambda route: route.continue_(url=route.request.url.partition("?")[0]))
    tab.route(re.compile(r"/api/pages/\w+$"), _told_to_check)
    tab.reload()
    tab.get_by_role("button", name="page", exact=True).click()
    station(tab, "Areas")
    expect(tab.locator(".swatch").first).to_be_visible()
    before = (*at(tab, *GAP), *at(tab, 40, 80))
    tab.get_by_role("button", name="Check", exact=True).click()
    expect(tab.locator("#say")).to_contain_text("1 of 2: this line parts two areas")
    until(tab, lambda: at(tab, 40, 80) == pytest.approx(_middle(tab), abs=2))
    tab.keyboard.press("y")
    expect(tab.locator("#say")).to_contain_text("1 of 1: this gap is closed by a bridge")
    until(tab, lambda: len(log_of(table)) == 1)
    assert _last(table) == {"kind": "checked", "at": [40.0, 80.0]}
    drawn(tab)
    assert pixel(tab, 60, 105)[:3] != pixel(tab, 60, 115)[:3]
    tab.get_by_role("button", name="No", exact=True).click()
    expect(tab.locator("#say")).to_contain_text("Nothing to check")
    until(tab, lambda: pixel(tab, 60, 105)[:3] == pixel(tab, 60, 115)[:3])
    until(tab, lambda: _last(table)["kind"] == "join")
    expect(tab.get_by_role("button", name="Nothing to check")).to_be_disabled()
    for answer in ("Yes", "No"):  # there is nothing to answer
        expect(tab.get_by_role("button", name=answer, exact=True)).to_be_hidden()
    # whoever is done sees the whole page again
    assert at(tab, *GAP) != pytest.approx(before[:2], abs=20)
    tab.get_by_role("button", name="Fill", exact=True).click()
    until(tab, lambda: (*at(tab, *GAP), *at(tab, 40, 80)) == pytest.approx(before, abs=20))


def test_a_page_moved_by_hand_stays_where_it_is_after_a_place_to_check(table: Table) -> None:
    tab = _areas(table)
    tab.evaluate(
        """async () => {
          const { View } = await import(new URL('static/view.js', document.baseURI));
          const now = { k: 2, x: 5, y: 7, fits: false, draw: () => {} };
          const view = Object.assign(Object.create(View.prototype), now);
          view.canvas = { clientWidth: 600, clientHeight: 800 };
          window.spots = [view.spot];
          view.visit(30, 40, 20);
          view.visit(50, 60, 20);
          view.home();
          window.spots.push(view.spot);
          view.visit(30, 40, 20);
          view.pan(3, 0);
          window.spots.push(view.spot);
          view.home();
          window.spots.push(view.spot);
        }"""
    )
    start, back, moved, after = tab.evaluate("() => window.spots")
    assert start == back
    assert moved == after != start


def test_a_dab_fills_all_parts_of_one_thing(table: Table) -> None:
    tab = table.tab(UPRIGHT)
    put(tab)
    ink_station(tab)
    tab.get_by_role("button", name="Ink in").click()
    # a ring that passes behind a post
    post = [(155, 195), (165, 195), (165, 270), (155, 270), (155, 195)]
    turn = np.linspace(-1.32, 1.32, 20)
    arcs = [[(160 + k * 20 * np.cos(t), 230 + 20 * np.sin(t)) for t in turn] for k in (-1, 1)]
    for line in (post, *arcs):
        before = key_of(tab, "ink")
        drag(tab, *(at(tab, *place) for place in line))
        changed(tab, "ink", before)
    station(tab, "Areas")
    reached(tab, "colours")
    drawn(tab)
    left, right = (147.0, 230.0), (173.0, 230.0)
    until(tab, lambda: pixel(tab, *left)[:3] == pixel(tab, *right)[:3])
    first = pixel(tab, *left)[:3]
    tab.locator(".swatch").last.click()
    tab.mouse.click(*at(tab, *left))
    until(tab, lambda: pixel(tab, *left)[:3] != first)
    until(tab, lambda: pixel(tab, *left)[:3] == pixel(tab, *right)[:3])
    until(tab, lambda: _last(table)["kind"] == "sweep")


def _middle(tab: Page) -> tuple[float, float]:
    box = tab.locator("#page").bounding_box()
    assert box is not None
    return box["width"] / 2, box["height"] / 2
