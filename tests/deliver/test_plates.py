"""Plates: nearest tints, spread under the lines, files of one size, and what is refused."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pikepdf
import pytest
import tifffile
from PIL import Image, ImageCms
from skimage.color import deltaE_ciede2000, rgb2lab

from inkclean.base.arrays import U8
from inkclean.base.colour import decode
from inkclean.base.errors import InputError, UsageError
from inkclean.deliver.pictures.raster import Region, render
from inkclean.deliver.plates.inks import as_srgb, mix, parse_plates, printed
from inkclean.deliver.plates.marks import joined, plate_names, registration_marks
from inkclean.deliver.plates.spaces import lab_d50
from inkclean.deliver.plates.tints import (
    ColourMap,
    colours_of_picture,
    make_plates,
    unlined_mm,
)
from inkclean.deliver.press.files import PressSettings, press_page
from inkclean.deliver.press.trim import Margins
from inkclean.deliver.screens.ruling import Screen
from tests.deliver import drawn
from tests.deliver.press_profile import cmyk_profile
from tests.deliver.screen_spectrum import measured_screen

INKS = parse_plates("blue=#2a5db0,warm red=#d03030,sun=#ffd800")
NONE = Margins(0, 0, 0, 0)


def _two_colours(px_per_mm: float = 24.0) -> ColourMap:
    """Return a sheet of 60 × 80 mm, blue at the left of x = 30 mm, red at its right."""
    index = np.zeros((round(80 * px_per_mm), round(60 * px_per_mm)), np.uint16)
    index[:, : index.shape[1] // 2] = 1
    index[:, index.shape[1] // 2 :] = 2
    palette = np.array([[255, 255, 255], INKS[0].srgb, INKS[1].srgb], np.uint8)
    return ColourMap(index, palette, ("paper", "sea", "roof"))


def test_inks_are_read() -> None:
    assert [(ink.name, ink.colour, ink.file) for ink in INKS] == [
        ("blue", "#2a5db0", "blue"),
        ("warm red", "#d03030", "warm-red"),
        ("sun", "#ffd800", "sun"),
    ]


@pytest.mark.parametrize(
    "text",
    [
        *("", "blue", "blue=2a5db0", "=#2a5db0", "black=#000000", "All=#2a5db0", "x/y=#2a5db0"),
        *("None=#2a5db0", "Cyan=#00aaee", "a b=#2a5db0,a_b=#2a5db1"),
        ",".join(f"i{n}=#10101{n}" for n in range(9)),
    ],
)
def test_inks_that_cannot_be_plates_are_refused(text: str) -> None:
    with pytest.raises(UsageError, match="--plates"):
        parse_plates(text)


def test_solids_paper_and_plain_tints_come_back() -> None:
    colours = np.array([[255, 255, 255], [249, 244, 238], *(ink.srgb for ink in INKS)], np.uint8)
    found = mix(colours, INKS)
    assert np.array_equal(found.tints[:2], np.zeros((2, 3)))
    assert np.array_equal(found.tints[2:], np.eye(3))
    tints = np.array([[0.35, 0, 0], [0, 0.6, 0.2], [0.5, 0, 0.85]])
    again = mix(as_srgb(printed(tints, INKS)), INKS)
    assert again.off.max() < 1.0
    assert np.abs(again.tints - tints).max() < 0.11


def test_tints_are_the_nearest_by_another_librarys_ciede2000() -> None:
    """Every mixture of two inks in steps of 5 %, judged by scikit-image."""
    inks = INKS[:2]
    steps = np.linspace(0, 1, 21)
    grid = np.stack(np.meshgrid(steps, steps, indexing="ij"), -1).reshape(-1, 2)
    lab = rgb2lab(as_srgb(printed(grid, inks))[None])[0]
    colours = np.random.default_rng(4).integers(0, 236, (25, 3)).astype(np.uint8)
    found = mix(colours, inks)
    for colour, tints, off in zip(colours, found.tints, found.off, strict=True):
        wanted = rgb2lab(colour[None, None])[0]
        best = float(deltaE_ciede2000(lab, wanted).min())
        print_lab = rgb2lab(as_srgb(printed(tints, inks))[None, None])[0]
        assert float(deltaE_ciede2000(print_lab, wanted)[0]) <= best + 0.8
        assert off == pytest.approx(best, abs=0.8)


def test_overprints_are_products_of_light() -> None:
    """Demichel's four areas of two inks, summed by hand (Neugebauer)."""
    a, b = 0.3, 0.6
    one, two = (printed(np.array([1.0]), (ink,), 0.0) for ink in INKS[:2])
    by_hand = (1 - a) * (1 - b) + a * (1 - b) * one + (1 - a) * b * two + a * b * one * two
    assert printed(np.array([a, b]), INKS[:2], 0.0) == pytest.approx(by_hand)


