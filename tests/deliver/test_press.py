"""Print files of a page: boxes, inks, marks, the standard, the report."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pikepdf
import pytest
from PIL import Image

from inkclean.base.errors import InkcleanError, InputError, OutputError, UsageError
from inkclean.base.units import Paper
from inkclean.deliver.pictures.raster import Region, render
from inkclean.deliver.press.files import PressSettings, lay_out_page, press_page
from inkclean.deliver.press.report import PressReport
from inkclean.deliver.press.trim import Margins, parse_trim
from tests.deliver import drawn
from tests.deliver.pdf_reading import box_mm, darkness, every_key, operators
from tests.deliver.press_profile import cmyk_profile

FOUR = Margins(top=2, outer=3, bottom=4, inner=1)


@pytest.fixture
def profile(tmp_path: Path) -> Path:
    path = tmp_path / "press.icc"
    path.write_bytes(cmyk_profile())
    return path


@pytest.fixture
def colour(tmp_path: Path) -> Path:
    """Return a picture of the sheet at 300 px per inch: white, a red field, a dark corner."""
    pixels = np.full((945, 709, 3), 255, np.uint8)
    pixels[200:500, 100:600] = (220, 60, 40)
    pixels[800:, 500:] = (5, 5, 5)
    path = tmp_path / "colour.png"
    Image.fromarray(pixels).save(path)
    return path


def _press(folder: Path, settings: PressSettings, *kinds: str) -> tuple[PressReport, Path]:
    outputs = {kind: folder / f"page.{kind}" for kind in kinds or ("pdf",)}
    report = press_page(drawn.page(), settings, outputs, "Page one", False)
    return report, folder / "page.pdf"


@pytest.mark.parametrize("side", ["recto", "verso"])
@pytest.mark.parametrize("marks", [False, True])
def test_boxes_are_exact_and_lie_within_one_another(tmp_path: Path, side: Any, marks: bool) -> None:
    """Boxes as the CGATS Application Notes ask: trim within bleed within media, no crop box."""
    settings = PressSettings(
        trim=Paper("t", 100, 150), bleed=FOUR, side=side, marks=marks, safe=Margins(5, 5, 5, 5)
    )
    _, path = _press(tmp_path, settings)
    with pikepdf.open(path) as document:
        (page,) = document.pages
        assert "/CropBox" not in page.obj
        assert "/ArtBox" not in page.obj
        media, bleed, trim = (box_mm(page, f"{name}Box") for name in ("Media", "Bleed", "Trim"))
    left = 1 if side == "recto" else 3
    spare = 7 if marks else 0
    assert media == pytest.approx([0, 0, 100 + 4 + 2 * spare, 150 + 6 + 2 * spare], abs=1e-4)
    assert bleed == pytest.approx([spare, spare, spare + 104, spare + 156], abs=1e-4)
    trimmed = [spare + left, spare + 4, spare + left + 100, spare + 4 + 150]
    assert trim == pytest.approx(trimmed, abs=1e-4)


def test_marks_only_when_asked_for_and_clear_of_the_bleed(tmp_path: Path) -> None:
    settings = PressSettings(trim=Paper("t", 100, 150), bleed=FOUR, fit="safe")
    _, path = _press(tmp_path, settings)
    with pikepdf.open(path) as document:
        assert not {"S", "SCN", "CS"} & {name for name, _ in operators(document.pages[0])}
    marked = tmp_path / "marked"
    marked.mkdir()
    _, path = _press(marked, replace(settings, marks=True))
    with pikepdf.open(path) as document:
        page = document.pages[0]
        assert [name for name, _ in operators(page)].count("S") == 8
        space = page.obj.Resources.ColorSpace.Every
        assert space[0] == "/Separation"
        assert space[1] == "/All", "marks print on every plate"
    cover = darkness(path, 10) > 0.3
    inside = np.zeros_like(cover)
    inside[70:-70, 70:-70] = True  # the bleed lies 7 mm from the page's edge
    ticks = cover & ~inside
    # on the trim's lines, and nowhere else
    height, width = cover.shape
    rows, columns = np.flatnonzero(ticks[:, :60].any(1)), np.flatnonzero(ticks[:60].any(0))
    for found, wanted in ((rows, (70 + 20, height - 70 - 40)), (columns, (80, width - 70 - 30))):
        assert np.abs(found[:, None] + 0.5 - np.array(wanted)).min(1).max() <= 1.5
    ring = np.zeros_like(cover)
    ring[61:-61, 61:-61] = True
    assert not (cover & ring & ~inside).any(), "marks keep off the bleed"


def test_the_art_lies_where_it_was_placed_and_ends_at_the_bleed(tmp_path: Path) -> None:
    settings = PressSettings(trim=Paper("t", 60, 60), bleed=FOUR, scale=1.5)
    _, path = _press(tmp_path, settings)
    cover = darkness(path, 10)
    art = lay_out_page(drawn.page(), settings).art
    ink = render(art.lines, 254, region=Region(-1, -2, 64, 66))
    assert cover.shape == ink.shape
    assert not (ink & (cover < 0.2)).any()
    assert not (~ink & (cover > 0.8)).any()
    marked = tmp_path / "marked"
    marked.mkdir()
    _, path = _press(marked, replace(settings, marks=True))
    cover = darkness(path, 10)
    # the sheet is larger than the page; all that lies beyond the bleed is cut away
    assert not cover[61:70, 61:-61].any()
    assert cover[70:-70, 70:-70].sum() == pytest.approx(ink.sum(), rel=0.01)


def test_tiff_is_the_bled_page_from_the_curves(tmp_path: Path) -> None:
    settings = PressSettings(trim=parse_trim("A6"), bleed=FOUR, fit="trim")
    _, path = _press(tmp_path, settings, "pdf", "tiff600")
    pixels = cv2.imread(str(path.with_name("page.tiff600")), cv2.IMREAD_GRAYSCALE)
    assert pixels is not None
    assert pixels.shape == (round(154 / 25.4 * 600), round(109 / 25.4 * 600))
    cover = darkness(tmp_path / "page.pdf", 10)
    small = cv2.resize(255 - pixels, cover.shape[::-1], interpolation=cv2.INTER_AREA) / 255
    assert np.abs(small - cover).mean() < 0.004


def test_lines_alone_use_no_ink_but_black(tmp_path: Path) -> None:
    _, path = _press(tmp_path, PressSettings(trim=parse_trim("A6")))
    with pikepdf.open(path) as document:
        steps = operators(document.pages[0])
    assert {name for name, _ in steps} <= {"q", "Q", "re", "W", "n", "k", "m", "c", "l", "h", "f"}
    assert [values for name, values in steps if name == "k"] == [[0, 0, 0, 1]]


def test_black_overprints_colour_in_the_presss_inks(
    tmp_path: Path, profile: Path, colour: Path
) -> None:
    settings = PressSettings(under=colour, profile=profile, fit="bleed")
    report, path = _press(tmp_path, settings)
    with pikepdf.open(path) as document:
        page = document.pages[0]
        picture = page.obj.Resources.XObject.Colour
        assert picture.ColorSpace == "/DeviceCMYK"
        assert (int(picture.Width), int(picture.Height)) == (709, 945)
        over = page.obj.Resources.ExtGState.Over
        assert bool(over.OP) and bool(over.op) and int(over.OPM) == 1
        names = [name for name, _ in operators(page)]
        assert names.index("Do") < names.index("gs") < names.index("k") < names.index("f")
        inks = np.frombuffer(picture.read_bytes(), np.uint8).reshape(945, 709, 4)
    assert not inks[:100].any(), "white is bare paper"
    assert inks[300, 300, 1] > inks[300, 300, 0] + 60, "red is magenta and yellow"
    assert any("overprinting" in note for note in report.notes)


def test_without_a_profile_colour_stays_rgb_and_says_so(tmp_path: Path, colour: Path) -> None:
    report, path = _press(tmp_path, PressSettings(under=colour, fit="bleed"))
    assert any("stay RGB" in note and "the printer's profile" in note for note in report.notes)
    with pikepdf.open(path) as document:
        space = document.pages[0].obj.Resources.XObject.Colour.ColorSpace
        assert space[0] == "/ICCBased"
        assert int(space[1].N) == 3


def test_colour_lies_under_the_lines_to_the_pixel(tmp_path: Path) -> None:
    """A picture of a field round the drawing's disc comes out around it."""
    pixels = np.full((960, 720, 3), 255, np.uint8)
    y, x = np.mgrid[:960, :720] / 12 + 0.5 / 12
    disc = np.hypot(x - 60 * 0.33, y - 80 * 0.68) < 6.5
    pixels[disc] = (255, 255, 0)
    path = tmp_path / "field.png"
    Image.fromarray(pixels).save(path)
    settings = PressSettings(under=path, bleed=Margins(0, 0, 0, 0))
    _, made = _press(tmp_path, settings)
    import pypdfium2

    document = pypdfium2.PdfDocument(made)
    shown = np.asarray(document[0].render(scale=25.4 * 12 / 72 * (1 - 1e-6)).to_numpy())
    document.close()
    yellow = (shown[..., 0] < 120) & (shown[..., 2] > 200)  # blue, green, red
    ink = render(drawn.page(), 12 * 25.4)
    wanted = disc & ~ink
    assert (yellow & wanted).sum() / (yellow | wanted).sum() > 0.98


