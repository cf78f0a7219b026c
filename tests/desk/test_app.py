"""The app in process: what it answers, and everything it must refuse."""

from __future__ import annotations

import io
import re
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from inkclean.desk import pictures
from inkclean.desk.config import Config
from inkclean.desk.desk import Desk
from inkclean.desk.web.app import create_app
from inkclean.ink.weight import WEIGHT_MM
from inkclean.jobs.inputs import PICTURES
from tests.desk import pages

HOST = "127.0.0.1:8123"
BASE = f"http://{HOST}/sesame/"
OWN = {"origin": f"http://{HOST}", "sec-fetch-site": "same-origin"}


@pytest.fixture(scope="module")
def photo() -> bytes:
    return pages.jpeg()


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[TestClient]:
    folder = tmp_path / "work"
    folder.mkdir()
    config = Config(folder, frozenset({HOST}), "sesame", photo_bytes=900_000, words_bytes=5_000)
    with TestClient(create_app(config), BASE, headers=OWN) as client:
        yield client


def _put(desk: TestClient, photo: bytes, name: str = "page.jpg") -> str:
    answer = desk.post("api/photos", content=photo, params={"name": name})
    assert answer.status_code == 200, answer.text
    return str(answer.json()[0]["id"])


def test_the_page_and_its_modules_come_with_a_strict_policy(desk: TestClient) -> None:
    answer = desk.get("")
    assert answer.status_code == 200
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["referrer-policy"] == "no-referrer"
    module = desk.get("static/main.js")
    assert module.headers["content-type"].startswith("text/javascript")


def test_the_page_asks_no_other_machine_for_anything() -> None:
    from inkclean.desk.web.app import STATIC

    for path in STATIC.iterdir():
        text = path.read_text("utf-8").replace("http://www.w3.org/2000/svg", "")
        assert "://" not in text, path
        assert len(text.splitlines()) < 400, path


@pytest.mark.parametrize(
    "path", ["/", "/api/shelf", "/wrong/", "/wrong/api/shelf", "/sesam/api/shelf", "/sesame"]
)
def test_without_the_token_nothing_is_told(desk: TestClient, path: str) -> None:
    answer = desk.get(f"http://{HOST}{path}")
    assert answer.status_code == 403
    assert "sesame" not in answer.text


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", "127.0.0.1:9", "evil:8123", ""])
def test_another_host_name_is_refused(desk: TestClient, host: str) -> None:
    """A name that was pointed at this machine (DNS rebinding) is no address of the desk."""
    assert desk.get("api/shelf", headers={"host": host}).status_code == 421


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example", "sec-fetch-site": "cross-site"},
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"origin": "http://127.0.0.1:9999"},
    ],
    ids=str,
)
def test_another_site_may_not_write(desk: TestClient, headers: dict[str, str]) -> None:
    answer = desk.post("api/order", json=[], headers=headers)
    assert answer.status_code == 403


def test_another_site_may_link_here_but_not_read(desk: TestClient) -> None:
    link = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}
    assert desk.get("", headers={**link, "origin": f"http://{HOST}"}).status_code == 200
    read = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors"}
    assert desk.get("api/shelf", headers=read).status_code == 403


@pytest.mark.parametrize(
    "path",
    [
        "static/../app.py",
        "static/..%2fapp.py",
        "static/%2e%2e%2f%2e%2e%2fcli.py",
        "static/main.js%00.html",
        "api/pages/..%2f..%2fetc/thumb",
        "api/pages/none/thumb",
        "api/pages/none/files/..%2f..%2fedits.log",
        "api/pages/none/tiles/..%2f..%2fedits/0/0/0",
    ],
)
def test_no_path_from_the_browser_leads_anywhere(desk: TestClient, path: str) -> None:
    answer = desk.get(path)
    assert answer.status_code == 404
    assert "import" not in answer.text


def test_files_of_a_page_are_those_made_for_it(desk: TestClient, photo: bytes) -> None:
    page = _put(desk, photo)
    for name in ("edits.log", "..%2fthumb.jpg", "%2fetc%2fpasswd", "page.jpg"):
        assert desk.get(f"api/pages/{page}/files/{name}").status_code == 404
    for picture in ("ink-1", "..%2f..", "thumb.jpg"):
        answer = desk.get(f"api/pages/{page}/tiles/{picture}/0/0/0")
        assert answer.status_code in (204, 404)
        assert not answer.content or answer.status_code == 404