def test_lab_of_print_is_that_of_a_colour_engine() -> None:
    """The engine's Lab has the profile connection space's white, D50."""
    colours = np.random.default_rng(2).integers(0, 256, (1, 64, 3)).astype(np.uint8)
    turn = ImageCms.buildTransform(
        ImageCms.createProfile("sRGB"),
        ImageCms.createProfile("LAB", 5000),
        "RGB",
        "LAB",
        ImageCms.Intent.RELATIVE_COLORIMETRIC,
    )
    made = ImageCms.applyTransform(Image.fromarray(colours), turn)
    assert made is not None
    wanted = np.asarray(made).astype(float)
    # 8 bits: 0 to 100 for L, signed bytes for a and b
    wanted[..., 1:] = (wanted[..., 1:] + 128) % 256 - 128
    wanted[..., 0] *= 100 / 255
    assert np.abs(lab_d50(decode(colours / 255.0)) - wanted).max() < 1.2


def test_gain_darkens_a_half_as_it_says() -> None:
    half = printed(np.array([0.5]), INKS[:1], 0.2)
    assert half == pytest.approx(printed(np.array([0.7]), INKS[:1], 0.0))


@pytest.mark.parametrize("spread_mm", [0.1, 0.2, 0.5])
def test_the_lighter_colour_runs_on_under_the_darker_where_no_line_is(spread_mm: float) -> None:
    """Red is the lighter by its L*; spread by the stated length (common practice, no source)."""
    nothing = drawn.curves([[drawn.box(1, 1, 1, 1)]], 60, 80)
    colours = _two_colours()
    mixtures = mix(colours.palette, INKS[:2])
    assert rgb2lab([[INKS[1].srgb / 255]])[0, 0, 0] > rgb2lab([[INKS[0].srgb / 255]])[0, 0, 0]
    blue, red = make_plates(colours, mixtures, INKS[:2], nothing, spread_mm)
    assert np.flatnonzero(red.tints[900]).min() / 24 == pytest.approx(30 - spread_mm, abs=1 / 24)
    assert (red.tints[:, 30 * 24 :] == 255).all()
    assert np.flatnonzero(blue.tints[900]).max() + 1 == 30 * 24  # the darker keeps its shape
    alone, other = make_plates(colours, mixtures, INKS[:2], nothing, 0.0)
    assert not (alone.tints & other.tints).any()


def test_a_line_stops_the_colour_beside_it() -> None:
    """A line of 0.2 mm over the border: a colour that runs 0.5 mm on must not come out of it."""
    sheet = drawn.curves([[drawn.box(29.9, -1, 0.2, 82)]], 60, 80)
    colours = _two_colours()
    blue, red = make_plates(colours, mix(colours.palette, INKS[:2]), INKS[:2], sheet, 0.5)
    assert np.flatnonzero(red.tints[900]).min() / 24 >= 29.9 - 1 / 24
    assert (np.flatnonzero(blue.tints[900]).max() + 1) / 24 <= 30.1 + 1 / 24