def test_x1a_says_what_the_standard_asks_for(tmp_path: Path, profile: Path, colour: Path) -> None:
    """PDF/X-1a:2003 (ISO 15930-4): keys and values."""
    settings = PressSettings(standard="x1a", profile=profile, under=colour, marks=True, fit="bleed")
    _, path = _press(tmp_path, settings)
    assert path.read_bytes()[:8] == b"%PDF-1.4"
    with pikepdf.open(path) as document:
        assert not document.is_encrypted
        assert str(document.docinfo["/GTS_PDFXVersion"]) == "PDF/X-1a:2003"
        assert document.docinfo["/Trapped"] == pikepdf.Name("/False")
        for key in ("/Title", "/CreationDate", "/ModDate", "/Creator", "/Producer"):
            assert str(document.docinfo[key])
        assert len(document.trailer.ID) == 2
        (intent,) = document.Root.OutputIntents
        assert intent.S == "/GTS_PDFX"
        assert str(intent.OutputConditionIdentifier) == "Test press"
        assert str(intent.Info) == "Test press"
        assert int(intent.DestOutputProfile.N) == 4
        assert intent.DestOutputProfile.read_bytes() == profile.read_bytes()
        # transparency, embedded files, scripts, and colours of a screen
        forbidden = {"/SMask", "/ca", "/CA", "/BM", "/Group", "/JS", "/AA", "/EF", "/ICCBased"}
        assert not forbidden & every_key(document)
        assert "/Annots" not in document.pages[0].obj
        spaces = {
            str(item.ColorSpace)
            for item in document.objects
            if isinstance(item, pikepdf.Stream) and "/Subtype" in item and "/ColorSpace" in item
        }
        assert spaces == {"/DeviceCMYK"}
    assert not {name for name, _ in _steps(path)} & {"rg", "RG", "g", "G", "sh"}


