"""The package from Python: its examples run, its names are typed and come when asked for."""

from __future__ import annotations

import doctest
import json
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import inkclean
from inkclean import api
from inkclean.jobs.ticket import read_ticket
from tests import small_pages

ROOT = Path(__file__).parents[1]


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder to work in, with a photo."""
    small_pages.write(tmp_path / "photo.jpg")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_examples_of_the_docstrings_run(desk: Path) -> None:
    result = doctest.testmod(api, optionflags=doctest.NORMALIZE_WHITESPACE)
    assert result.attempted > 8
    assert result.failed == 0
    assert (desk / "out" / "photo.ink.png").exists()


def test_the_examples_of_the_readme_run(desk: Path) -> None:
    found = doctest.testfile(
        str(ROOT / "README.md"), module_relative=False, optionflags=doctest.NORMALIZE_WHITESPACE
    )
    assert found.attempted > 4
    assert found.failed == 0


def test_a_page_gives_what_the_command_leaves(desk: Path) -> None:
    words = [sys.executable, "-m", "inkclean.cli", "clean", "photo.jpg", "-o", "command"]
    subprocess.run([*words, "--weight", "0.3", "--also", "pencil", "--quiet"], check=True)
    report = inkclean.Page("photo.jpg", weight=0.3).write("python", also=["pencil"])
    assert set(report.outputs) == {"ink", "svg", "pencil", "ticket"}
    for path in Path("command").iterdir():
        if not path.name.endswith(".ticket.json"):
            assert (desk / "python" / path.name).read_bytes() == path.read_bytes()
    tickets = [read_ticket(Path(folder, "photo.ticket.json")) for folder in ("command", "python")]
    assert tickets[0].settings == tickets[1].settings
    assert tickets[0].results == tickets[1].results


def test_options_are_refused_before_any_work(desk: Path) -> None:
    for wrong in ({"weight": 3.0}, {"dpi": 5}, {"paper": "B99"}):
        with pytest.raises(inkclean.UsageError):
            inkclean.Page("none.jpg", **wrong)
    with pytest.raises(TypeError):
        inkclean.Page("photo.jpg", wieght=0.1)  # type: ignore[call-arg]
    page = inkclean.Page("none.jpg")
    with pytest.raises(inkclean.InputError, match=r"none\.jpg: no such file"):
        _ = page.ink
    page = inkclean.Page("photo.jpg")
    with pytest.raises(inkclean.UsageError):
        page.change(weight=-2)
    assert page.settings.weight == 0


def test_results_are_not_written_over(desk: Path) -> None:
    page = inkclean.Page("photo.jpg")
    page.write()
    before = Path("photo.svg").read_bytes()
    with pytest.raises(inkclean.OutputError):
        page.write()
    page.change(within_mm=0.2)
    page.write(replace=True)
    assert len(Path("photo.svg").read_bytes()) < len(before)


def test_flats_are_written_and_follow_the_book(desk: Path) -> None:
    Path("palette.json").write_text('{"sea": "#285AC8"}', "utf-8")
    Path("hints.csv").write_text("x_mm,y_mm,colour,name\n25,58,,sea\n", "utf-8")
    page = inkclean.Page("photo.jpg", colours="hints.csv", palette="palette.json")
    report = page.write_flats("out", colour_dpi=200)
    assert {"ora", "flats", "areas"} <= set(report.outputs)
    assert (report.flats.ink_dpi, report.flats.colour_dpi) == (600, 200)
    assert report.cleaned is not None and "sea" in report.flats.colours
    before = Path("out/photo.flats.png").read_bytes()
    with pytest.raises(inkclean.OutputError):
        page.write_flats("out")
    Path("palette.json").write_text('{"sea": "#1A3A80"}', "utf-8")
    made = inkclean.recolour("out/photo.ticket.json")
    assert [change.name for change in made.changes] == ["sea"]
    assert Path("out/photo.flats.png").read_bytes() != before
    # what the ticket keeps is done again
    again = inkclean.Page("photo.jpg").write_flats("out", colour_dpi=200, replace=True)
    assert "sea" in again.flats.colours


def test_what_is_asked_of_a_page_wins_over_its_ticket(desk: Path) -> None:
    inkclean.Page("photo.jpg", dpi=300).write(also=["lines"])
    assert inkclean.Page("photo.jpg").write_flats().flats.ink_dpi == 300
    page = inkclean.Page("photo.jpg", dpi=400)
    with pytest.raises(inkclean.OutputError):
        page.write_flats()
    assert page.write_flats(replace=True).flats.colour_dpi == 400
    for kind in ("ink", "lines", "flats"):
        with Image.open(f"photo.{kind}.png") as picture:
            assert picture.info["dpi"] == pytest.approx((400, 400), abs=0.02)
    assert read_ticket(Path("photo.ticket.json")).settings.dpi == 400


def test_names_of_pencils_are_one_or_several(desk: Path) -> None:
    one, several = (
        inkclean.Page("photo.jpg", drop="blue"),
        inkclean.Page("photo.jpg", drop=["blue"]),
    )
    assert one.settings.drop == several.settings.drop == ("blue",)
    assert np.array_equal(one.ink.coverage, several.ink.coverage)


def test_public_names_are_there_and_no_others() -> None:
    for name in inkclean.__all__:
        assert getattr(inkclean, name) is not None
    assert set(dir(inkclean)) == set(inkclean.__all__)
    with pytest.raises(AttributeError):
        _ = inkclean.Pages
    assert (Path(str(import_module("inkclean").__file__)).parent / "py.typed").exists()


def test_import_takes_no_time() -> None:
    """Under 0.1 s, the interpreter's own start left out: the least of three runs."""
    code = "import time; t = time.perf_counter(); import inkclean; print(time.perf_counter() - t)"
    words = [sys.executable, "-c", code]
    runs = [subprocess.run(words, capture_output=True, check=True) for _ in range(3)]
    assert min(float(run.stdout) for run in runs) < 0.1


def test_lettering_moved_by_hand_goes_to_print(desk: Path) -> None:
    page = inkclean.Page("photo.jpg")
    page.write("out")
    assert not page.lettering.found
    ticket = Path("out/photo.ticket.json")
    body = json.loads(ticket.read_text("utf-8"))
    ring = [[0, 0], [50, 0], [50, 70], [0, 70]]
    body["edits"]["lettering"] = {"moves": [{"to": "text", "points_mm": ring}]}
    ticket.write_text(json.dumps(body), "utf-8")
    printed = inkclean.Page("photo.jpg")
    printed.write_press("out")
    assert printed.lettering.found


def test_print_files_are_written_as_the_command_does(desk: Path) -> None:
    page = inkclean.Page("photo.jpg")
    report = page.write_press("out", screen="75@30,lines", tiff=True)
    assert set(report.outputs) == {"pdf", "tiff1200"}
    made = report.json()
    assert made["screen"]["lpi"] == pytest.approx(75, rel=0.001)
    with pytest.raises(inkclean.OutputError, match="already exists"):
        page.write_press("out", screen="75")
    inks = "blue=#2a5db0,red=#d03030"
    report = page.write_press("out", plates=inks, tiff=True, replace=True)
    assert set(report.outputs) == {"pdf", "plate-blue", "plate-red", "plate-black"}
    assert all(Path(path).exists() for path in report.outputs.values())
    with pytest.raises(inkclean.UsageError, match="--plates"):
        page.write_press("out", plates="blue")
