"""The book's colours on the command line: pages refer to names, and follow when these change."""

from __future__ import annotations

import json
import shutil
import zipfile
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result
from numpy.typing import NDArray
from PIL import Image

from inkclean.base.errors import InkcleanError, InputError
from inkclean.cli.flats import flats
from inkclean.cli.recolour import recolour
from inkclean.jobs.colours.recolour import recolour_page

WHOLE = ("--frame", "whole", "--drop", "none", "--paper", "60x80mm", "--shade", "315")
SKIN, SEA = "#c83c32", "#285ac8"


def _run(command: Any, *words: object) -> Result:
    return CliRunner().invoke(command, [*map(str, words)], standalone_mode=False)


def _book(path: Path, *colours: dict[str, Any]) -> Path:
    path.write_text(json.dumps({"colours": colours}), "utf-8")
    return path


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a page of three boxes, its flats, and the book's colours that it refers to."""
    folder = tmp_path_factory.mktemp("book")
    page = np.full((640, 480), 250, np.uint8)
    for top, left in ((60, 60), (60, 270), (360, 60)):
        cv2.rectangle(page, (left, top), (left + 150, top + 220), 15, 6)
    Image.fromarray(page).save(folder / "boxes.png", dpi=(203.2, 203.2))
    _book(folder / "palette.json", {"name": "skin", "colour": SKIN}, {"name": "sea", "colour": SEA})
    # a name stands for its colour; a colour that the book does not have is the page's own
    (folder / "hints.csv").write_text(
        "x_mm,y_mm,colour,name\n17,21,,skin\n43,21,,Sea\n17,59,#33aa55,\n", "utf-8"
    )
    words = ("--colours", folder / "hints.csv", "--palette", folder / "palette.json", "--quiet")
    ran = _run(flats, folder / "boxes.png", *WHOLE, *words)
    assert ran.exception is None
    return folder


@pytest.fixture
def book(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "book"))


def _shown(folder: Path) -> list[str]:
    """Return the colours of the boxes, upper left, upper right, lower left; read by Pillow."""
    with Image.open(folder / "boxes.flats.png") as picture:
        pixels = np.asarray(picture.convert("RGB"))
    h, w = pixels.shape[:2]
    places = ((0.27, 0.28), (0.27, 0.72), (0.74, 0.28))
    return ["#" + bytes(pixels[int(y * h), int(x * w)].tolist()).hex() for y, x in places]


def _afresh(book: Path) -> Path:
    """Return a folder with the page made anew, split and all, with the book's colours of now."""
    other = book.parent / "afresh"
    other.mkdir()
    for name in ("boxes.png", "palette.json"):
        shutil.copy(book / name, other / name)
    shutil.copy(book / "boxes.ticket.json", other / "boxes.ticket.json")
    again = _run(flats, other / "boxes.ticket.json", *WHOLE, "--quiet")
    assert again.exception is None
    return other


def _names(folder: Path) -> list[str]:
    rows = json.loads((folder / "boxes.ticket.json").read_text("utf-8"))
    return [dab.get("book", "") for dab in rows["edits"]["flats"]["dabs"]]


def test_a_page_refers_to_names_of_the_book(made: Path) -> None:
    assert _shown(made) == [SKIN, SEA, "#33aa55"]
    assert _names(made) == ["skin", "sea", ""]
    ticket = json.loads((made / "boxes.ticket.json").read_text("utf-8"))
    assert ticket["edits"]["flats"]["palette"] == "palette.json"


def _pixels(path: Path) -> NDArray[np.int16]:
    with Image.open(path) as picture:
        return np.asarray(picture.convert("RGB")).astype(np.int16)


