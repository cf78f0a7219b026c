"""The book's colours on the desk: two windows on one folder, and nothing is lost."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import pytest
from playwright.sync_api import Page, expect
from starlette.testclient import TestClient

from inkclean.base.errors import InkcleanError, UsageError
from inkclean.desk.book import DeskBook
from inkclean.desk.config import Config
from inkclean.desk.desk import Desk
from inkclean.desk.web.app import create_app
from inkclean.flats.colour.book import BookColour
from tests.desk import pages
from tests.desk.hands import (
    UPRIGHT,
    Table,
    at,
    drag,
    drawn,
    needs_chromium,
    pixel,
    put,
    reached,
    station,
    until,
)
from tests.desk.test_app import BASE, HOST, OWN

SKIN = {"name": "skin", "colour": "#f0c8a0"}
UPPER, LOWER = (60.0, 80.0), (60.0, 140.0)


def _other() -> bytes:
    """Return another photo of a page: the same boxes, and a line of its own."""
    photo = pages.draw()
    cv2.line(photo, (900, 1300), (1000, 1300), (22, 22, 24), 5)
    body: bytes = cv2.imencode(".jpg", cv2.cvtColor(photo, cv2.COLOR_RGB2BGR))[1].tobytes()
    return body


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[TestClient]:
    (tmp_path / "work").mkdir()
    config = Config(tmp_path / "work", frozenset({HOST}), "sesame")
    with TestClient(create_app(config), BASE, headers=OWN) as client:
        yield client


def _put(desk: TestClient, photo: bytes, name: str) -> str:
    return str(desk.post("api/photos", content=photo, params={"name": name}).json()[0]["id"])


def _act(desk: TestClient, page: str, **act: Any) -> Any:
    return desk.post(f"api/pages/{page}/acts", json=act)


def _file(folder: Path) -> list[Any]:
    found: list[Any] = json.loads((folder / "work" / "palette.json").read_text("utf-8"))["colours"]
    return found


def test_a_changed_colour_reaches_every_page_that_has_it(desk: TestClient, tmp_path: Path) -> None:
    one, two = _put(desk, pages.jpeg(), "one.jpg"), _put(desk, _other(), "two.jpg")
    _act(desk, one, kind="book", out=[], into=[SKIN])
    assert _file(tmp_path) == [SKIN]
    for page in (one, two):
        dab = {"at": [60, 80], "colour": SKIN["colour"], "name": "skin", "book": "skin"}
        assert _act(desk, page, kind="dab", **dab).status_code == 200
    before = desk.get(f"api/pages/{two}").json()["count"]
    red = {**SKIN, "colour": "#c02020"}
    said = _act(desk, one, kind="book", out=[SKIN], into=[red]).json()
    assert said["note"] == "skin changed on 2 pages: one, two."
    other = desk.get(f"api/pages/{two}").json()
    assert other["dabs"] == [[60, 80, "#c02020", "skin", "skin"]]
    assert other["count"] > before, "whoever looks at it hears of it"
    assert desk.post(f"api/pages/{one}/undo").json()["book"] == [SKIN]
    assert desk.get(f"api/pages/{two}").json()["dabs"][0][2] == SKIN["colour"]
    assert desk.post(f"api/pages/{one}/redo").json()["book"] == [red]


def test_names_renamed_merged_and_taken_out_lose_nothing(desk: TestClient, tmp_path: Path) -> None:
    page = _put(desk, pages.jpeg(), "one.jpg")
    coat = {"name": "coat", "colour": "#204080"}
    _act(desk, page, kind="book", out=[], into=[SKIN, coat])
    for place, one in (([60, 80], SKIN), ([60, 140], coat)):
        _act(desk, page, kind="dab", at=place, book=one["name"], **one)
    face = {**SKIN, "name": "face", "was": ["skin"]}
    said = _act(desk, page, kind="book", out=[SKIN], into=[face]).json()
    assert said["note"] == "skin is called face now on 1 page: one."
    assert [dab[3:] for dab in said["dabs"]] == [["face", "face"], ["coat", "coat"]]
    both = {**face, "was": ["skin", "coat"]}
    said = _act(desk, page, kind="book", out=[face, coat], into=[both]).json()
    assert [dab[2] for dab in said["dabs"]] == [SKIN["colour"]] * 2
    undone = desk.post(f"api/pages/{page}/undo").json()
    assert [dab[2] for dab in undone["dabs"]] == [SKIN["colour"], coat["colour"]]
    gone = {**face, "gone": True}
    said = _act(desk, page, kind="book", out=[face], into=[gone]).json()
    assert [dab[2] for dab in said["dabs"]] == [SKIN["colour"], coat["colour"]]
    # a name that pages may still refer to is not given to another colour
    wrong = _act(desk, page, kind="book", out=[], into=[{"name": "Skin", "colour": "#000000"}])
    assert wrong.status_code == 400 and "choose another name" in wrong.json()["why"]
    assert [one["name"] for one in _file(tmp_path)] == ["face", "coat"]


def test_a_page_taken_from_the_folder_follows_when_it_is_back(
    desk: TestClient, tmp_path: Path
) -> None:
    one, two = _put(desk, pages.jpeg(), "one.jpg"), _put(desk, _other(), "two.jpg")
    _act(desk, one, kind="book", out=[], into=[SKIN])
    _act(desk, two, kind="dab", at=[60, 80], book="skin", **SKIN)
    away = (tmp_path / "work" / "two.jpg").rename(tmp_path / "two.jpg")
    assert [page["id"] for page in desk.get("api/shelf").json()] == [one]
    red = {**SKIN, "colour": "#c02020"}
    said = _act(desk, one, kind="book", out=[SKIN], into=[red]).json()
    assert said["note"] == "skin changed. No page has it yet."
    assert desk.get(f"api/pages/{two}").status_code == 404
    away.rename(tmp_path / "work" / "two.jpg")
    assert len(desk.get("api/shelf").json()) == 2
    assert desk.get(f"api/pages/{two}").json()["dabs"] == [[60, 80, "#c02020", "skin", "skin"]]


def test_who_comes_second_is_told_and_undoes_nobody_elses_change(desk: TestClient) -> None:
    one, two = _put(desk, pages.jpeg(), "one.jpg"), _put(desk, _other(), "two.jpg")
    _act(desk, one, kind="book", out=[], into=[SKIN])
    red, blue = {**SKIN, "colour": "#c02020"}, {**SKIN, "colour": "#2020c0"}
    assert _act(desk, one, kind="book", out=[SKIN], into=[red]).status_code == 200
    late = _act(desk, two, kind="book", out=[SKIN], into=[blue])
    assert late.status_code == 400 and "changed meanwhile" in late.json()["why"]
    assert desk.get(f"api/pages/{two}").json()["undo"] == 0
    # other colours changed meanwhile do no harm
    _act(desk, two, kind="book", out=[], into=[{"name": "sea", "colour": "#285ac8"}])
    _act(desk, two, kind="book", out=[red], into=[blue])
    undone = desk.post(f"api/pages/{one}/undo").json()
    assert "The book stays" in undone["note"]
    assert [c["colour"] for c in undone["book"]] == ["#2020c0", "#285ac8"]


@pytest.mark.parametrize(
    "act",
    [
        {"out": [], "into": []},
        {"out": 5, "into": []},
        {"into": [{"name": "", "colour": "#112233"}]},
        {"into": [{"name": "a", "colour": "red"}]},
        {"into": [{"name": "a", "colour": "#112233"}], "bind": "blue"},
        {"into": [{"name": "a", "colour": "#112233"}] * 251},
    ],
)
def test_a_change_of_the_book_that_makes_no_sense_is_refused(
    desk: TestClient, tmp_path: Path, act: dict[str, Any]
) -> None:
    page = _put(desk, pages.jpeg(), "one.jpg")
    answer = _act(desk, page, kind="book", **act)
    assert answer.status_code in (400, 413)
    assert "\n" not in answer.json()["why"]
    assert not (tmp_path / "work" / "palette.json").exists()


def test_the_file_changed_by_another_program_is_followed(tmp_path: Path) -> None:
    own = tmp_path / ".desk"
    own.mkdir()
    book = DeskBook(tmp_path, own)
    book.change([], [BookColour("skin", "#f0c8a0")])
    count = book.count
    (tmp_path / "palette.json").write_text('{"skin": "#AA0000", "sea": "#285AC8"}', "utf-8")
    assert [colour.colour for colour in book.now().colours] == ["#aa0000", "#285ac8"]
    assert book.count > count
    (tmp_path / "palette.json").write_text("{", "utf-8")
    assert len(book.now().colours) == 2, "what was there last"
    with pytest.raises(InkcleanError, match="not JSON"):
        book.change([], [BookColour("coat", "#204080")])
    assert (tmp_path / "palette.json").read_text("utf-8") == "{"
    (tmp_path / "palette.json").unlink()
    with pytest.raises(UsageError, match="meanwhile"):
        book.change([BookColour("coat", "#204080")], [])
    again = DeskBook(tmp_path, own)
    assert again.count == book.count


def test_a_page_whose_file_of_colours_is_not_there_keeps_them(tmp_path: Path) -> None:
    folder = tmp_path / "work"
    folder.mkdir()
    pages.write(folder / "page.jpg")
    (folder / "palette.json").write_text(json.dumps({"colours": [SKIN]}), "utf-8")
    desk = Desk(Config(folder, frozenset({HOST})))
    try:
        (page,) = desk.shelf.pages()
        dab = {"kind": "dab", "at": [60, 80], "colour": "#f0c8a0", "name": "skin", "book": "skin"}
        desk.act(page, dab)
        (folder / "palette.json").write_text("[]", "utf-8")
        assert desk.work(page).dabs == ((60, 80, "#f0c8a0", "skin", "skin"),)
    finally:
        desk.close()


def _open(tab: Page, name: str) -> None:
    tab.get_by_role("button", name=name, exact=True).click()
    reached(tab, "ink")
    station(tab, "Areas")
    reached(tab, "colours")
    drawn(tab)


@needs_chromium
def test_two_windows_on_one_folder(table: Table) -> None:
    first = table.tab(UPRIGHT)
    put(first)
    station(first, "Areas")
    reached(first, "colours")
    drawn(first)
    first.get_by_role("group", name="Colours of the page").locator(".swatch").last.click()
    drag(first, at(first, *UPPER), at(first, *LOWER))
    until(first, lambda: pixel(first, *UPPER)[:3] == pixel(first, *LOWER)[:3])
    name = first.get_by_label("Name")
    name.fill("skin")
    first.get_by_role("button", name="Into the book").click()
    expect(first.locator("#say")).to_contain_text("skin is a colour of the book now.")
    assert json.loads((table.folder / "palette.json").read_text("utf-8"))["colours"]

    second = table.tab(UPRIGHT)
    photo = {"name": "other.jpg", "mimeType": "image/jpeg", "buffer": _other()}
    second.set_input_files("#choose", [photo])  # type: ignore[arg-type]
    reached(second, "ink")
    station(second, "Areas")
    reached(second, "colours")
    drawn(second)
    # the book's colours come first; one dab drags over many areas
    expect(second.locator(".swatch").first).to_have_attribute("aria-label", "skin")
    second.locator(".swatch").first.click()
    acts = second.evaluate("() => document.body.dataset.count")
    drag(second, at(second, *UPPER), at(second, *LOWER))
    until(second, lambda: pixel(second, *UPPER)[:3] == pixel(second, *LOWER)[:3])
    # on the screen it is at once; the desk has it when the page's acts are more than before
    second.wait_for_function("(n) => document.body.dataset.count !== n", arg=acts)

    change = first.get_by_label("Change this colour on every page")
    change.evaluate("(c) => { c.value = '#c02020'; c.dispatchEvent(new Event('change')); }")
    expect(first.locator("#say")).to_contain_text("skin changed on 2 pages:")
    for tab in (first, second):
        for place in (UPPER, LOWER):
            until(tab, lambda t=tab, p=place: pixel(t, *p)[:3] == [192, 32, 32])  # type: ignore[misc]

    name = second.get_by_label("Name")
    name.fill("face")
    name.press("Enter")
    expect(second.locator("#say")).to_contain_text("skin is called face now on 2 pages:")
    expect(first.locator(".swatch").first).to_have_attribute("aria-label", "face")
    first.get_by_role("button", name="Undo").click()
    expect(first.locator("#say")).to_contain_text("The book stays")
    second.get_by_role("button", name="Undo").click()
    expect(first.locator(".swatch").first).to_have_attribute("aria-label", "skin")
    first.get_by_role("button", name="Redo").click()
    first.get_by_role("button", name="Undo").click()
    before = (192, 32, 32)
    until(second, lambda: tuple(pixel(second, *UPPER)[:3]) != before)
    until(second, lambda: pixel(first, *UPPER)[:3] == pixel(second, *UPPER)[:3])
    second.reload()
    _open(second, "other")
    expect(second.locator(".swatch").first).to_have_attribute("aria-label", "skin")
    until(second, lambda: pixel(second, *UPPER)[:3] == pixel(first, *UPPER)[:3])
