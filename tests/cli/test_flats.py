"""The command flats: what it leaves, what it says, and how it refuses."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

import inkclean.jobs.flat_pages
from inkclean.base.errors import UsageError
from inkclean.cli.clean import clean
from inkclean.cli.main import main
from inkclean.deliver.flats_set import write_flats
from tests.cli.boxes import WHOLE, run, two_boxes

RED, BLUE = (200, 60, 50), (40, 90, 200)


@pytest.fixture
def drawing(tmp_path: Path) -> Path:
    return two_boxes(tmp_path)


def _shown(path: Path) -> list[list[int]]:
    """Return the colours of the left box, the right box and the paper beside them."""
    with Image.open(path) as picture:
        pixels = np.asarray(picture.convert("RGB"))
    h, w = pixels.shape[:2]
    return [pixels[int(0.47 * h), int(x * w)].tolist() for x in (0.27, 0.73, 0.03)]


def test_a_drawing_leaves_flats_areas_layers_and_the_clean_results(drawing: Path) -> None:
    result = run(drawing, *WHOLE, "--json")
    assert result.exception is None
    report = json.loads(result.stdout)
    kinds = {"ink", "svg", "ticket", "flats", "areas", "flats_svg", "flats_proof", "ora"}
    assert set(report["outputs"]) == kinds
    for path in report["outputs"].values():
        assert Path(path).stat().st_size > 0
    left, right, paper = _shown(drawing.with_name("boxes.flats.png"))
    assert left != paper != right
    with Image.open(drawing.with_name("boxes.areas.png")) as areas:
        assert np.asarray(areas).max() == report["flats"]["areas"] == 3
    with zipfile.ZipFile(drawing.with_name("boxes.ora")) as archive:
        assert archive.namelist()[0] == "mimetype"
    ticket = json.loads(drawing.with_name("boxes.ticket.json").read_text("utf-8"))
    assert len(ticket["measured"]["flats"]["areas"]) == 3


@pytest.mark.slow
def test_colours_given_are_kept_in_the_ticket_and_come_again(drawing: Path) -> None:
    hints = drawing.with_name("hints.csv")
    hints.write_text("x_mm,y_mm,colour,name\n27,37,#C83C32,skin\n73,37,#285AC8,\n", "utf-8")
    assert run(drawing, *WHOLE, "--colours", hints).exception is None
    first = _shown(drawing.with_name("boxes.flats.png"))
    assert first[:2] == [list(RED), list(BLUE)]
    ticket = drawing.with_name("boxes.ticket.json")
    hints.unlink()
    again = run(ticket, "--layers", "png", "--shade", "315", "-o", drawing.parent / "again")
    assert again.exception is None
    assert _shown(drawing.parent / "again" / "boxes.flats.png") == first
    layers = {path.name for path in (drawing.parent / "again" / "boxes.layers").iterdir()}
    assert "order.csv" in layers
    assert any("skin - flat" in name for name in layers)


def test_ink_that_was_cleaned_before_is_taken_as_it_is(drawing: Path) -> None:
    ink = drawing.rename(drawing.with_name("boxes.ink.png"))
    result = run(ink, "--paper", "100x80mm")
    assert result.exception is None
    names = {path.name for path in drawing.parent.iterdir()}
    assert names == {
        "boxes.ink.png",
        "boxes.flats.png",
        "boxes.areas.png",
        "boxes.flats.svg",
        "boxes.flats-proof.png",
        "boxes.ora",
    }
    assert "3 areas" in result.stdout


def test_results_are_not_written_over(drawing: Path) -> None:
    drawing.with_name("boxes.ora").write_text("mine")
    result = run(drawing, *WHOLE)
    assert result.exit_code == 3 and "boxes.ora already exists" in result.stderr
    assert drawing.with_name("boxes.ora").read_text() == "mine"
    assert not drawing.with_name("boxes.flats.png").exists()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--gap", "wide"), "not a length"),
        (("--gap", "90mm"), "--gap"),
        (("--smallest", "90mm"), "--smallest"),
    ],
)
def test_wrong_options_are_one_line(drawing: Path, words: tuple[str, ...], says: str) -> None:
    result = run(drawing, *words)
    assert isinstance(result.exception, UsageError)
    assert says in str(result.exception)
    assert "\n" not in str(result.exception)


def test_bad_hints_are_one_line(drawing: Path) -> None:
    hints = drawing.with_name("hints.json")
    hints.write_text("nonsense")
    result = run(drawing, *WHOLE, "--colours", hints)
    assert result.exit_code == 3
    assert "hints.json" in result.output
    assert "Traceback" not in result.output


def test_hints_belong_to_one_page(drawing: Path) -> None:
    other = drawing.with_name("other.png")
    other.write_bytes(drawing.read_bytes())
    result = run(drawing, other, "--colours", "x.json")
    assert isinstance(result.exception, UsageError)


def _stamps(folder: Path) -> dict[str, int]:
    return {str(path): path.stat().st_mtime_ns for path in sorted(folder.rglob("*.*"))}


@pytest.mark.parametrize("layers", ["ora", "png"])
def test_finished_pages_are_told_not_made_again(drawing: Path, layers: str) -> None:
    words = (drawing, *WHOLE, "--layers", layers, "--json")
    first = json.loads(run(*words).stdout)
    stamps = _stamps(drawing.parent)
    for given in (drawing, drawing.with_name("boxes.ticket.json")):
        again = json.loads(run(given, *words[1:]).stdout)
        assert again["done_before"]
        assert not first["done_before"]
        assert again["flats"] == first["flats"]
        assert _stamps(drawing.parent) == stamps
    drawing.with_name("boxes.flats.png").write_bytes(b"spoilt")
    refused = run(*words)  # what was changed since stays
    assert refused.exit_code == 3 and "boxes.flats.png already exists" in refused.stderr
    assert drawing.with_name("boxes.flats.png").read_bytes() == b"spoilt"


@pytest.mark.slow
def test_other_settings_are_another_order(drawing: Path) -> None:
    assert run(drawing, *WHOLE, "--quiet").exception is None
    refused = run(drawing, *WHOLE, "--smallest", "3mm")
    assert refused.exit_code == 3 and "already exists" in refused.stderr
    result = run(drawing, *WHOLE, "--smallest", "3mm", "--replace", "--json")
    assert not json.loads(result.stdout)["done_before"]


def test_clean_results_that_stand_are_gone_on_from(drawing: Path) -> None:
    words = [str(word) for word in (drawing, *WHOLE, "--quiet")]
    assert CliRunner().invoke(clean, words, standalone_mode=False).exception is None
    ink = drawing.with_name("boxes.ink.png").stat().st_mtime_ns
    result = run(drawing, *WHOLE, "--json")
    assert {"ink", "ora"} <= set(json.loads(result.stdout)["outputs"])
    assert drawing.with_name("boxes.ink.png").stat().st_mtime_ns == ink


@pytest.mark.slow
def test_a_run_cut_short_goes_on(drawing: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = write_flats

    def stopped(*args: Any, **named: Any) -> None:
        whole(*args, **named)
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(inkclean.jobs.flat_pages, "write_flats", stopped)
        assert isinstance(run(drawing, *WHOLE).exception, SystemExit)
    result = run(drawing, *WHOLE, "--json")
    assert result.exception is None
    assert not json.loads(result.stdout)["done_before"]
    assert json.loads(run(drawing, *WHOLE, "--json").stdout)["done_before"]


@pytest.mark.slow
def test_pages_side_by_side_come_out_the_same(drawing: Path, tmp_path: Path) -> None:
    for name in ("a", "b", "c"):
        (tmp_path / f"{name}.png").write_bytes(drawing.read_bytes())
    drawing.unlink()
    (tmp_path / "broken.png").write_bytes(b"no picture")
    runs = {}
    for jobs in (1, 2):
        out = tmp_path / f"out{jobs}"
        result = run(tmp_path, *WHOLE, "--jobs", jobs, "-o", out, "--json")
        assert isinstance(result.exception, SystemExit)
        assert result.exception.code == 4
        assert "broken.png" in result.stderr
        names = [Path(json.loads(line)["input"]).name for line in result.stdout.splitlines()]
        assert names == ["a.png", "b.png", "c.png"]
        runs[jobs] = {path.name: path.read_bytes() for path in sorted(out.iterdir())}
    assert runs[1] == runs[2]


@pytest.mark.slow
def test_edits_by_hand_outlive_a_page_cleaned_anew(drawing: Path) -> None:
    words = [str(word) for word in (drawing, *WHOLE)]
    assert run(*words, "--quiet").exception is None
    path = drawing.with_name("boxes.ticket.json")
    ticket = json.loads(path.read_text("utf-8"))
    # a stroke of ink down the middle of the left box
    stroke = {"how": "ink", "points_mm": [[27.0, 10.0, 0.8], [27.0, 65.0, 0.8]]}
    ticket["edits"] = {"ink": {"kept": [], "strokes": [stroke]}}
    path.write_text(json.dumps(ticket), "utf-8")
    assert CliRunner().invoke(clean, [*words, "--replace"]).exit_code == 0
    again = json.loads(path.read_text("utf-8"))
    assert again["edits"]["ink"]["strokes"] == [stroke]
    with Image.open(drawing.with_name("boxes.ink.png")) as picture:
        ink = ~np.asarray(picture)
    assert ink[int(ink.shape[0] * 0.5), int(ink.shape[1] * 0.27)]
    result = run(*words, "--replace", "--dpi", "300", "--json")
    assert json.loads(result.stdout)["flats"]["areas"] == 4


@pytest.mark.slow(5)
def test_flats_of_a_photo_tell_the_doubts_of_cleaning(drawing: Path) -> None:
    # no size in the file and none asked for: the scale of the sheet is a guess, and said to be
    page = Image.open(drawing)
    page.save(drawing.with_name("bare.png"))
    result = run(drawing.with_name("bare.png"), "--frame", "whole", "--drop", "none")
    assert result.exception is None
    ticket = json.loads(drawing.with_name("bare.ticket.json").read_text("utf-8"))
    assert ticket["measured"]["sheet"]["to_check"]
    said = ticket["measured"]["sheet"]["to_check"]
    assert f"{said} (to set it: --paper)" in result.stdout


def test_odd_names_come_out_as_json(drawing: Path) -> None:
    odd = drawing.rename(drawing.with_name("bo\udcffxes.png"))
    result = run(odd, *WHOLE, "--json")
    assert result.exception is None
    assert Path(json.loads(result.stdout)["input"]) == odd


def _cleaned(photo: Path, out: Path) -> Path:
    ran = CliRunner().invoke(clean, [str(photo), *WHOLE, "-o", str(out)], standalone_mode=False)
    assert ran.exception is None
    return out / "boxes.ticket.json"


@pytest.mark.slow(5)
def test_a_ticket_in_another_folder_knows_where_its_photo_is(drawing: Path) -> None:
    out = drawing.parent / "made" / "today"
    ticket = _cleaned(drawing, out)
    assert json.loads(ticket.read_text("utf-8"))["folder"] == "../.."
    result = run(ticket)
    assert result.exception is None
    assert (out / "boxes.ora").exists()
    # both moved to a place of their own: the way between them is the same
    moved = drawing.parent / "moved"
    (moved / "made").mkdir(parents=True)
    drawing.rename(moved / drawing.name)
    out.rename(moved / "made" / "today")
    result = run(moved / "made" / "today" / "boxes.ticket.json", "--replace", "--gap", "4mm")
    assert result.exception is None


def test_a_photo_that_lies_beside_its_ticket_by_now_is_found(drawing: Path) -> None:
    out = drawing.parent / "made"
    ticket = _cleaned(drawing, out)
    drawing.rename(out / drawing.name)
    assert run(ticket).exception is None


def test_a_photo_that_is_gone_is_looked_for_in_places_that_are_named(drawing: Path) -> None:
    out = drawing.parent / "made"
    ticket = _cleaned(drawing, out)
    drawing.unlink()
    result = CliRunner().invoke(main, ["flats", str(ticket)])
    assert result.exit_code == 3
    text = result.stderr.strip()
    assert "\n" not in text
    for place in (drawing.parent, out):
        assert str(place) in text
    assert drawing.name in text


def test_a_ticket_beside_its_photo_names_no_folder(drawing: Path) -> None:
    ticket = json.loads(_cleaned(drawing, drawing.parent).read_text("utf-8"))
    assert "folder" not in ticket


def test_a_ticket_is_cleaned_by_its_photo(tmp_path: Path) -> None:
    refused = CliRunner().invoke(main, ["clean", str(tmp_path / "boxes.ticket.json")])
    assert refused.exit_code == 2
    assert "give its photo, with --like" in refused.stderr