def test_x1a_read_by_a_second_library(tmp_path: Path, profile: Path, colour: Path) -> None:
    """The same declarations, boxes and colours as pypdf reads them, which shares no code with
    the library that wrote them; keys and values of ISO 15930-4."""
    pypdf = pytest.importorskip("pypdf")
    settings = PressSettings(
        *(parse_trim("comic"), FOUR), standard="x1a", profile=profile, under=colour, fit="bleed"
    )
    _, path = _press(tmp_path, settings)
    reader = pypdf.PdfReader(path, strict=True)
    assert reader.pdf_header == "%PDF-1.4"
    assert not reader.is_encrypted
    info = reader.trailer["/Info"].get_object()
    assert info["/GTS_PDFXVersion"] == "PDF/X-1a:2003"
    assert info["/Trapped"] == "/False"
    assert isinstance(info["/Trapped"], pypdf.generic.NameObject)
    assert reader.metadata.creation_date and reader.metadata.modification_date
    assert len(reader.trailer["/ID"]) == 2
    (intent,) = reader.root_object["/OutputIntents"]
    intent = intent.get_object()
    assert (intent["/Type"], intent["/S"]) == ("/OutputIntent", "/GTS_PDFX")
    assert intent["/OutputConditionIdentifier"] == intent["/Info"] == "Test press"
    assert intent["/DestOutputProfile"].get_object().get_data() == profile.read_bytes()
    (page,) = reader.pages
    mm = {
        name: [float(side) * 25.4 / 72 for side in page[f"/{name}Box"]]
        for name in ("Media", "Bleed", "Trim")
    }
    assert mm["Bleed"] == pytest.approx(mm["Media"], abs=1e-3)
    assert mm["Trim"] == pytest.approx([1, 4, 169.275, 264.35], abs=1e-3)
    assert not {"/CropBox", "/ArtBox", "/Annots", "/Group"} & set(page)
    picture = page["/Resources"]["/XObject"]["/Colour"].get_object()
    assert picture["/ColorSpace"] == "/DeviceCMYK"
    assert len(picture.get_data()) == 4 * int(picture["/Width"]) * int(picture["/Height"])
    painted = {name for _, name in page.get_contents().operations}
    assert {b"k", b"f", b"Do"} <= painted
    assert not {b"rg", b"RG", b"g", b"G", b"sh", b"BI", b"INLINE IMAGE"} & painted


def _steps(path: Path) -> list[tuple[str, list[float]]]:
    with pikepdf.open(path) as document:
        return operators(document.pages[0])


def test_x1a_by_a_registered_name(tmp_path: Path) -> None:
    _, path = _press(tmp_path, PressSettings(standard="x1a", intent="CGATS TR 001"))
    with pikepdf.open(path) as document:
        (intent,) = document.Root.OutputIntents
        assert str(intent.OutputConditionIdentifier) == "CGATS TR 001"
        assert str(intent.RegistryName) == "http://www.color.org"
        assert "/DestOutputProfile" not in intent