@pytest.mark.parametrize(
    ("called", "kept"),
    [
        ("../../outside.jpg", "outside.jpg"),
        ("/etc/cron.d/job.jpg", "etc cron d job.jpg"),
        ("..\\..\\boot.jpg", "boot.jpg"),
        (".hidden", "hidden.jpg"),
        ("", "page.jpg"),
        ("Seite é.PNG", "Seite é.jpg"),
        ("x" * 190 + ".jpg", "x" * 60 + ".jpg"),
    ],
)
def test_a_name_from_outside_is_a_name_and_no_path(
    desk: TestClient, tmp_path: Path, photo: bytes, called: str, kept: str
) -> None:
    _put(desk, photo, called)
    assert [path.name for path in (tmp_path / "work").glob("*")] == [".desk", kept] or sorted(
        path.name for path in (tmp_path / "work").iterdir()
    ) == sorted([".desk", kept])
    assert sorted(path.name for path in tmp_path.iterdir()) == ["work"]


def test_a_photo_comes_in_whole_once_and_under_a_free_name(
    desk: TestClient, tmp_path: Path, photo: bytes
) -> None:
    first = _put(desk, photo)
    assert _put(desk, photo, "again.jpg") == first
    second = _put(desk, photo + b"\0", "page.jpg")
    assert second != first
    work = tmp_path / "work"
    assert (work / "page.jpg").read_bytes() == photo
    assert (work / "page 2.jpg").read_bytes() == photo + b"\0"
    assert len(desk.get("api/shelf").json()) == 2
    assert not list((work / ".desk").glob("incoming-*"))


