"""The command flats: pictures at the resolution asked for, and options beside a ticket."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path
from xml.etree import ElementTree

import pikepdf
import pytest
from click.testing import CliRunner
from PIL import Image

from inkclean.base.errors import UsageError
from inkclean.cli.press import press
from tests.cli.boxes import WHOLE, run, two_boxes
from tests.deliver.pdf_reading import operators


@pytest.fixture
def drawing(tmp_path: Path) -> Path:
    return two_boxes(tmp_path)


def _dpi(path: Path) -> float:
    """Return the resolution that a picture states, read by Pillow, or from an OpenRaster stack."""
    if path.suffix == ".ora":
        with zipfile.ZipFile(path) as archive:
            stack = ElementTree.fromstring(archive.read("stack.xml"))
            with Image.open(archive.open("mergedimage.png")) as merged:
                assert merged.info["dpi"] == pytest.approx([float(stack.attrib["xres"])] * 2, abs=1)
                assert merged.size == (int(stack.attrib["w"]), int(stack.attrib["h"]))
            assert stack.attrib["xres"] == stack.attrib["yres"]
            return float(stack.attrib["xres"])
    with Image.open(path) as picture:
        assert picture.info["dpi"][0] == picture.info["dpi"][1]
        return float(picture.info["dpi"][0])


def _size(path: Path) -> tuple[int, int]:
    if path.suffix == ".ora":
        with zipfile.ZipFile(path) as archive:
            stack = ElementTree.fromstring(archive.read("stack.xml"))
        return int(stack.attrib["w"]), int(stack.attrib["h"])
    with Image.open(path) as picture:
        return picture.size


@pytest.mark.parametrize(
    ("words", "ink", "colour"),
    [
        ((), 600, 300),
        (("--dpi", "300"), 300, 300),
        (("--dpi", "1200", "--colour-dpi", "400"), 1200, 400),
    ],
)
def test_pictures_come_at_the_resolution_asked_for(
    drawing: Path, words: tuple[str, ...], ink: int, colour: int
) -> None:
    result = run(drawing, *WHOLE, *words, "--json")
    assert result.exception is None
    report = json.loads(result.stdout)
    assert (report["flats"]["ink_dpi"], report["flats"]["colour_dpi"]) == (ink, colour)
    made = {kind: Path(path) for kind, path in report["outputs"].items()}
    assert _dpi(made["ink"]) == pytest.approx(ink, abs=0.02)
    wide, high = _size(made["ink"])
    assert wide == pytest.approx(100 / 25.4 * ink, abs=ink / colour)
    assert high == pytest.approx(80 / 25.4 * ink, abs=ink / colour)
    for kind in ("flats", "areas", "ora"):
        assert _dpi(made[kind]) == pytest.approx(colour, abs=0.02)
        assert _size(made[kind]) == (round(wide * colour / ink), round(high * colour / ink))
    if ink / colour == ink // 300:
        assert _size(made["ora"]) == (wide * colour / ink, high * colour / ink)


def test_ink_that_has_a_resolution_gives_it_to_the_colours(drawing: Path) -> None:
    ink = drawing.rename(drawing.with_name("boxes.ink.png"))
    result = run(ink, "--paper", "100x80mm", "--layers", "png", "--colour-dpi", "100")
    assert isinstance(result.exception, SystemExit)  # 304.8 dpi are no whole number of times 100
    result = run(ink, "--paper", "100x80mm", "--layers", "png")
    assert result.exception is None
    assert "ink 304.8 dpi, colour files 304.8 dpi" in result.stdout
    assert _size(ink.with_name("boxes.flats.png")) == _size(ink) == (1200, 960)
    for layer in ink.with_name("boxes.layers").glob("*.png"):
        assert _dpi(layer) == pytest.approx(304.8, abs=0.02)


def test_a_colour_resolution_that_does_not_fit_the_ink_is_refused(drawing: Path) -> None:
    result = run(drawing, "--colour-dpi", "250")
    assert isinstance(result.exception, UsageError)
    assert "--colour-dpi 250" in str(result.exception)


def test_colour_under_the_lines_comes_to_print_at_its_resolution(drawing: Path) -> None:
    assert run(drawing, *WHOLE, "--quiet").exception is None
    ticket, ora = drawing.with_name("boxes.ticket.json"), drawing.with_name("boxes.ora")
    words = [ticket, "--under", ora, "--trim", "100x80mm", "--quiet"]
    ran = CliRunner().invoke(press, [*map(str, words)], standalone_mode=False)
    assert ran.exception is None
    with pikepdf.open(drawing.with_name("boxes.press.pdf")) as pdf:
        page = pdf.pages[0]
        ((_, picture),) = page.Resources.XObject.items()
        wide = max(abs(values[0]) for name, values in operators(page) if name == "cm") / 72
        assert int(picture.Width) / wide == pytest.approx(300, abs=0.5)


def test_options_typed_beside_a_ticket_win_over_it(drawing: Path) -> None:
    assert run(drawing, *WHOLE, "--dpi", "300", "--quiet").exception is None
    ticket, ink = (drawing.with_name(f"boxes{end}") for end in (".ticket.json", ".ink.png"))
    words = (ticket, "--dpi", "400", "--frame", "whole")
    before = ink.read_bytes()
    refused = run(*words, "--json")
    assert isinstance(refused.exception, SystemExit) and refused.exception.code == 3
    said = "--dpi 400 as typed, in place of 300 in the ticket"
    assert said in refused.stderr and "--replace" in refused.stderr
    assert ink.read_bytes() == before
    made = run(*words, "--replace")
    assert made.exception is None
    assert said in made.stdout and "ink 400 dpi, colour files 400 dpi" in made.stdout
    assert _dpi(ink) == pytest.approx(400, abs=0.02)
    assert _size(ink) == _size(drawing.with_name("boxes.flats.png"))
    # what it says now is what was typed: the same again is done already
    assert json.loads(ticket.read_text("utf-8"))["settings"]["dpi"] == 400
    assert "already done" in run(*words).stdout


def test_ink_has_a_resolution_of_its_own(drawing: Path) -> None:
    ink = drawing.rename(drawing.with_name("boxes.ink.png"))
    refused = run(ink, "--dpi", "300")
    assert isinstance(refused.exception, SystemExit) and refused.exception.code == 2
    assert "leave out --dpi" in refused.stderr
