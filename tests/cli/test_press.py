"""The command press: what it writes, what it says, and how it refuses."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pikepdf
import pytest
from click.testing import CliRunner, Result
from PIL import Image

import inkclean.jobs.press_pages
from inkclean.cli.main import main
from inkclean.cli.press import press
from inkclean.deliver.pictures.raster import render
from inkclean.jobs.inputs import is_result_name
from inkclean.jobs.press_pages import PressOrder
from tests.deliver import drawn
from tests.deliver.pdf_reading import box_mm
from tests.deliver.press_profile import cmyk_profile


@pytest.fixture
def photo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a photo's path; what it is cleaned to is the drawn page."""

    def pages(path: Path, *rest: Any) -> Iterator[tuple[str, SimpleNamespace, tuple[str, ...]]]:
        yield path.stem, SimpleNamespace(curves=drawn.page(), lettering=None), ()

    monkeypatch.setattr(inkclean.jobs.press_pages, "pages_of", pages)
    return tmp_path / "lantern.jpg"


def _run(*words: object) -> Result:
    result = CliRunner().invoke(main, ["press", *map(str, words)])
    assert result.exception is None or isinstance(result.exception, SystemExit)
    return result


def test_a_page_leaves_its_press_pdf(photo: Path) -> None:
    result = _run(photo, "--trim", "digest", "--bleed", "0.125in", "--fit", "safe")
    assert result.exit_code == 0
    with pikepdf.open(photo.with_name("lantern.press.pdf")) as document:
        trim, bleed = (box_mm(document.pages[0], f"{name}Box") for name in ("Trim", "Bleed"))
    assert trim[2] - trim[0] == pytest.approx(152.4, abs=1e-3)
    assert bleed[2] - bleed[0] == pytest.approx(158.75, abs=1e-3)
    assert "passes    thinnest line" in result.stdout
    assert "the specification of your printer decides" in result.stdout
    assert "lantern.press.pdf" in result.stdout


def test_json_is_one_object_a_page_with_stable_keys(photo: Path, tmp_path: Path) -> None:
    result = _run(photo, "--json", "--also", "tiff", "--dpi", "1200", "-o", tmp_path / "out")
    report = json.loads(result.stdout)
    keys = ["input", "outputs", "trim", "bleed", "scale", "verdict", "check", "notes"]
    assert list(report) == keys
    assert set(report["outputs"]) == {"pdf", "tiff1200"}
    for path in report["outputs"].values():
        assert Path(path).parent == tmp_path / "out"
    with Image.open(report["outputs"]["tiff1200"]) as picture:
        assert picture.info["dpi"] == (1200, 1200)
    assert {"what", "verdict", "measured", "cure"} == set(report["check"][0])


def test_a_screen_of_a_grey_picture(photo: Path, tmp_path: Path) -> None:
    under = tmp_path / "grey.png"
    Image.new("L", (600, 800), 178).save(under)
    words = (photo, "--screen", "65@30,lines", "--under", under, "--also", "tiff", "--json")
    result = _run(*words)
    assert result.exit_code == 0, result.output
    report = json.loads(result.stdout)
    assert set(report["outputs"]) == {"pdf", "tiff1200"}
    assert report["screen"]["shape"] == "lines" and report["screen"]["dpi"] == 1200
    with Image.open(report["outputs"]["tiff1200"]) as picture:
        assert picture.mode == "1" and picture.info["dpi"] == (1200, 1200)


def test_plates_of_the_pages_own_areas(tmp_path: Path) -> None:
    """A scan's areas are found and coloured by themselves, and their colours put on plates."""
    inks = "sea blue=#2a5db0,red=#d03030"
    scan = _scan(tmp_path)
    words = ("--plates", inks, "--also", "tiff", "--json", "--paper", "60x80mm")
    result = _run(scan, *words, "-o", tmp_path / "out")
    assert result.exit_code == 0, result.output
    report = json.loads(result.stdout)
    assert set(report["outputs"]) == {"pdf", "plate-sea-blue", "plate-red", "plate-black"}
    sizes = set()
    for path in report["outputs"].values():
        assert Path(path).exists()
        if path.endswith(".tiff"):
            with Image.open(path) as picture:
                sizes.add(picture.size)
    assert len(sizes) == 1
    assert [ink["name"] for ink in report["plates"]["inks"]] == ["sea blue", "red"]
    assert all(set(row["tints"]) == {"sea blue", "red"} for row in report["plates"]["colours"])
    # plates are no photos: a folder with them is cleaned without them
    assert is_result_name("lantern.plate-sea-blue.tiff", ())
    again = _run(scan, *words, "-o", tmp_path / "out")
    assert again.exit_code == 3 and "--replace" in again.stderr