def test_the_reach_is_nearly_round_and_paper_is_left_bare() -> None:
    """A dark disc of 8 mm on a light ground, with bare paper beside."""
    y, x = np.mgrid[:1920, :1440] / 24
    index = np.full((1920, 1440), 2, np.uint16)
    index[np.hypot(x - 30, y - 40) < 8] = 1
    index[:, : 5 * 24] = 0
    palette = np.array([[255, 255, 255], INKS[0].srgb, INKS[2].srgb], np.uint8)
    colours, inks = ColourMap(index, palette, ("", "", "")), (INKS[0], INKS[2])
    nothing = drawn.curves([[drawn.box(1, 1, 1, 1)]], 60, 80)
    blue, sun = make_plates(colours, mix(palette, inks), inks, nothing, 1.0)
    bare = (blue.tints > 0) & (sun.tints == 0)
    radius = np.hypot(x - 30, y - 40)[bare]
    assert radius.max() == pytest.approx(7.0, abs=0.1)
    rim = bare & ~np.roll(bare, 1, 1) | bare & ~np.roll(bare, 1, 0)
    assert np.hypot(x - 30, y - 40)[rim].min() > 6.8
    assert not sun.tints[200:, : 5 * 24].any()


@pytest.mark.parametrize("spread_mm", [0.1, 0.2, 0.5])
def test_colours_run_on_under_the_line_so_far(spread_mm: float) -> None:
    """A line of 1.6 mm over the border of two colours."""
    sheet = drawn.curves([[drawn.box(29.2, -1, 1.6, 82)]], 60, 80)
    colours = _two_colours()
    mixtures = mix(colours.palette, INKS[:2])
    blue, red = make_plates(colours, mixtures, INKS[:2], sheet, spread_mm)
    row = blue.tints[900] > 0
    assert (np.flatnonzero(row).max() + 1) / 24 == pytest.approx(29.2 + spread_mm, abs=1 / 24)
    row = red.tints[900] > 0
    assert np.flatnonzero(row).min() / 24 == pytest.approx(30.8 - spread_mm, abs=1 / 24)
    # where no line is, colours are as they were
    assert (blue.tints[:, : 29 * 24] == 255).all() and not blue.tints[:, 31 * 24 :].any()


def test_colours_overlap_under_a_thin_line_and_not_beyond_it() -> None:
    sheet = drawn.curves([[drawn.box(29.85, -1, 0.3, 82)]], 60, 80)
    colours = _two_colours()
    plates = make_plates(colours, mix(colours.palette, INKS[:2]), INKS[:2], sheet, 0.2)
    both = (plates[0].tints[900] > 0) & (plates[1].tints[900] > 0)
    at = np.flatnonzero(both) / 24
    assert len(at) >= 2
    assert at.min() >= 29.85 - 1 / 24 and at.max() <= 30.15


def test_edges_without_a_line_are_measured() -> None:
    colours = _two_colours()
    mixtures = mix(colours.palette, INKS[:2])
    bare = drawn.curves([[drawn.box(5, 5, 2, 2)]], 60, 80)
    assert unlined_mm(colours, mixtures, bare) == pytest.approx(80 * np.pi / 4, rel=0.01)
    lined = drawn.curves([[drawn.box(29.7, -1, 0.6, 82)]], 60, 80)
    assert unlined_mm(colours, mixtures, lined) == 0


def test_colours_of_a_picture_are_kept_or_gathered() -> None:
    few = np.zeros((40, 50, 3), np.uint8)
    few[:20] = (200, 10, 30)
    found = colours_of_picture(few)
    assert np.array_equal(found.palette[found.index], few)
    many = np.random.default_rng(0).integers(0, 256, (200, 200, 3)).astype(np.uint8)
    found = colours_of_picture(many)
    assert len(found.palette) <= 2048
    assert np.abs(found.palette[found.index].astype(int) - many).max() <= 32
    with pytest.raises(InputError, match="CMYK"):
        colours_of_picture(np.zeros((4, 4, 4), np.uint8))


def test_marks_and_names_lie_beside_the_page() -> None:
    marks = registration_marks(Region(0, 0, 60, 80), 3.5)
    names = plate_names(("blue", "warm red"), 2, 84)
    all_of_it = joined((marks, *names))
    ink = render(all_of_it, 1200, region=Region(-7, -7, 74, 94))
    px = 1200 / 25.4
    page = ink[round(7 * px) : round(87 * px), round(7 * px) : round(67 * px)]
    assert not page.any()
    # a ring of 1.5 mm and a cross of 5 mm, 0.09 mm thick, four times
    marks_only = render(marks, 1200, region=Region(-7, -7, 74, 94)).sum() / px**2
    assert marks_only == pytest.approx(4 * (2 * np.pi * 1.5 + 10) * 0.09, rel=0.08)
    assert ink.sum() / px**2 > marks_only + 3


