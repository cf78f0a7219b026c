"""Whole jobs on the page in a real browser, each from a fresh folder."""

from __future__ import annotations

import io
import re
import signal
import zipfile
from pathlib import Path

import cv2
import numpy as np
import pytest
from playwright.sync_api import Page, expect

from inkclean.jobs.ticket import read_ticket
from inkclean.page import Page as Cleaned
from tests.desk import pages
from tests.desk.hands import (
    TABLET,
    UPRIGHT,
    WIDE,
    Table,
    at,
    changed,
    drag,
    drag_handle,
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
    white_out,
)

pytestmark = needs_chromium


def test_photo_to_zip_untouched(table: Table) -> None:
    tab = table.tab()
    put(tab)
    expect(tab.locator("#say")).to_contain_text("A4")
    station(tab, "Get files")
    tab.get_by_role("button", name="Keep colouring").click()
    with tab.expect_download() as loaded:
        tab.get_by_role("link", name="All files as one zip").click()
    archive = zipfile.ZipFile(io.BytesIO(Path(loaded.value.path()).read_bytes()))
    names = {"page.ink.png", "page.lines.png", "page.flats.png", "page.ora", "page.ticket.json"}
    assert set(archive.namelist()) == names
    assert archive.testzip() is None
    assert (table.folder / "page.ticket.json").exists()
    tab.get_by_role("button", name="Print").click()
    expect(tab.get_by_role("link", name="page.press.pdf")).to_be_visible()
    expect(tab.locator("#say")).to_contain_text("The print check")


def test_a_corner_is_dragged_and_the_sheet_follows(table: Table) -> None:
    tab = table.tab(WIDE)
    put(tab)
    drawn(tab)
    before = key_of(tab, "sheet")
    drag_handle(tab, "[data-corner='2']", -60, -40)
    changed(tab, "sheet", before)
    expect(tab.locator("#say")).to_contain_text("as you set it")
    frame = log_of(table)[-1]["do"]["frame"]
    corners = [[float(v) for v in pair.split(",")] for pair in frame.split(";")]
    k = float(str(tab.get_attribute("#page", "data-view")).split()[0])
    assert corners[2][0] == pytest.approx(pages.LEFT + pages.WIDE - 60 / k, abs=12)
    assert corners[0][0] == pytest.approx(pages.LEFT, abs=8)