def test_a_colour_changed_in_the_book_is_changed_in_every_file(made: Path, book: Path) -> None:
    before = {path.name: path.read_bytes() for path in book.iterdir()}
    _book(
        book / "palette.json", {"name": "skin", "colour": "#F0C8A0"}, {"name": "sea", "colour": SEA}
    )
    ran = _run(recolour, book)
    assert ran.exception is None
    assert "skin #c83c32 is now skin #f0c8a0" in ran.stdout
    assert "sea" not in ran.stdout.splitlines()[0]
    assert _shown(book) == ["#f0c8a0", SEA, "#33aa55"]
    fresh = _afresh(book)
    for kind in (".flats.png", ".flats.svg", ".ora"):
        now = (book / f"boxes{kind}").read_bytes()
        assert now != before[f"boxes{kind}"], kind
        assert now == (fresh / f"boxes{kind}").read_bytes(), kind
    proofs = [_pixels(folder / "boxes.flats-proof.png") for folder in (book, fresh)]
    apart = np.abs(proofs[0] - proofs[1]).max(axis=2)
    assert apart.max() <= 1  # a level, of rounding
    assert np.abs(proofs[0] - _pixels(made / "boxes.flats-proof.png")).max() > 20
    for kind in (".ink.png", ".svg", ".areas.png"):
        assert (book / f"boxes{kind}").read_bytes() == before[f"boxes{kind}"], kind
    # a second time there is nothing to do, and the page counts as finished
    assert "has them already" in _run(recolour, book).stdout
    words = ("--colours", book / "hints.csv", "--palette", book / "palette.json")
    again = _run(flats, book / "boxes.png", *WHOLE, *words)
    assert again.exception is None and "already done" in again.stdout


def test_names_renamed_and_merged_are_still_found(book: Path) -> None:
    _book(book / "palette.json", {"name": "face", "colour": "#f0c8a0", "was": ["skin", "sea"]})
    report = recolour_page(book / "boxes.ticket.json", None)
    assert [(c.before, c.name) for c in report.changes] == [("skin", "face"), ("sea", "face")]
    assert _shown(book) == ["#f0c8a0", "#f0c8a0", "#33aa55"]
    assert _names(book) == ["face", "face", ""]
    fresh = _afresh(book)
    for kind in (".flats.png", ".flats.svg", ".ora"):
        assert (book / f"boxes{kind}").read_bytes() == (fresh / f"boxes{kind}").read_bytes(), kind


def test_a_page_that_was_away_while_the_book_changed_loses_nothing(made: Path, book: Path) -> None:
    away = Path(shutil.copytree(made, book.parent / "away"))
    palette = book / "palette.json"
    _book(
        palette, {"name": "face", "colour": SKIN, "was": ["skin"]}, {"name": "sea", "colour": SEA}
    )
    assert _run(recolour, book, "--jobs", "2").exception is None
    _book(palette, {"name": "all", "colour": "#f0c8a0", "was": ["face", "skin", "sea"]})
    shutil.copy(palette, away / "palette.json")
    for folder in (away, book):
        assert _run(recolour, folder, "--quiet").exception is None
        assert _shown(folder) == ["#f0c8a0", "#f0c8a0", "#33aa55"]
        assert _names(folder) == ["all", "all", ""]
    for name in ("boxes.flats.png", "boxes.flats.svg"):
        assert (away / name).read_bytes() == (book / name).read_bytes()


def test_a_folder_of_layers_follows_too(made: Path, tmp_path: Path) -> None:
    book = Path(shutil.copytree(made, tmp_path / "book"))
    (book / "boxes.ora").unlink()
    words = (*WHOLE, "--layers", "png", "--replace", "--quiet")
    assert _run(flats, book / "boxes.ticket.json", *words).exception is None
    _book(book / "palette.json", {"name": "face", "colour": "#f0c8a0", "was": ["skin", "sea"]})
    report = recolour_page(book / "boxes.ticket.json", None)
    assert {"flats", "flats_svg", "flats_proof", "layers"} == set(report.outputs)
    fresh = book.parent / "afresh"
    fresh.mkdir()
    for name in ("boxes.png", "palette.json", "boxes.ticket.json"):
        shutil.copy(book / name, fresh / name)
    assert _run(flats, fresh / "boxes.ticket.json", *words).exception is None
    now, then = (
        {path.name: path.read_bytes() for path in (folder / "boxes.layers").iterdir()}
        for folder in (book, fresh)
    )
    assert any("face - flat" in name for name in now)
    assert now == then
    assert not [path for path in book.iterdir() if path.name.startswith(".")]