@pytest.mark.parametrize("from_mm", [0.0, 8.0, 20.0, 31.0])
def test_names_leave_room_for_the_mark_between_them(from_mm: float) -> None:
    names = plate_names(("blue", "warm red", "black"), from_mm, 84, 30.0)
    region = Region(0, 80, 100, 10)
    taken = np.flatnonzero(render(joined(names), 300, region=region).any(axis=0)) * 25.4 / 300
    assert (np.abs(taken - 30.0) > 2.5).all()  # half the breadth of a mark
    sides = [(name.cubics[..., 0].min(), name.cubics[..., 0].max()) for name in names]
    assert all(one[1] < two[0] for one, two in pairwise(sides))


def _settings(folder: Path, **more: object) -> PressSettings:
    pixels: U8 = np.full((800, 600, 3), 255, np.uint8)
    pixels[100:400, 50:550] = INKS[0].srgb
    pixels[450:700, 50:550] = as_srgb(printed(np.array([[0.0, 0.5]]), INKS[:2]))[0]
    Image.fromarray(pixels).save(folder / "colours.png")
    return PressSettings(under=folder / "colours.png", plates=INKS[:2], **more)  # type: ignore[arg-type]


def _plates(folder: Path, settings: PressSettings) -> dict[str, Path]:
    kinds = ("pdf", "plate-blue", "plate-warm-red", "plate-black")
    outputs = {kind: folder / f"page.{kind}" for kind in kinds}
    press_page(drawn.page(), settings, outputs, "page", True)
    return outputs


def test_each_plate_is_a_file_of_one_size(tmp_path: Path) -> None:
    paths = _plates(tmp_path, _settings(tmp_path, bleed=NONE))
    grey = {kind: tifffile.imread(paths[kind]) for kind in ("plate-blue", "plate-warm-red")}
    with Image.open(paths["plate-blue"]) as picture:
        assert picture.mode == "L" and picture.info["dpi"] == (600, 600)
    with Image.open(paths["plate-black"]) as picture:
        assert picture.mode == "1"
        lines = ~np.asarray(picture)
    assert {plate.shape for plate in grey.values()} == {lines.shape}
    px = 600 / 25.4
    at = slice(round((7 + 20) * px), round((7 + 21) * px))
    assert (grey["plate-blue"][at, round(12 * px)] == 0).all()
    red = grey["plate-warm-red"][round((7 + 60) * px), round((7 + 50) * px)]
    assert red == pytest.approx(255 * 0.5, abs=13)
    page = lines[round(7 * px) : round(87 * px), round(7 * px) : round(67 * px)]
    drawn_lines = render(drawn.page(), 600)
    height, width = (min(a, b) for a, b in zip(page.shape, drawn_lines.shape, strict=True))
    assert (page[:height, :width] != drawn_lines[:height, :width]).mean() < 0.005
    # marks are on every plate at one place, names each on its own
    top = slice(0, round(6 * px))
    shown = [plate[top] < 128 for plate in (grey["plate-blue"], grey["plate-warm-red"])]
    assert shown[0].any() and np.array_equal(shown[0], shown[1])
    foot = slice(round(88.5 * px), round(93 * px))
    left = slice(0, round(34 * px))
    named = [grey[kind][foot, left] < 128 for kind in ("plate-blue", "plate-warm-red")]
    assert named[0].any() and named[1].any() and not (named[0] & named[1]).any()


def test_the_pdf_names_its_inks_and_overprints(tmp_path: Path) -> None:
    path = _plates(tmp_path, _settings(tmp_path, bleed=NONE))["pdf"]
    with pikepdf.open(path) as document:
        page = document.pages[0]
        spaces = page.Resources.ColorSpace
        assert str(spaces.Ink0[0]) == "/Separation" and str(spaces.Ink0[1]) == "/blue"
        assert str(spaces.Ink1[1]) == "/warm red"
        assert str(spaces.Every[1]) == "/All"
        over = page.Resources.ExtGState.Over
        assert over.OP and over.op and int(over.OPM) == 1
        words = page.Contents.read_bytes()
    assert words.index(b"/Over gs") < words.index(b"/Plate0 Do") < words.index(b"0 0 0 1 k")
    assert b"rg\n" not in words