def test_a_photo_that_is_opened_next_is_begun_with_at_once(
    desk: TestClient, photo: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []
    monkeypatch.setattr(Desk, "bring", lambda self, page, goal: asked.append(f"{page.name} {goal}"))
    for name, goal in (("a.jpg", "ink"), ("b.jpg", ""), ("c.jpg", "wrong")):
        answer = desk.post(
            "api/photos", content=photo + name.encode(), params={"name": name, "goal": goal}
        )
        assert answer.status_code == 200
    assert asked == ["a ink"]


@pytest.mark.parametrize("body", [b"", b"hello", b"<svg/>", b"GIF89a", b"\x7fELF"])
def test_what_is_no_photo_is_refused_and_not_kept(
    desk: TestClient, tmp_path: Path, body: bytes
) -> None:
    answer = desk.post("api/photos", content=body, params={"name": "a.jpg"})
    assert answer.status_code == 422
    assert "is not a photo" in answer.json()["why"]
    assert not [p for p in (tmp_path / "work").iterdir() if p.suffix in PICTURES]
    assert not list((tmp_path / "work" / ".desk").glob("incoming-*"))


def test_bodies_are_capped_whether_their_length_is_told_or_not(
    desk: TestClient, tmp_path: Path
) -> None:
    big = b"\xff\xd8\xff" + bytes(1_000_000)
    told = desk.post("api/photos", content=big)
    untold = desk.post("api/photos", content=iter([big[:500_000], big[500_000:]]))
    words = desk.post("api/order", content=b"[" + b"0," * 5_000 + b"0]")
    assert [told.status_code, untold.status_code, words.status_code] == [413, 413, 413]
    assert not list((tmp_path / "work" / ".desk").glob("incoming-*"))


def test_a_picture_of_too_many_pixels_is_refused_before_it_is_decoded(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "work"
    folder.mkdir()
    config = Config(folder, frozenset({HOST}), "sesame", budget_mp=1.0)
    with TestClient(create_app(config), BASE, headers=OWN) as desk:
        page = _put(desk, _bomb(40_000, 40_000), "bomb.png")
        answer = desk.get(f"api/pages/{page}/thumb")
    assert answer.status_code == 422
    assert "megapixels" in answer.json()["why"]


def _bomb(width: int, height: int) -> bytes:
    def chunk(kind: bytes, body: bytes) -> bytes:
        end = struct.pack(">I", zlib.crc32(kind + body))
        return struct.pack(">I", len(body)) + kind + body + end

    rows = io.BytesIO()
    packer = zlib.compressobj(9)
    for _ in range(200):
        rows.write(packer.compress(bytes(width // 8 + 1)))
    rows.write(packer.flush())
    head = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    parts = [chunk(b"IHDR", head), chunk(b"IDAT", rows.getvalue()), chunk(b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(parts)


def test_a_link_out_of_the_folder_is_not_followed(tmp_path: Path, photo: bytes) -> None:
    folder = tmp_path / "work"
    folder.mkdir()
    (tmp_path / "secret.jpg").write_bytes(photo)
    (folder / "link.jpg").symlink_to(tmp_path / "secret.jpg")
    config = Config(folder, frozenset({HOST}), "sesame")
    with TestClient(create_app(config), BASE, headers=OWN) as desk:
        assert desk.get("api/shelf").json() == []


def test_edits_are_kept_undone_and_there_after_a_restart(
    desk: TestClient, tmp_path: Path, photo: bytes
) -> None:
    page = _put(desk, photo)
    act = {"kind": "set", "weight": 0.4}
    assert desk.post(f"api/pages/{page}/acts", json=act).json()["settings"]["weight"] == 0.4
    state = desk.post(f"api/pages/{page}/undo").json()
    assert (state["settings"]["weight"], state["undo"], state["redo"]) == (0.0, 0, 1)
    config = Config(tmp_path / "work", frozenset({HOST}), "other")
    base = f"http://{HOST}/other/"
    with TestClient(create_app(config), base, headers=OWN) as again:
        state = again.post(f"api/pages/{page}/redo").json()
        assert (state["settings"]["weight"], state["undo"], state["redo"]) == (0.4, 1, 0)


def test_numbers_that_the_browser_shares_come_with_the_state(
    desk: TestClient, photo: bytes
) -> None:
    numbers = desk.get(f"api/pages/{_put(desk, photo)}").json()["numbers"]
    assert numbers["tile_px"] == pictures.TILE_PX
    assert numbers["weight"]["most_mm"] == WEIGHT_MM
    static = Path(pictures.__file__).parent / "web" / "static"
    used = set(
        re.findall(r"\bnumbers\.(?!js)(\w+)", "".join(p.read_text() for p in static.glob("*.js")))
    )
    assert used == numbers.keys()


@pytest.mark.parametrize("body", [b"", b"{", b"[1]", b'"x"', b'{"kind":"set"}', b"[" * 4000])
def test_a_wrong_act_is_one_line_and_changes_nothing(
    desk: TestClient, photo: bytes, body: bytes
) -> None:
    page = _put(desk, photo)
    for path in ("acts", "take", "pencil"):
        answer = desk.post(f"api/pages/{page}/{path}", content=body)
        assert answer.status_code == 400
        assert "\n" not in answer.json()["why"]
    assert desk.get(f"api/pages/{page}").json()["count"] == 0


@pytest.mark.parametrize(
    "asked", ["", "x=1&y=2", "x=a&y=2&within=1", "x=nan&y=2&within=0.02", "x=1e9&y=2&within=0.02"]
)
def test_a_piece_of_the_ink_is_asked_for_in_numbers(
    desk: TestClient, photo: bytes, asked: str
) -> None:
    page = _put(desk, photo)
    answer = desk.get(f"api/pages/{page}/curves?{asked}")
    assert answer.status_code == 400
    assert "\n" not in answer.json()["why"]
    assert desk.get(f"api/pages/{page}/curves?x=1&y=2&within=0.02").status_code == 404


def test_pages_lie_in_the_order_they_were_laid_in(desk: TestClient, photo: bytes) -> None:
    first, second = _put(desk, photo, "a.jpg"), _put(desk, photo + b"\0", "b.jpg")
    desk.post("api/order", json=[second, "unknown", first])
    assert [row["id"] for row in desk.get("api/shelf").json()] == [second, first]
    assert desk.post("api/order", json={"a": 1}).status_code == 400


def test_a_ticket_of_the_command_line_is_gone_on_with(tmp_path: Path, photo: bytes) -> None:
    from inkclean.desk.edits import PageEdits
    from inkclean.desk.work.take import edits_of
    from inkclean.ink.edits import InkEdits
    from inkclean.jobs.ticket import Ticket, file_hash, ticket_text
    from inkclean.settings import Settings

    folder = tmp_path / "work"
    folder.mkdir()
    path = folder / "page.jpg"
    path.write_bytes(photo)
    mended = PageEdits(Settings(), InkEdits(((1.0, 2.0),)), checked=((30.5, 40.25),))
    edits = edits_of(mended)
    settings = Settings(weight=0.25, paper="A4")
    ticket = Ticket("page.jpg", file_hash(path), 1, settings, {}, edits)
    (folder / "page.ticket.json").write_text(ticket_text(ticket), "utf-8")
    config = Config(folder, frozenset({HOST}), "sesame")
    with TestClient(create_app(config), BASE, headers=OWN) as desk:
        page = desk.get("api/shelf").json()[0]["id"]
        state = desk.get(f"api/pages/{page}").json()
    assert state["settings"]["weight"] == 0.25
    assert state["settings"]["paper"] == "A4"
    assert state["kept"] == [[1.0, 2.0]]
    assert state["checked"] == [[30.5, 40.25]]