def test_a_screen_of_what_is_on_the_paper(tmp_path: Path) -> None:
    """A wash is screened as dark as it is, dark ones too; bare paper stays bare, lines solid."""
    ink = render(drawn.page(), 300)
    sheet = np.full(ink.shape, 250, np.uint8)
    sheet[100:250, 500:640] = 205
    sheet[420:520, 380:600] = 110
    sheet[ink] = 15
    cv2.line(sheet, (400, 500), (580, 500), 15, 8)
    Image.fromarray(sheet).save(tmp_path / "wash.png", dpi=(300, 300))
    words = ("--paper", "60x80mm", "--screen", "60", "--bleed", "0", "--also", "tiff", "--json")
    result = _run(tmp_path / "wash.png", *words, "-o", tmp_path / "out")
    assert result.exit_code == 0, result.output
    with Image.open(json.loads(result.stdout)["outputs"]["tiff1200"]) as picture:
        printed = ~np.asarray(picture)
    assert printed[440:960, 2040:2520].mean() == pytest.approx(1 - 205 / 250, abs=0.02)
    assert printed[1720:1940, 1560:2360].mean() == pytest.approx(1 - 110 / 250, abs=0.03)
    assert printed[1992:2008, 1660:2280].all()
    assert not printed[1200:1500, 260:400].any()
    assert "a wash: screened" in result.stdout


def test_a_poster_leaves_tiles(photo: Path) -> None:
    result = _run(photo, "--poster", "A2", "--on", "A4", "--overlap", "12mm", "--margin", "6mm")
    assert result.exit_code == 0
    with pikepdf.open(photo.with_name("lantern.tiles.pdf")) as document:
        assert f"on {len(document.pages) - 1} sheets" in result.stdout
    assert not photo.with_name("lantern.press.pdf").exists()


def test_the_standard_with_a_profile(photo: Path, tmp_path: Path) -> None:
    profile = tmp_path / "press.icc"
    profile.write_bytes(cmyk_profile())
    result = _run(photo, "--standard", "x1a", "--profile", profile, "--quiet")
    assert result.exit_code == 0
    assert result.stdout == ""
    with pikepdf.open(photo.with_name("lantern.press.pdf")) as document:
        assert str(document.docinfo["/GTS_PDFXVersion"]) == "PDF/X-1a:2003"


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("--standard", "x1a"), 2, "PDF/X-1a:2003 cannot be written"),
        (("--trim", "quarto"), 2, "is not a trim size"),
        (("--bleed", "1,2"), 2, "--bleed '1,2' is not understood"),
        (("--safe", "much"), 2, "not a length"),
        (("--scale", "0"), 2, "--scale '0' is not a size"),
        (("--scale", "50%", "--fit", "trim"), 2, "cannot be used together"),
        (("--also", "svg"), 2, "press can add: tiff"),
        (("--poster", "A1", "--trim", "A4"), 2, "leave out --trim"),
        (("--poster", "A1", "--marks", "--also", "tiff"), 2, "leave out --marks, --also"),
        (("--on", "A3"), 2, "--on has no effect without --poster"),
        (("--overlap", "12mm"), 2, "--overlap has no effect without --poster"),
        (("--margin", "5mm"), 2, "--margin has no effect without --poster"),
        (("--dpi", "1200"), 2, "--dpi has no effect without --also or --screen"),
        (("--screen", "sixty"), 2, "--screen 'sixty' is not understood"),
        (("--screen", "150", "--dpi", "600"), 2, "1200 or 2400 dpi, not 600"),
        (("--screen", "60", "--grey", "tone"), 2, "choose from wash, pencil"),
        (("--screen", "60", "--least-dot", "big"), 2, "--least-dot 'big' is not understood"),
        (("--screen", "60", "--gain", "50%"), 2, "between 0% and 40%"),
        (("--screen", "60", "--poster", "A1"), 2, "leave out --screen"),
        (("--screen", "60", "--ink-limit", "300", "--under", "x.png"), 2, "leave out --ink-limit"),
        (("--plates", "blue"), 2, "--plates 'blue' is not understood"),
        (("--plates", "black=#000000"), 2, "'black' means something else"),
        (("--plates", "blue=#2a5db0", "--grey", "wash", "--screen", "60"), 2, "leave out --grey"),
        (("--plates", "blue=#2a5db0", "--poster", "A1"), 2, "leave out --plates"),
        (("--plates", "blue=#2a5db0", "--standard", "x1a"), 2, "PDF/X-1a:2003 cannot be written"),
        (("--plates", "blue=#2a5db0", "--spread", "9mm"), 2, "between 0 and 2 mm"),
        (("--plates", "blue=#2a5db0", "--under", "none.png"), 3, "does not exist"),
        (("--spread", "0.2mm"), 2, "--spread has no effect without --plates"),
        (("--grey", "wash"), 2, "--grey has no effect without --screen"),
        (("--shade", "315"), 2, "--shade has no effect without --screen"),
        (("--intent", "FOGRA39"), 2, "--intent has no effect without --standard"),
        (("--ink-limit", "300"), 2, "--ink-limit has no effect without --under"),
        (("--poster", "A1", "--on", "A6"), 2, "too small"),
        (("--poster", "wall"), 2, "is not a trim size"),
        (("--profile", "nowhere.icc"), 2, "--profile has no effect without --standard or --under"),
        (("--standard", "x1a", "--profile", "nowhere.icc"), 3, "is not an ICC profile"),
        (("--under", "nowhere.png"), 3, "does not exist"),
        (("--dpi", "300"), 2, "is not one of"),
        (("--thinnest", "thin"), 2, "not a length"),
    ],
)
def test_refusals_are_one_line_and_leave_nothing(
    photo: Path, words: tuple[str, ...], code: int, said: str
) -> None:
    result = _run(photo, *words)
    assert result.exit_code == code
    assert said in result.stderr
    assert "Traceback" not in result.output
    assert not list(photo.parent.glob("lantern.*"))


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("--under", "none.png"), 3),
        (("--standard", "x1a", "--profile", "none.icc"), 3),
        (("--standard", "x1a"), 2),
    ],
)
def test_what_no_page_can_be_printed_with_is_told_before_any_is_cleaned(
    photo: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], code: int
) -> None:
    reached: list[Path] = []

    def pages(path: Path, *rest: Any) -> list[tuple[str, SimpleNamespace]]:
        reached.append(path)
        return []

    monkeypatch.setattr(inkclean.jobs.press_pages, "pages_of", pages)
    assert _run(photo, *words).exit_code == code
    assert not reached
    assert _run(photo).exit_code == 0
    assert len(reached) == 1


