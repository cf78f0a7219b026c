"""Several photos of one page on the desk: joined, replaced by a better one, taken apart."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import expect
from starlette.testclient import TestClient

from inkclean.desk.config import Config
from inkclean.desk.web.app import create_app
from inkclean.jobs.ticket import read_ticket
from tests.desk import pages
from tests.desk.hands import (
    WAIT_MS,
    Table,
    at,
    changed,
    drag,
    drawn,
    ink_station,
    key_of,
    needs_chromium,
    pixel,
    reached,
    station,
    until,
    white_out,
)
from tests.desk.test_app import BASE, HOST, OWN


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[TestClient]:
    config = Config(tmp_path, frozenset({HOST}), "sesame", photo_bytes=900_000)
    with TestClient(create_app(config), BASE, headers=OWN) as client:
        yield client


def _jpeg(pixels: np.ndarray) -> bytes:
    out = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(pixels)).save(out, "JPEG", quality=95)
    return out.getvalue()


def _pixels() -> np.ndarray:
    """Return the desk's test page with enough strokes on it to be told from any other."""
    photo = pages.draw()
    rng = np.random.default_rng(9)
    low, size = np.array([pages.LEFT, pages.TOP]), np.array([pages.WIDE, pages.HIGH])
    for _ in range(90):
        at = low + size * rng.uniform(0.06, 0.9, 2)
        turn, long = rng.uniform(0, np.pi), rng.uniform(15, 70)
        end = at + long * np.array([np.cos(turn), np.sin(turn)])
        end = np.clip(end, low + 40, low + size - 40)
        wide = int(rng.integers(2, 6))
        cv2.line(photo, at.astype(int).tolist(), end.astype(int).tolist(), (25, 25, 25), wide)
    return cv2.GaussianBlur(photo, (0, 0), 0.6)


def _moved(turn: float) -> bytes:
    """Return the desk's test page photographed again, a little turned and darker."""
    pixels = _pixels()
    high, wide = pixels.shape[:2]
    matrix = cv2.getRotationMatrix2D((wide / 2, high / 2), turn, 0.97)
    again = cv2.warpAffine(pixels, matrix, (wide, high), borderMode=cv2.BORDER_REPLICATE)
    return _jpeg((again * 0.93).astype(np.uint8))


def _put(desk: TestClient, photo: bytes, name: str) -> str:
    return str(desk.post("api/photos", content=photo, params={"name": name}).json()[0]["id"])


def test_photos_become_one_page_and_several_again(desk: TestClient, tmp_path: Path) -> None:
    first, second = _put(desk, _jpeg(_pixels()), "one.jpg"), _put(desk, _moved(1), "two.jpg")
    assert desk.post("api/join", json=[first, second]).json() == {"id": first}
    shelf = desk.get("api/shelf").json()
    assert [(page["name"], page["photos"]) for page in shelf] == [("one", 2)]
    # the photo is known: sent again it is not kept twice
    assert _put(desk, _moved(1), "again.jpg") == second
    assert len(list(tmp_path.glob("*.jpg"))) == 2
    assert desk.post(f"api/pages/{first}/part").status_code == 200
    assert [page["photos"] for page in desk.get("api/shelf").json()] == [1, 1]


@pytest.mark.parametrize("body", [[], ["x"], "x", [1, 2], {"a": 1}])
def test_what_is_no_set_is_refused(desk: TestClient, body: object) -> None:
    _put(desk, _jpeg(_pixels()), "one.jpg")
    assert desk.post("api/join", json=body).status_code in (400, 404)


def test_a_page_is_no_better_photo_of_itself(desk: TestClient) -> None:
    first = _put(desk, _jpeg(_pixels()), "one.jpg")
    for photo, status in ((first, 400), ("unknown", 404), (3, 400)):
        assert desk.post(f"api/pages/{first}/renew", json={"photo": photo}).status_code == status


def test_a_damaged_record_loses_no_page(desk: TestClient, tmp_path: Path) -> None:
    _put(desk, _jpeg(_pixels()), "one.jpg")
    for text in ("", "[]", '{"x": 3}', '{"x": {"others": 1, "newer": 2}}'):
        (tmp_path / ".desk" / "together.json").write_text(text, "utf-8")
        assert len(desk.get("api/shelf").json()) == 1


@needs_chromium
def test_parts_are_joined_by_touch(table: Table) -> None:
    pixels = _pixels()
    high = len(pixels)
    tab = table.tab()
    files = [
        {"name": f"{name}.jpg", "mimeType": "image/jpeg", "buffer": _jpeg(part)}
        for name, part in (
            ("upper", pixels[: round(0.65 * high)]),
            ("lower", pixels[round(0.35 * high) :][::-1, ::-1]),
        )
    ]
    tab.set_input_files("#choose", files)  # type: ignore[arg-type]
    tab.get_by_role("button", name="Several photos show one page").click()
    expect(tab.get_by_role("button", name="They show one page")).to_be_disabled()
    for name in ("upper", "lower"):
        tab.get_by_role("button", name=name, exact=True).click()
    tab.get_by_role("button", name="They show one page").click()
    # joining comes before all that other pages take
    tab.wait_for_selector("body[data-stages*=' ink:']", timeout=3 * WAIT_MS)
    said = tab.evaluate("() => document.querySelector('#say').textContent")
    assert "A4" in said, said
    tab.get_by_role("button", name="Take the 2 photos apart").click()
    expect(tab.get_by_role("button", name="Take the 2 photos apart")).to_have_count(0)


@needs_chromium
def test_a_better_photo_keeps_every_edit(table: Table) -> None:
    tab = table.tab()
    photo = {"name": "page.jpg", "mimeType": "image/jpeg", "buffer": _jpeg(_pixels())}
    tab.set_input_files("#choose", [photo])  # type: ignore[arg-type]
    reached(tab, "ink")
    ink_station(tab)
    white_out(tab)
    before = key_of(tab, "ink")
    drag(tab, at(tab, 146, 120), at(tab, 154, 120))
    changed(tab, "ink", before)
    station(tab, "Sheet")
    newer = {"name": "again.jpg", "mimeType": "image/jpeg", "buffer": _moved(2.0)}
    tab.set_input_files("input[aria-label='Put in a better photo']", [newer])  # type: ignore[arg-type]
    expect(tab.get_by_role("button", name="Take the 2 photos apart")).to_be_visible()
    reached(tab, "ink")
    ink_station(tab)
    drawn(tab)
    # the black is where it was, and white where it was whitened
    until(tab, lambda: pixel(tab, 150, 120)[0] > 200)
    until(tab, lambda: pixel(tab, 150, 128)[0] < 60)
    station(tab, "Get files")
    tab.get_by_role("button", name="Publish").click()
    expect(tab.get_by_role("link", name="page.lines.png")).to_be_visible()
    ticket = read_ticket(table.folder / "page.ticket.json")
    assert [(other.photo, other.newer) for other in ticket.others] == [("again.jpg", True)]
    assert len(ticket.edits["ink"]["strokes"]) == 1
    assert json.loads((table.folder / ".desk" / "together.json").read_text("utf-8"))