def test_x1a_that_cannot_be_says_all_that_stops_it(tmp_path: Path, colour: Path) -> None:
    with pytest.raises(UsageError) as refused:
        _press(tmp_path, PressSettings(standard="x1a", under=colour))
    said = str(refused.value)
    assert "PDF/X-1a:2003 cannot be written" in said
    assert "colour is RGB" in said
    assert "--intent" in said
    assert "\n" not in said
    assert not (tmp_path / "page.pdf").exists()


def test_x1a_refuses_a_profile_that_pdf_1_4_does_not_know(tmp_path: Path) -> None:
    path = tmp_path / "four.icc"
    path.write_bytes(cmyk_profile(version=4))
    with pytest.raises(UsageError, match="version 4"):
        _press(tmp_path, PressSettings(standard="x1a", profile=path))


def test_the_report_has_verdicts_cures_and_defers_to_the_printer(tmp_path: Path) -> None:
    report, _ = _press(tmp_path, PressSettings(scale=0.4, safe=Margins(1, 1, 1, 1)))
    assert report.verdict == "fails"
    thin = report.check[0]
    assert (thin.name, thin.verdict) == ("thinnest line", "fails")
    assert "0.06" in thin.measured
    assert thin.cure
    assert "the specification of your printer decides" in report.notes[-1]
    assert report.scale == 0.4
    assert set(report.bleed) == {"top", "outer", "bottom", "inner"}


def test_what_is_cut_away_is_said() -> None:
    notes = lay_out_page(drawn.page(), PressSettings(trim=Paper("t", 60, 60), fit="bleed")).notes
    # 66 of 88 mm are left: the sheet is scaled to 66 mm across
    assert notes[0] == "cut away beyond the bleed: 11 mm at the top, 11 mm at the bottom"
    assert "cut away" not in lay_out_page(drawn.page(), PressSettings()).notes[0]


def test_what_is_cut_away_without_ink_is_said_to_be_bare() -> None:
    none = Margins(0, 0, 0, 0)
    prepared = lay_out_page(drawn.page(), PressSettings(bleed=none, safe=none, fit="safe"))
    # the ink fills the page; the sheet's rim lies around it
    points = prepared.art.lines.cubics.reshape(-1, 2)
    assert (points >= -1e-6).all()
    assert (points <= np.array([60, 80]) + 1e-6).all()
    assert prepared.notes[0].startswith("bare paper cut away beyond the bleed")


def test_colour_that_ends_at_the_trim_fails(tmp_path: Path) -> None:
    path = tmp_path / "red.png"
    Image.fromarray(np.full((960, 720, 3), (200, 0, 0), np.uint8)).save(path)
    for fit, verdict in ((None, "fails"), ("bleed", "passes")):
        prepared = lay_out_page(drawn.page(), PressSettings(under=path, fit=fit))  # type: ignore[arg-type]
        found = {f.name: f.verdict for f in prepared.findings}
        assert found["colour bleed"] == verdict
        assert found["colour resolution"] == ("passes" if fit is None else "look")


def test_what_cannot_be_is_refused_in_one_line(tmp_path: Path, profile: Path) -> None:
    square = tmp_path / "square.png"
    Image.new("RGB", (300, 300)).save(square)
    cases: list[tuple[PressSettings, type[InkcleanError], str]] = [
        (PressSettings(fit="trim", scale=2), UsageError, "cannot be used together"),
        (PressSettings(under=square), InputError, "different proportions"),
        (PressSettings(under=tmp_path / "none.png"), InputError, "does not exist"),
        (PressSettings(under=profile), InputError, "not a readable picture"),
        (PressSettings(profile=square), InputError, "not an ICC profile"),
        (PressSettings(trim=Paper("t", 100, 100), safe=Margins(50, 0, 50, 0)), UsageError, "safe"),
    ]
    for settings, kind, said in cases:
        with pytest.raises(kind, match=said) as refused:
            _press(tmp_path, settings)
        assert "\n" not in str(refused.value)
    assert not list(tmp_path.glob("*.pdf"))


def test_results_are_not_written_over(tmp_path: Path) -> None:
    _press(tmp_path, PressSettings())
    before = (tmp_path / "page.pdf").read_bytes()
    with pytest.raises(OutputError, match="--replace"):
        _press(tmp_path, PressSettings(scale=0.5))
    assert (tmp_path / "page.pdf").read_bytes() == before
    press_page(drawn.page(), PressSettings(scale=0.5), {"pdf": tmp_path / "page.pdf"}, "x", True)
    assert (tmp_path / "page.pdf").read_bytes() != before
