"""Screens: ruling and angle by their spectrum, tones by counting, joins, and what is refused."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pikepdf
import pytest
from PIL import Image

from inkclean.base.arrays import U8
from inkclean.base.errors import InkcleanError, InputError, UsageError
from inkclean.deliver.pictures.raster import Region, render
from inkclean.deliver.press.files import PressSettings, press_page
from inkclean.deliver.press.trim import Margins
from inkclean.deliver.screens.bands import screened_bands
from inkclean.deliver.screens.ruling import Screen, check_ruling, dpi_for, parse_screen
from inkclean.deliver.screens.threshold import FULL, make_supercell
from inkclean.deliver.screens.tones import (
    Tones,
    grey_of,
    held,
    is_one_bit,
    layered_tones,
    wash_grey,
)
from tests.deliver import drawn
from tests.deliver.screen_spectrum import measured_screen

SCREENS = [("60", 1200), ("65@15", 1200), ("85@22.5", 1200), ("100@75", 2400), ("133@0", 2400)]
SCREENS += [("150@45", 2400), ("150@-15", 2400), ("110@108.4", 2400)]
NO_BLEED = Margins(0, 0, 0, 0)


@pytest.mark.parametrize(("asked", "dpi"), SCREENS)
def test_ruling_and_angle_are_those_asked_for(asked: str, dpi: int) -> None:
    screen = parse_screen(asked)
    cell = make_supercell(screen, dpi)
    assert cell.lpi(dpi) == pytest.approx(screen.lpi, rel=0.001)
    lpi, angle = measured_screen(cell.thresholds(0, 2048, 0, 2048) < 0.2 * FULL, dpi)
    assert lpi == pytest.approx(screen.lpi, rel=0.002)
    # dots stand in rows that cross: either may be the stronger
    off = (angle - screen.angle + 45) % 90 - 45
    assert abs(off) < 0.05


@pytest.mark.parametrize("angle", [0, 15, 30, 75, 90, 135, -45])
def test_lines_run_at_their_angle(angle: float) -> None:
    screen = Screen(80, angle, "lines")
    pattern = make_supercell(screen, 1200).thresholds(0, 2048, 0, 2048) < 0.4 * FULL
    lpi, wave = measured_screen(pattern, 1200)
    assert lpi == pytest.approx(80, rel=0.002)
    # a wave runs across its lines
    assert abs((wave + 90 - angle + 90) % 180 - 90) < 0.05


@pytest.mark.parametrize("asked", ["60@45", "65@15", "50@30,lines", "75"])
def test_every_tone_is_printed_as_it_was_asked(asked: str) -> None:
    """To one pixel of the supercell, where the aim is 1 %."""
    screen = parse_screen(asked)
    cell = make_supercell(screen, 1200)
    height, length = cell.brick.shape
    whole = cell.thresholds(0, height, 0, length)
    asked_for = np.linspace(0, 1, 101)
    made = [float((np.rint(t * FULL) > whole).mean()) for t in asked_for]
    assert np.abs(np.array(made) - asked_for).max() <= 1 / whole.size + 1 / FULL
    assert made[0] == 0 and made[-1] == 1
    # and on a part of the page that is no whole supercell
    part = cell.thresholds(37, 1237, 11, 1211)
    parts = [float((np.rint(t * FULL) > part).mean()) for t in asked_for]
    assert np.abs(np.array(parts) - asked_for).max() < 0.01


@pytest.mark.parametrize("asked", ["60", "133@15", "100@75,lines"])
def test_a_supercell_repeats_along_its_own_side(asked: str) -> None:
    """Moved by the side of the square the pattern lies on itself: no join anywhere."""
    cell = make_supercell(parse_screen(asked), 2400)
    across, down = cell.across, cell.down
    pattern = cell.thresholds(0, 1800, 0, 1800)
    y, x = max(0, -down), max(0, -across)
    here = pattern[y : y + 600, x : x + 600]
    there = pattern[y + down : y + down + 600, x + across : x + across + 600]
    assert np.array_equal(here, there)


@pytest.mark.parametrize("asked", ["60", "65@15", "85@22.5"])
def test_even_tones_show_no_pattern_coarser_than_the_screen(asked: str) -> None:
    """Seen through a window of a few dots, an even tone is even: no moiré of its own."""
    screen = parse_screen(asked)
    cell = make_supercell(screen, 1200)
    thresholds = cell.thresholds(0, 2000, 0, 2000)
    for tone in (0.1, 0.35, 0.5, 0.8):
        ink = (thresholds < tone * FULL).astype(np.float32)
        seen = cv2.GaussianBlur(ink, (0, 0), 1.5 * 1200 / screen.lpi)[150:-150, 150:-150]
        assert np.abs(seen - tone).max() < 0.005


def _ramp() -> Tones:
    across, down = np.meshgrid(np.linspace(0, 1, 300), np.linspace(0.2, 1, 200))
    return Tones((across * down * FULL).astype(np.uint16), Region(2, 3, 60, 40))


def test_bands_and_tiles_join_without_a_trace() -> None:
    tones, cell = _ramp(), make_supercell(Screen(60), 1200)
    page = Region(0, 0, 100, 50)
    one = np.concatenate(list(screened_bands(tones, cell, 1200, page, rows=5000)))
    many = np.concatenate(list(screened_bands(tones, cell, 1200, page, rows=64)))
    # linear interpolation in steps of 1/32 px may round a tone differently at a band's start
    differ = np.unpackbits(one ^ many).mean()
    assert differ < 2e-4
    ink = np.unpackbits(one, axis=1, count=round(100 / 25.4 * 1200))
    outside = ink.copy()
    outside[round(3 / 25.4 * 1200) - 1 : round(43 / 25.4 * 1200) + 1] = 0
    assert not outside.any()
    assert not ink[:, round(62 / 25.4 * 1200) + 1 :].any()


def test_a_ramp_prints_as_it_was_asked_to_one_per_cent() -> None:
    tones, cell = _ramp(), make_supercell(Screen(75), 1200)
    bands = list(screened_bands(tones, cell, 1200, tones.area))
    ink = np.unpackbits(np.concatenate(bands), axis=1, count=round(60 / 25.4 * 1200))
    wide = cv2.resize(
        (tones.values / FULL).astype(np.float32), ink.shape[::-1], interpolation=cv2.INTER_LINEAR
    )
    sigma = 3 * 1200 / 75
    seen, wanted = (
        cv2.GaussianBlur(p.astype(np.float32), (0, 0), sigma)[200:-200, 200:-200]
        for p in (ink, wide)
    )
    assert np.abs(seen - wanted).max() < 0.01


def test_dots_under_the_least_go_up_to_it_or_away() -> None:
    tones = np.array([[0, 0.01, 0.02, 0.04, 0.5, 0.96, 0.98, 0.99, 1]])
    screen = Screen(60, least=0.03)
    kept, light, dark = held(np.rint(tones * FULL).astype(np.uint16), screen)
    wanted = [0, 0, 0.03, 0.04, 0.5, 0.96, 0.97, 1, 1]
    assert kept[0] / FULL == pytest.approx(wanted, abs=1e-4)
    assert light == pytest.approx(2 / 9) and dark == pytest.approx(2 / 9)


def test_dot_gain_is_taken_back() -> None:
    tones = np.rint(np.linspace(0.1, 0.9, 9)[None] * FULL).astype(np.uint16)
    made = held(tones, Screen(60, gain=0.2))[0] / FULL
    printed = made + 4 * 0.2 * made * (1 - made)
    assert printed == pytest.approx(tones / FULL, abs=1e-3)
    # a half on the paper asks for less than a third in the file: (1.8 − √1.64) / 1.6
    assert made[0, 4] == pytest.approx(0.3246, abs=1e-3)


def test_wash_is_kept_and_the_rim_of_the_ink_is_not() -> None:
    """A wash beside a blurred line, on paper with noise."""
    rng = np.random.default_rng(1)
    wash = np.full((300, 400), 1.0, np.float32)
    wash[:, 200:] = 0.45
    ink = np.zeros_like(wash)
    ink[:, 195:205] = ink[100:108, :] = 1
    blurred = cv2.GaussianBlur(ink, (0, 0), 1.5)
    sheet = wash * (1 - 0.95 * blurred) + rng.normal(0, 0.004, wash.shape).astype(np.float32)
    grey = wash_grey(sheet, np.clip(blurred * 2 - 0.5, 0, 1), 0.004, 12.0)
    # where the inked lines cross, what lies under them is anyone's guess
    assert (grey[:, :170] == 255).mean() > 0.999
    # sRGB of a reflectance of 0.45 over white paper of 0.988
    assert np.abs(grey[:, 230:].astype(int) - 179).max() <= 4


def test_grey_of_colour_is_its_luminance() -> None:
    pixels = np.array([[[128, 128, 128], [255, 0, 0], [255, 255, 255]]], np.uint8)
    assert grey_of(pixels).tolist() == [[128, 127, 255]]
    black = np.array([[[0, 0, 0, 128], [0, 0, 0, 0]]], np.uint8)
    assert grey_of(black).tolist() == [[127, 255]]


def test_layers_darken_each_other_as_inks_do() -> None:
    half: U8 = np.full((2, 2), 128, np.uint8)
    assert layered_tones([half, half])[0, 0] / FULL == pytest.approx(1 - (128 / 255) ** 2, abs=1e-4)


@pytest.mark.parametrize("asked", ["", "dots", "60@", "60@x", "5", "400", "60@200", "60,rings"])
def test_a_screen_that_is_not_understood_is_refused(asked: str) -> None:
    with pytest.raises(UsageError, match="--screen"):
        parse_screen(asked)


def test_a_ruling_asks_for_its_resolution() -> None:
    """256 steps take sixteen px a line: 75 lines at 1200 dpi, 150 at 2400 (common practice)."""
    assert [dpi_for(Screen(lpi)) for lpi in (60, 75, 76, 150, 200)] == [
        1200,
        1200,
        2400,
        2400,
        2400,
    ]
    assert [Screen(lpi).steps(dpi) for lpi, dpi in ((150, 2400), (75, 1200), (60, 600))] == [
        *(257, 257, 101)
    ]
    check_ruling(Screen(300), 1200)
    with pytest.raises(UsageError, match="too few; use at most 75 lines"):
        check_ruling(Screen(301), 1200)


def _picture(folder: Path, pixels: U8) -> Path:
    path = folder / "under.png"
    Image.fromarray(pixels).save(path)
    return path


def _pressed(folder: Path, settings: PressSettings, kind: str = "tiff1200") -> Path:
    path = folder / f"page.{kind}"
    press_page(drawn.page(), settings, {kind: path}, "page", True)
    return path


def test_lines_stay_solid_on_the_screen(tmp_path: Path) -> None:
    under = _picture(tmp_path, np.full((800, 600), 178, np.uint8))
    settings = PressSettings(bleed=NO_BLEED, under=under, screen=Screen(60))
    with Image.open(_pressed(tmp_path, settings)) as picture:
        printed = ~np.asarray(picture)
    ink = render(drawn.page(), 1200)
    assert printed[ink].all()
    away = cv2.dilate(ink.astype(np.uint8), np.ones((41, 41), np.uint8)) == 0
    assert printed[away].mean() == pytest.approx(77 / 255, abs=0.01)


def test_the_pdf_holds_the_screen_as_one_bit_in_black_alone(tmp_path: Path) -> None:
    under = _picture(tmp_path, np.full((800, 600), 178, np.uint8))
    settings = PressSettings(
        bleed=NO_BLEED, under=under, screen=Screen(60), standard="x1a", intent="CGATS TR 001"
    )
    with pikepdf.open(_pressed(tmp_path, settings, "pdf")) as document:
        page = document.pages[0]
        stencil = page.Resources.XObject.Screen
        assert stencil.ImageMask and int(stencil.BitsPerComponent) == 1
        assert not stencil.Interpolate
        bits = np.frombuffer(stencil.read_bytes(), np.uint8)
        rows = bits.reshape(int(stencil.Height), -1)
        words = page.Contents.read_bytes()
        assert document.Root.ViewerPreferences.PrintScaling == pikepdf.Name("/None")
    assert words.startswith(b"0 0 0 1 k\n")
    assert b" rg\n" not in words and b" g\n" not in words
    tones = Tones(np.full((800, 600), FULL * 77 // 255, np.uint16), Region(0, 0, 60, 80))
    cell = make_supercell(Screen(60), 1200)
    wanted = np.concatenate(list(screened_bands(tones, cell, 1200, Region(0, 0, 60, 80))))
    assert np.unpackbits(rows ^ wanted).mean() < 1e-3


def test_a_screen_is_reported_and_checked(tmp_path: Path) -> None:
    grey = np.linspace(255, 0, 800).astype(np.uint8)[:, None].repeat(600, 1)
    under = _picture(tmp_path, grey)
    outputs = {"tiff1200": tmp_path / "x.tiff"}
    settings = PressSettings(under=under, screen=Screen(100), screen_dpi=1200)
    report = press_page(drawn.page(), settings, outputs, "page", True)
    found = {finding.name: finding for finding in report.check}
    assert found["screen"].verdict == "look"
    assert "145 steps" in found["screen"].measured and "75 lines" in found["screen"].cure
    assert found["smallest dot"].verdict == "look"
    assert report.screen is not None
    assert report.json()["screen"]["lpi"] == pytest.approx(100, rel=1e-3)
    assert any("print at 100 %" in note for note in report.notes)
    assert "colour resolution" not in found and "total ink" not in found


def test_a_screen_is_never_scaled(tmp_path: Path) -> None:
    """A picture that is a screen already fits pixel for pixel, or is refused."""
    dots = make_supercell(Screen(60), 1200).thresholds(0, 3780, 0, 2835) < 0.3 * FULL
    under = _picture(tmp_path, np.where(dots, 0, 255).astype(np.uint8))
    assert is_one_bit(np.where(dots, 0, 255).astype(np.uint8))
    settings = PressSettings(bleed=NO_BLEED, under=under, screen=Screen(60))
    _pressed(tmp_path, settings)
    for other in (
        PressSettings(bleed=NO_BLEED, under=under, screen=Screen(60), scale=0.9),
        PressSettings(bleed=NO_BLEED, under=under, screen=Screen(133)),
    ):
        with pytest.raises(InputError, match="after it was screened"):
            _pressed(tmp_path, other)


def test_refusals_say_what_to_do(tmp_path: Path) -> None:
    under = _picture(tmp_path, np.full((800, 600), 178, np.uint8))
    with pytest.raises(InkcleanError, match="1200 or 2400 dpi"):
        _pressed(tmp_path, PressSettings(under=under, screen=Screen(60), screen_dpi=600))
    with pytest.raises(UsageError, match="--least-dot"):
        parse_screen("60", least=0.5)
    with pytest.raises(UsageError, match="--gain"):
        parse_screen("60", gain=0.9)