def test_results_stay_unless_replaced(photo: Path) -> None:
    assert _run(photo).exit_code == 0
    again = _run(photo)
    assert again.exit_code == 3
    assert "--replace" in again.stderr
    assert _run(photo, "--replace").exit_code == 0


def test_colour_belongs_to_one_page(photo: Path) -> None:
    result = _run(photo, photo.with_name("other.jpg"), "--under", "x.png")
    assert result.exit_code == 2
    assert "one page" in result.stderr


def test_colour_is_not_laid_under_every_page_of_a_file(tmp_path: Path) -> None:
    colour = tmp_path / "colour.png"
    Image.new("RGB", (40, 60), "teal").save(colour)
    pages = Path(__file__).parents[2] / "fixtures/two_pages.pdf"
    result = _run(pages, "--under", colour, "-o", tmp_path)
    assert result.exit_code == 2
    assert "holds several" in result.stderr
    assert sorted(p.name for p in tmp_path.iterdir()) == ["colour.png"]


def test_help_names_every_option_and_stays_light() -> None:
    said = _run("--help").stdout
    for option in press.params:
        for name in option.opts:
            if name.startswith("-"):
                assert name in said
    code = (
        "import sys, inkclean.cli.press\n"
        "print([m for m in ('numpy', 'cv2', 'PIL', 'pikepdf', 'reportlab') if m in sys.modules])"
    )
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "[]"


def test_outputs_follow_what_is_asked_for() -> None:
    from inkclean.deliver.press.files import PressSettings

    order = PressOrder(PressSettings(), tiff_dpi=800)
    assert order.outputs(Path("d"), "n") == {
        "pdf": Path("d/n.press.pdf"),
        "tiff800": Path("d/n.press.tiff"),
    }


def _scan(folder: Path) -> Path:
    """Write the drawn page as a scan of 300 px per inch."""
    ink = render(drawn.page(), 300)
    path = folder / "lantern.png"
    Image.fromarray(np.where(ink, 15, 250).astype(np.uint8)).save(path, dpi=(300, 300))
    return path


def test_a_ticket_leads_from_the_photo_to_the_press(tmp_path: Path) -> None:
    scan = _scan(tmp_path)
    cleaned = CliRunner().invoke(main, ["clean", str(scan), "--frame", "whole", "--quiet"])
    assert cleaned.exit_code == 0, cleaned.output
    ticket = tmp_path / "lantern.ticket.json"
    result = _run(ticket, "--json", "--bleed", "0", "--also", "tiff")
    assert result.exit_code == 0, result.output
    report = json.loads(result.stdout)
    assert report["trim"] == pytest.approx({"width_mm": 60, "height_mm": 80}, abs=0.1)
    with Image.open(report["outputs"]["tiff600"]) as picture:
        printed = ~np.asarray(picture)
    drawn_ink = render(drawn.page(), 600)
    height, width = (min(a, b) for a, b in zip(printed.shape, drawn_ink.shape, strict=True))
    wrong = printed[:height, :width] != drawn_ink[:height, :width]
    assert wrong.mean() < 0.01
    # a folder stands for its tickets
    folder = _run(tmp_path, "--poster", "A4", "--on", "A5", "--quiet")
    assert folder.exit_code == 0, folder.output
    assert (tmp_path / "lantern.tiles.pdf").exists()
    # a ticket whose photo is another by now, or gone, is refused
    Image.new("L", (300, 300), 255).save(scan)
    changed = _run(ticket, "--replace")
    assert changed.exit_code == 3
    assert "has changed" in changed.stderr
    scan.unlink()
    gone = _run(ticket, "--replace")
    assert gone.exit_code == 3
    assert "needs its photo lantern.png" in gone.stderr