def test_a_page_without_its_book_keeps_its_colours(book: Path) -> None:
    _book(book / "palette.json", {"name": "skin", "colour": "#f0c8a0"})
    assert _run(recolour, book).exception is None
    assert _shown(book)[1] == SEA, "a name taken out of the book keeps its colour"
    (book / "palette.json").unlink()
    with pytest.raises(InputError, match=r"the book's colours, palette\.json, are not there"):
        recolour_page(book / "boxes.ticket.json", None)
    assert _run(flats, book / "boxes.ticket.json", *WHOLE, "-o", book / "own").exception is None
    assert _shown(book / "own") == ["#f0c8a0", SEA, "#33aa55"]


def test_a_ticket_without_colour_files_follows_alone(book: Path) -> None:
    for kind in (".flats.png", ".flats.svg", ".ora", ".areas.png"):
        (book / f"boxes{kind}").unlink()
    _book(book / "palette.json", {"name": "skin", "colour": "#f0c8a0"})
    ran = _run(recolour, book)
    assert ran.exception is None and "the ticket follows" in ran.stdout
    ticket = json.loads((book / "boxes.ticket.json").read_text("utf-8"))
    assert ticket["edits"]["flats"]["dabs"][0]["colour"] == "#f0c8a0"
    assert [c["colour"] for c in ticket["measured"]["flats"]["colours"]][1] == "#f0c8a0"


def test_a_table_of_colours_is_read_too(book: Path) -> None:
    table = book / "colours.csv"
    table.write_text("name,colour,was\nface,F0C8A0,skin;hand\nsea,#285ac8,\n", "utf-8")
    ran = _run(recolour, book / "boxes.ticket.json", "--palette", table, "--json")
    assert ran.exception is None
    report = json.loads(ran.stdout)
    assert report["refers"] == 2
    assert [change["name"] for change in report["changes"]] == ["face"]
    assert _shown(book)[0] == "#f0c8a0"


def test_layers_painted_by_hand_are_not_written_over(book: Path) -> None:
    _book(book / "palette.json", {"name": "skin", "colour": "#f0c8a0"})
    layers = book / "boxes.ora"
    with zipfile.ZipFile(layers, "a") as archive:
        archive.writestr("mine", b"painted")
    before = {path.name: path.read_bytes() for path in book.iterdir()}
    with pytest.raises(InkcleanError, match=r"boxes\.ora was changed since"):
        recolour_page(book / "boxes.ticket.json", None)
    assert {path.name: path.read_bytes() for path in book.iterdir()} == before
    assert recolour_page(book / "boxes.ticket.json", None, True).changes


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("{", "not JSON"),
        ('{"skin": "red"}', "has no colour"),
        ('[{"colour": "#112233"}]', "has no name"),
        ('[{"name": "a", "colour": "#112233"}, {"name": "A", "colour": "#445566"}]', "two colours"),
        ('[{"name": "a", "colour": "#112233", "was": ["b"]}, {"name": "b", "colour": "#445566"}]',
         "was called before|is what"),
        ("colour,title\n#112233,x\n", "no columns"),
        ("\udcff", "neither JSON nor CSV"),
    ],
)  # fmt: skip
def test_a_palette_that_is_none_is_one_line(book: Path, text: str, says: str) -> None:
    wrong = book / "wrong.txt"
    wrong.write_bytes(text.encode("utf-8", "surrogateescape"))
    with pytest.raises(InputError, match=says) as said:
        recolour_page(book / "boxes.ticket.json", wrong)
    assert said.value.exit_code == 3
    assert "\n" not in str(said.value) and str(wrong) in str(said.value)


def test_what_is_no_ticket_is_refused(book: Path) -> None:
    for wrong, says in ((book / "boxes.png", "is no ticket"), (book / "none", "is no ticket")):
        assert says in str(_run(recolour, wrong).exception)
    (book / "empty").mkdir()
    assert "has no ticket" in str(_run(recolour, book / "empty").exception)
