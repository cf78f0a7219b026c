"""A book of pages: one look, contact sheet, timings, memory foreseen."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image

from inkclean.base.stopwatch import Span
from inkclean.cli.main import main
from inkclean.deliver.pictures.contact import Cell, write_contact
from inkclean.ink.width import typical_line_mm
from inkclean.jobs.batch import Work, need_mb
from inkclean.jobs.results import Order
from inkclean.jobs.ticket import read_ticket
from inkclean.jobs.timings import trace_events
from inkclean.settings import Settings
from tests import small_pages


def _run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def _reports(result: Result) -> list[dict[str, Any]]:
    return [json.loads(line) for line in result.stdout.splitlines()]


def _bytes(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def _line_mm(png: Path) -> float:
    """The typical line of a delivered bitmap: measured on what the artist gets."""
    with Image.open(png) as image:
        ink = 1.0 - np.asarray(image.convert("L"), np.float32) / 255.0
    found = typical_line_mm(ink, 2400 / 25.4)
    assert found is not None
    return found


def test_typical_line_against_known_widths() -> None:
    # lines drawn at known widths, 12 px/mm, 3 of 0.5 mm to one of 1.0 mm: the median is 0.5
    page = np.zeros((600, 800), np.float32)
    for row in (100, 200, 300):
        page[row : row + 6, 50:750] = 1
    page[450:462, 50:750] = 1
    assert typical_line_mm(page, 12.0) == pytest.approx(0.5, abs=0.02)
    assert typical_line_mm(np.zeros((50, 50), np.float32), 12.0) is None


@pytest.mark.slow
def test_even_brings_lines_together(tmp_path: Path) -> None:
    for name, line_mm in (("a", 0.36), ("b", 0.4), ("c", 0.44)):
        small_pages.write(tmp_path / f"{name}.png", line_mm=line_mm, dpi=300)
    plain, out = tmp_path / "plain", tmp_path / "out"
    assert _run("clean", tmp_path, "-o", plain, "--quiet", "--dpi", "2400").exit_code == 0
    result = _run("clean", tmp_path, "-o", out, "--even", "--json", "--dpi", "2400")
    assert result.exit_code == 0, result.output
    before = [_line_mm(plain / f"{name}.ink.png") for name in "abc"]
    after = [_line_mm(out / f"{name}.ink.png") for name in "abc"]
    assert max(before) - min(before) > 0.07
    assert max(after) - min(after) < 0.25 * (max(before) - min(before))
    assert after[1] == pytest.approx(before[1], abs=0.01)
    for name, report in zip("abc", _reports(result), strict=True):
        ticket = read_ticket(out / f"{name}.ticket.json")
        assert ticket.settings.weight == 0.0  # as asked
        assert ticket.settings.even
        assert ticket.settings_used.weight == report["ink"]["weight"]
    weights = [report["ink"]["weight"] for report in _reports(result)]
    assert weights[0] > 0 == weights[1] > weights[2]


@pytest.mark.slow
def test_even_again_changes_nothing_and_goes_on(tmp_path: Path) -> None:
    for name, line_mm in (("a", 0.34), ("b", 0.4), ("c", 0.46)):
        small_pages.write(tmp_path / f"{name}.png", line_mm=line_mm, dpi=300)
    out = tmp_path / "out"
    words = ("clean", tmp_path, "-o", out, "--even", "--json")
    assert _run(*words).exit_code == 0
    first = _bytes(out)
    again = _run(*words)
    assert again.exit_code == 0, again.output
    assert all(report["done_before"] for report in _reports(again))
    assert _bytes(out) == first
    # cut short: a page is gone, another stands at the weight asked for
    for ending in (".ink.png", ".svg", ".ticket.json"):
        (out / f"c{ending}").unlink()
    assert _run(*words).exit_code == 0
    assert _bytes(out) == first
    # another wish for the same pages is not met by writing over them unasked
    assert _run("clean", tmp_path, "-o", out).exit_code == 3
    assert _bytes(out) == first


def test_like_takes_settings_and_paper(tmp_path: Path) -> None:
    model = small_pages.write(tmp_path / "model.png")
    words = ("--paper", "60x80mm", "--dpi", "300", "--weight", "0.4", "--frame", "whole")
    assert _run("clean", model, *words, "-o", tmp_path / "m").exit_code == 0
    ticket = tmp_path / "m" / "model.ticket.json"
    page = small_pages.write(tmp_path / "page.png", seed=2)
    assert _run("clean", page, "--like", ticket, "-o", tmp_path / "p").exit_code == 0
    assert read_ticket(tmp_path / "p" / "page.ticket.json").settings == read_ticket(ticket).settings
    # what is spelled out goes before, even where it spells a default
    result = _run(
        "clean", page, "--like", ticket, "--weight", "0", "--dpi", "200", "-o", tmp_path / "q"
    )
    assert result.exit_code == 0, result.output
    settings = read_ticket(tmp_path / "q" / "page.ticket.json").settings
    assert (settings.weight, settings.dpi, settings.paper) == (0.0, 200, "60x80mm")


def test_like_carries_paper_as_found_and_no_corners(tmp_path: Path) -> None:
    model = small_pages.write(tmp_path / "model.png")
    corners = "5,5;290,5;290,410;5,410"
    assert _run("clean", model, "--frame", corners, "-o", tmp_path / "m").exit_code == 0
    ticket = tmp_path / "m" / "model.ticket.json"
    sheet = read_ticket(ticket).measured["sheet"]
    page = small_pages.write(tmp_path / "page.png", seed=2)
    assert _run("clean", page, "--like", ticket, "-o", tmp_path / "p").exit_code == 0
    settings = read_ticket(tmp_path / "p" / "page.ticket.json").settings
    assert settings.frame == "auto"
    assert settings.paper == (sheet["paper"] or f"{sheet['width_mm']:g}x{sheet['height_mm']:g}mm")


@pytest.mark.parametrize("text", ["", "{}", "[]"])
def test_like_what_is_no_ticket(tmp_path: Path, text: str) -> None:
    page = small_pages.write(tmp_path / "page.png")
    (tmp_path / "x.json").write_text(text)
    result = _run("clean", page, "--like", tmp_path / "x.json")
    assert result.exit_code == 3
    assert "not a ticket" in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1


@pytest.mark.slow
def test_contact_sheet_and_timings(tmp_path: Path) -> None:
    for number in range(3):
        small_pages.write(tmp_path / f"page{number}.png", seed=number)
    (tmp_path / "broken.jpg").write_bytes(b"\xff\xd8 this is cut off")
    contact, timings = tmp_path / "book.png", tmp_path / "times.json"
    words = (
        *("clean", tmp_path, "-o", tmp_path / "out", "--jobs", "2", "--quiet"),
        *("--contact", contact, "--timings", timings),
    )
    assert _run(*words).exit_code == 4
    with Image.open(contact) as sheet:
        picture = np.asarray(sheet.convert("RGB")).astype(int)
    # the failed page bears red, the only one on the sheet; the ink of three pages is there
    red = (picture[..., 0] > 150) & (picture[..., 1] < 60) & (picture[..., 2] < 60)
    assert 3000 < red.sum() < 20_000
    assert (picture.sum(axis=2) < 100).sum() > 10_000
    body = json.loads(timings.read_text("utf-8"))
    events = [event for event in body["traceEvents"] if event["ph"] == "X"]
    assert {event["name"] for event in events if event["cat"] == "page"} == {
        "page0", "page1", "page2"
    }  # fmt: skip
    assert {"read", "frame", "light", "ink", "curves", "write"} == {
        event["name"] for event in events if event["cat"] == "stage"
    }
    # a contact sheet in the folder is no photo; the overviews of the same book are renewed
    again = _run(*words)
    assert again.exit_code == 4
    assert "book.png" not in again.stderr


def test_overviews_write_over_nothing_else(tmp_path: Path) -> None:
    page = small_pages.write(tmp_path / "page.png")
    other = small_pages.write(tmp_path / "photo.png")
    before = other.read_bytes()
    for words in (("--contact", other), ("--timings", other)):
        result = _run("clean", page, "-o", tmp_path / "out", *words)
        assert result.exit_code == 3
        assert "--replace" in result.stderr
    assert _run("clean", page, "--contact", tmp_path / "sheet.gif").exit_code == 2
    assert other.read_bytes() == before
    assert not (tmp_path / "out").exists()


def test_contact_of_many_pages_goes_on_further_sheets(tmp_path: Path) -> None:
    grey = np.full((60, 40), 128, np.uint8)
    cells = [Cell(f"p{n}\n<{n}>", "good", "é ½ 漢", grey) for n in range(70)]
    written = write_contact(cells, tmp_path / "all.png", False)
    assert [path.name for path in written] == ["all.png", "all-2.png"]
    with Image.open(written[1]) as sheet:
        assert sheet.height < 1600


def test_trace_events_are_sound() -> None:
    works = [
        Work("a", "host:7", (Span("read", 100.0, 0.5), Span("ink", 100.5, 1.25))),
        Work("b", "host:9", (Span("read", 100.25, 0.25),)),
    ]
    body = trace_events(works)
    pages = {e["name"]: e for e in body["traceEvents"] if e.get("cat") == "page"}
    assert (pages["a"]["ts"], pages["a"]["dur"]) == (0, 1_750_000)
    assert (pages["b"]["ts"], pages["b"]["dur"]) == (250_000, 250_000)
    assert pages["a"]["pid"] != pages["b"]["pid"]
    # Trace Event Format: each complete event has these, times in microseconds
    for event in body["traceEvents"]:
        assert {"name", "ph", "pid", "tid", "args"} <= set(event)
        assert event["ph"] in "XM"
        if event["ph"] == "X":
            assert isinstance(event["ts"], int)
            assert event["dur"] >= 0
    # stages lie within their page, or a viewer draws them side by side
    for event in body["traceEvents"]:
        if event.get("cat") == "stage":
            page = pages[event["args"]["page"]]
            assert page["ts"] <= event["ts"]
            assert event["ts"] + event["dur"] <= page["ts"] + page["dur"] + 1


def test_need_grows_with_the_header_alone(tmp_path: Path) -> None:
    small = small_pages.write(tmp_path / "small.png")
    Image.new("L", (4000, 3000)).save(tmp_path / "large.png")
    plain, more = Order(Settings()), Order(Settings(), ("proof",))
    large = need_mb(tmp_path / "large.png", plain)
    # a process on a photo of 12 MP was measured at 483 MB, with all results at 1204 MB, and
    # takes 16 bytes more for each px more
    assert large > max(483, need_mb(small, plain) + 190)
    assert need_mb(tmp_path / "large.png", more) > 1204
    assert need_mb(tmp_path / "none.png", plain) > large


def test_the_chain_is_not_loaded_before_a_photo_is_read() -> None:
    asked = "import sys, inkclean.jobs.batch; sys.exit('inkclean.pipeline' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", asked], check=False).returncode == 0