def test_an_edge_is_bowed_and_the_ticket_takes_it_to_the_command_line(table: Table) -> None:
    tab = table.tab(UPRIGHT)
    put(tab)
    before = key_of(tab, "sheet")
    drag_handle(tab, "[data-edge='0']", 9, -12)
    changed(tab, "sheet", before)
    expect(tab.locator("#say")).to_contain_text("as you set it")
    k = float(str(tab.get_attribute("#page", "data-view")).split()[0])
    station(tab, "Get files")
    tab.get_by_role("button", name="Enlarge").click()
    expect(tab.get_by_role("link", name="page.svg")).to_be_visible()
    until(tab, (table.folder / "page.ticket.json").exists)
    settings = read_ticket(table.folder / "page.ticket.json").settings
    frame = Cleaned(table.folder / "page.jpg", settings).frame
    assert frame.edges_px is not None
    middle = frame.edges_px[0][len(frame.edges_px[0]) // 2]
    # across the edge alone: what was dragged along it moves nothing
    assert middle == pytest.approx([pages.LEFT + pages.WIDE / 2, pages.TOP - 12 / k], abs=8)
    assert np.ptp(frame.edges_px[2][:, 1]) < 4


def test_dust_size_and_accuracy_show_what_they_do(table: Table) -> None:
    tab = table.tab(TABLET)
    put(tab)
    ink_station(tab)
    tab.wait_for_selector("body[data-stages*=' marks:']")
    tab.get_by_role("button", name="Dust size").click()
    expect(tab.locator("#say")).to_contain_text("one mark removed")

    def ring() -> bool:
        red, green, blue, _ = pixel(tab, *pages.SPECK_MM, reach=10)
        # the speck itself, when it is ink again, is dark too, but grey
        return red + green + blue < 350 and red - blue > 60

    until(tab, ring)
    bar = tab.get_by_role("slider", name="Dust size")
    bar.press("Home")
    expect(tab.locator("#say")).to_contain_text("Every mark stays")
    until(tab, lambda: not ring())
    until(tab, lambda: [e["do"] for e in log_of(table)] == [{"kind": "set", "speck_mm": 0.0}])
    tab.get_by_role("button", name="Curve accuracy").click()
    glass = tab.locator("#curves[data-nodes]")
    expect(glass).to_be_visible()
    near = int(str(glass.get_attribute("data-nodes")))
    tab.get_by_role("slider", name="Curve accuracy").press("Home")
    until(tab, lambda: int(str(glass.get_attribute("data-nodes"))) > near)
    until(tab, lambda: log_of(table)[-1]["do"] == {"kind": "set", "within_mm": 0.005})
    tab.get_by_role("button", name="Compare", exact=True).click()
    expect(glass).to_be_hidden()


def test_pencil_is_kept_and_removed_by_touch(table: Table) -> None:
    tab = table.tab(UPRIGHT, touch=True)
    put(tab)
    ink_station(tab)
    x, y, _ = pages.PENCIL_MM
    place = (x + 30, y)
    before = key_of(tab, "pencil")
    tab.get_by_role("button", name="Remove pencil").tap()
    tab.touchscreen.tap(*at(tab, *place))
    changed(tab, "pencil", before)
    first = log_of(table)[-1]["do"]["drop"]
    before = key_of(tab, "pencil")
    expect(tab.locator("#say")).not_to_contain_text("…")
    tab.touchscreen.tap(*at(tab, *place))
    changed(tab, "pencil", before)
    second = log_of(table)[-1]["do"]["drop"]
    assert [first == ["none"], second == ["none"]] in ([True, False], [False, True])


def test_a_speck_is_brought_back(table: Table) -> None:
    tab = table.tab()
    put(tab)
    ink_station(tab)
    # the whole page from afar: the ring marks it, touching it brings it back
    before = key_of(tab, "ink")
    tab.mouse.click(*at(tab, *pages.SPECK_MM))
    changed(tab, "ink", before)
    assert log_of(table)[-1]["do"]["kind"] == "speck"
    tab.mouse.move(*at(tab, *pages.SPECK_MM))
    for _ in range(6):
        tab.mouse.wheel(0, -400)
    until(tab, lambda: pixel(tab, *pages.SPECK_MM, reach=3)[0] < 120)


def test_one_touch_brings_back_a_group_of_specks(table: Table) -> None:
    tab = table.tab()
    put(tab, pages.GRAINS_MM)
    ink_station(tab)
    before = key_of(tab, "ink")
    tab.mouse.click(*at(tab, *pages.GRAINS_MM[2]))
    changed(tab, "ink", before)
    act = log_of(table)[-1]["do"]
    assert act["kind"] == "specks"
    # all of the group, and not the grain that lies alone
    assert len(act["points"]) == len(pages.GRAINS_MM)
    assert min(y for _, y in act["points"]) > 190


def test_white_out_and_ink_in_by_pen(table: Table) -> None:
    tab = table.tab()
    put(tab)
    ink_station(tab)
    until(tab, lambda: pixel(tab, 150, 120)[0] < 40)
    white_out(tab)
    before = key_of(tab, "ink")
    drag(tab, at(tab, 146, 120), at(tab, 154, 120))
    until(tab, lambda: pixel(tab, 150, 120)[0] > 200)
    changed(tab, "ink", before)
    drawn(tab)
    until(tab, lambda: pixel(tab, 150, 120)[0] > 200)
    before = key_of(tab, "ink")
    tab.get_by_role("button", name="Ink in").click()
    _pen(tab, [at(tab, 60 + k, 190) for k in range(0, 60, 5)])
    changed(tab, "ink", before)
    drawn(tab)
    until(tab, lambda: pixel(tab, 90, 190)[0] < 60)
    widths = [point[2] for point in log_of(table)[-1]["do"]["points"]]
    assert max(widths) > 1.5 * min(widths)


def _pen(tab: Page, places: list[tuple[float, float]]) -> None:
    """Draw by pen, pressing harder and harder, through the browser's own input."""
    line = tab.context.new_cdp_session(tab)
    for number, (x, y) in enumerate(places):
        kind = "mousePressed" if number == 0 else "mouseMoved"
        line.send(
            "Input.dispatchMouseEvent",
            {
                "type": kind,
                "x": x,
                "y": y,
                "button": "left",
                "buttons": 1,
                "clickCount": 1,
                "pointerType": "pen",
                "force": 0.2 + 0.7 * number / len(places),
            },
        )
    x, y = places[-1]
    up = {"type": "mouseReleased", "x": x, "y": y, "button": "left", "pointerType": "pen"}
    line.send("Input.dispatchMouseEvent", up)


def _areas(tab: Page) -> int:
    # "Joining 2 areas …" says nothing of how many there are
    said = re.match(r"(\d+) areas\.", tab.inner_text("#say"))
    return int(said[1]) if said else -1


def test_bridge_removed_laid_joined_parted_dabbed(table: Table) -> None:
    tab = table.tab()
    put(tab)
    station(tab, "Areas")
    reached(tab, "colours")
    drawn(tab)
    expect(tab.locator("#say")).to_contain_text(re.compile(r"\d+ areas\."))
    before, whole = key_of(tab, "flats"), _areas(tab)
    tab.get_by_role("button", name="Bridge", exact=True).click()
    drawn(tab)
    tab.mouse.click(*at(tab, 70, 110))
    changed(tab, "flats", before)
    until(tab, lambda: _areas(tab) == whole - 1)
    before = key_of(tab, "flats")
    drag(tab, at(tab, 66, 110), at(tab, 74, 110))
    changed(tab, "flats", before)
    until(tab, lambda: _areas(tab) == whole)
    before = key_of(tab, "flats")
    tab.get_by_role("button", name="Join").click()
    drawn(tab)
    drag(tab, at(tab, 55, 100), at(tab, 55, 120))
    changed(tab, "flats", before)
    until(tab, lambda: _areas(tab) == whole - 1)
    before = key_of(tab, "flats")
    tab.get_by_role("button", name="Split").click()
    drawn(tab)
    drag(tab, at(tab, 36, 80), at(tab, 104, 80))
    changed(tab, "flats", before)
    until(tab, lambda: _areas(tab) == whole)
    tab.get_by_role("button", name="Fill").click()
    drawn(tab)
    tab.locator(".swatch").nth(2).click()
    colour = tab.locator(".swatch").nth(2).locator("canvas")
    rgb = colour.evaluate("(c) => [...c.getContext('2d').getImageData(1, 1, 1, 1).data]")
    tab.mouse.click(*at(tab, 60, 70))
    until(tab, lambda: pixel(tab, 60, 70)[:3] == rgb[:3])
    until(tab, lambda: log_of(table)[-1]["do"]["kind"] == "dab")


def test_colours_of_a_picture_a_name_and_the_light(table: Table) -> None:
    tab = table.tab(UPRIGHT)
    put(tab)
    ink_station(tab)
    tab.get_by_role("button", name="Ink in").click()
    turn = np.linspace(0, 2 * np.pi, 16)
    ring = [(70 + 16 * np.cos(t), 85 + 16 * np.sin(t)) for t in turn]
    before = key_of(tab, "ink")
    drag(tab, *(at(tab, *place) for place in ring))
    changed(tab, "ink", before)
    station(tab, "Areas")
    reached(tab, "colours")
    drawn(tab)
    picture = np.full((60, 80, 3), (60, 40, 200), np.uint8)
    picture[:, 50:] = (40, 170, 60)
    png = cv2.imencode(".png", picture)[1].tobytes()
    file = {"name": "shore.png", "mimeType": "image/png", "buffer": png}
    tab.get_by_label("Colours from a picture").set_input_files([file])  # type: ignore[arg-type]
    expect(tab.locator("#say")).to_contain_text("#c8283c")
    expect(tab.locator("[data-colour='#3caa28']")).to_be_visible()
    tab.mouse.click(*at(tab, 70, 85))
    until(tab, lambda: pixel(tab, 70, 85)[:3] == [200, 40, 60])
    until(tab, lambda: log_of(table)[-1]["do"]["kind"] == "dab")
    name = tab.get_by_label("Name")
    name.fill("Lantern")
    name.press("Enter")
    expect(tab.get_by_role("button", name="Lantern")).to_be_visible()
    tab.get_by_role("button", name="Light direction").click()
    reached(tab, "relief")
    drawn(tab)
    x, y = at(tab, 70, 85)
    tab.mouse.move(x - 60, y)
    tab.mouse.down()
    tab.mouse.move(x, y, steps=4)
    until(tab, lambda: pixel(tab, 83, 85)[0] < 170)  # the far side falls dark while it is drawn
    assert pixel(tab, 70, 92)[0] > 190
    tab.mouse.up()
    until(tab, lambda: log_of(table)[-1]["do"] == {"kind": "light", "degrees": 270})
    tab.reload()
    tab.get_by_role("button", name="page", exact=True).click()
    reached(tab, "ink")
    station(tab, "Areas")
    expect(tab.get_by_role("button", name="Lantern")).to_be_visible()


def test_undo_holds_over_a_restart_and_kill_loses_nothing(own_table: Table) -> None:
    table = own_table
    table.allowed = ("ERR_", "Failed to load resource")
    tab = table.tab()
    put(tab)
    ink_station(tab)
    white_out(tab)
    for number, y in enumerate((115, 120, 125), 1):
        drag(tab, at(tab, 146, y), at(tab, 154, y))
        tab.wait_for_selector(f"body[data-count='{number}']")
    port = int(table.url.split(":")[2].split("/")[0])
    # in the middle of a stroke, and of the work on the last one
    tab.mouse.move(*at(tab, 146, 112))
    tab.mouse.down()
    tab.mouse.move(*at(tab, 150, 112))
    table.stop(signal.SIGKILL)
    tab.mouse.move(*at(tab, 154, 112))
    tab.mouse.up()
    expect(tab.locator("#say")).to_contain_text("this stroke is not saved")
    assert [entry["do"]["kind"] for entry in log_of(table)] == ["stroke"] * 3
    table.start(port)
    again = table.tab()
    again.get_by_role("button", name="page", exact=True).click()
    reached(again, "ink")
    ink_station(again)
    until(again, lambda: pixel(again, 150, 115)[0] > 200)
    before = key_of(again, "ink")
    again.keyboard.press("Control+z")
    changed(again, "ink", before)
    until(again, lambda: pixel(again, 150, 125)[0] < 60)
    again.get_by_role("button", name="Redo").click()
    until(again, lambda: pixel(again, 150, 125)[0] > 200)


def test_two_tabs_on_one_page_see_each_other(table: Table) -> None:
    one = table.tab()
    put(one)
    two = table.tab()
    two.get_by_role("button", name="page", exact=True).click()
    reached(two, "ink")
    for tab in (one, two):
        ink_station(tab)
    white_out(one)
    drag(one, at(one, 146, 120), at(one, 154, 120))
    until(two, lambda: pixel(two, 150, 120)[0] > 200)
    expect(two.get_by_role("button", name="Undo")).to_be_enabled()


def test_a_lost_network_is_said_and_gone_on_from(table: Table) -> None:
    table.allowed = ("ERR_INTERNET_DISCONNECTED", "Failed to load resource")
    tab = table.tab()
    put(tab)
    ink_station(tab)
    white_out(tab)
    tab.context.set_offline(True)
    drag(tab, at(tab, 146, 120), at(tab, 154, 120))
    expect(tab.locator("#say")).to_contain_text("this stroke is not saved")
    tab.context.set_offline(False)
    before = key_of(tab, "ink")
    drag(tab, at(tab, 146, 120), at(tab, 154, 120))
    changed(tab, "ink", before)
    until(tab, lambda: pixel(tab, 150, 120)[0] > 200)


def test_a_tablet_offers_its_camera_and_two_fingers_size_the_page(table: Table) -> None:
    tab = table.tab(TABLET, touch=True)
    shoot = tab.get_by_label("Take a photo")
    assert shoot.get_attribute("capture") == "environment"
    photo = {"name": "image.jpg", "mimeType": "image/jpeg", "buffer": pages.jpeg()}
    shoot.set_input_files([photo])  # type: ignore[arg-type]
    reached(tab, "ink")
    ink_station(tab)
    k = float(str(tab.get_attribute("#page", "data-view")).split()[0])
    line = tab.context.new_cdp_session(tab)
    for kind, apart in (("touchStart", 100), ("touchMove", 160), ("touchMove", 200)):
        fingers = [{"x": 500 - apart, "y": 500, "id": 0}, {"x": 500 + apart, "y": 500, "id": 1}]
        line.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": fingers})
    line.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    until(
        tab,
        lambda: (
            float(str(tab.get_attribute("#page", "data-view")).split()[0])
            == pytest.approx(2 * k, rel=0.02)
        ),
    )