def test_plates_are_screened_at_angles_of_their_own(tmp_path: Path) -> None:
    settings = _settings(tmp_path, bleed=NONE, screen=Screen(60), scale=2.0)
    paths = _plates(tmp_path, settings)
    with Image.open(paths["plate-warm-red"]) as picture:
        assert picture.mode == "1" and picture.info["dpi"] == (1200, 1200)
        red = ~np.asarray(picture)
    px = 1200 / 25.4
    y, x = round(60 * px), round(20 * px)
    part = red[y : y + 1024, x : x + 1024]
    lpi, angle = measured_screen(part, 1200)
    assert lpi == pytest.approx(60, rel=0.01)
    # blue is darker and has 45°; red stands 30° from it
    assert abs((angle - 75 + 45) % 90 - 45) < 0.5
    with pikepdf.open(paths["pdf"]) as document:
        assert document.pages[0].Resources.XObject.Plate1.ImageMask


def test_what_cannot_be_plates_is_said(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="--under"):
        press_page(drawn.page(), PressSettings(plates=INKS), {"pdf": tmp_path / "x"}, "x", True)
    report = press_page(
        drawn.page(),
        _settings(tmp_path, bleed=NONE),
        {"pdf": tmp_path / "page.pdf"},
        "page",
        True,
    )
    found = {finding.name: finding.verdict for finding in report.check}
    assert found["plate colours"] == "passes" and "register" in found
    assert report.plates is not None
    assert [ink["name"] for ink in report.plates["inks"]] == ["blue", "warm red"]
    green = _settings(tmp_path, bleed=NONE)
    cv2.imwrite(str(tmp_path / "colours.png"), np.full((800, 600, 3), (40, 200, 40), np.uint8))
    report = press_page(drawn.page(), green, {"pdf": tmp_path / "page.pdf"}, "page", True)
    assert {f.name: f.verdict for f in report.check}["plate colours"] == "look"


@pytest.mark.parametrize("by_profile", [True, False])
def test_plates_as_x1a_hold_what_it_allows(tmp_path: Path, by_profile: bool) -> None:
    """CMYK, grey and spot inks alone, those shown by way of these too; Trapped says what was done.

    ISO 15930-4 as restated in the CGATS Application Notes; the alternate spaces from memory.
    """
    profile = None
    if by_profile:
        profile = tmp_path / "press.icc"
        profile.write_bytes(cmyk_profile())
    under = tmp_path / "flats.png"
    pixels = np.full((800, 600, 3), 255, np.uint8)
    pixels[100:700, 60:300], pixels[100:700, 300:540] = INKS[0].srgb, INKS[1].srgb
    Image.fromarray(pixels).save(under)
    settings = PressSettings(
        bleed=NONE,
        under=under,
        plates=INKS[:2],
        standard="x1a",
        intent=None if by_profile else "CGATS TR 001",
        profile=profile,
    )
    path = tmp_path / "page.pdf"
    report = press_page(drawn.page(), settings, {"pdf": path}, "page", False)
    assert any("rough CMYK" in note for note in report.notes) is not by_profile
    with pikepdf.open(path) as document:
        assert document.pdf_version == "1.4"
        assert str(document.docinfo["/GTS_PDFXVersion"]) == "PDF/X-1a:2003"
        assert document.docinfo["/Trapped"] == pikepdf.Name("/True")
        page = document.pages[0]
        for name, space in page.Resources.ColorSpace.items():
            assert space[0] == pikepdf.Name.Separation and space[2] == pikepdf.Name.DeviceCMYK
            if name != "/Every":
                samples = np.frombuffer(space[3].read_bytes(), ">u2").reshape(-1, 4)
                assert not samples[0].any() and samples[-1].sum() > samples[len(samples) // 2].sum()
        names = {str(space[1]) for _, space in page.Resources.ColorSpace.items()}
        assert names == {"/All", "/blue", "/warm red"}
        for _, picture in page.Resources.XObject.items():
            assert picture.ColorSpace[0] == pikepdf.Name.Separation and "/SMask" not in picture
        for _, state in page.Resources.ExtGState.items():
            assert not {"/ca", "/CA", "/SMask", "/BM"} & set(state.keys())
