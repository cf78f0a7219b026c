"""Screens in a PDF as another program draws them: Ghostscript, from Debian."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from inkclean.base.arrays import Bool
from inkclean.deliver.pictures.raster import render
from inkclean.deliver.press.files import PressSettings, press_page
from inkclean.deliver.press.trim import Margins
from inkclean.deliver.screens.ruling import Screen
from inkclean.deliver.screens.threshold import FULL, make_supercell
from tests.deliver import drawn
from tests.deliver.screen_spectrum import measured_screen

GS = shutil.which("gs") or ""
pytestmark = pytest.mark.skipif(not GS, reason="needs Debian's ghostscript")


def _drawn(source: Path, dpi: int) -> Bool:
    """Return the ink as the program draws it; grey, so that it screens nothing itself, if PDF."""
    device = "pgmraw" if source.suffix == ".pdf" else "pbmraw"
    out = source.with_suffix(".pnm")
    words = ["-q", "-dSAFER", "-dBATCH", "-dNOPAUSE", f"-sDEVICE={device}", f"-r{dpi}", f"-o{out}"]
    subprocess.run([GS, *words, str(source)], check=True, capture_output=True, timeout=120)
    with Image.open(out) as picture:
        return np.asarray(picture.convert("L")) < 128


def test_the_stencil_lands_on_the_printers_own_pixels(tmp_path: Path) -> None:
    """Away from the lines, which every renderer fills by a rule of its own, no pixel differs."""
    grey = np.linspace(255, 40, 800)[:, None].repeat(600, 1).astype(np.uint8)
    Image.fromarray(grey).save(tmp_path / "grey.png")
    settings = PressSettings(
        bleed=Margins(0, 0, 0, 0), under=tmp_path / "grey.png", screen=Screen(75)
    )
    outputs = {"pdf": tmp_path / "page.pdf", "tiff1200": tmp_path / "page.tiff"}
    press_page(drawn.page(), settings, outputs, "page", False)
    with Image.open(outputs["tiff1200"]) as picture:
        ours = ~np.asarray(picture)
    theirs = _drawn(outputs["pdf"], 1200)
    height, width = (min(a, b) for a, b in zip(ours.shape, theirs.shape, strict=True))
    ours, theirs = ours[:height, :width], theirs[-height:, :width]
    ink = render(drawn.page(), 1200)[:height, :width]
    away = cv2.dilate(ink.astype(np.uint8), np.ones((7, 7), np.uint8)) == 0
    assert away.mean() > 0.7
    shifts = [
        float((np.roll(theirs, (dy, dx), (0, 1)) != ours)[away][:-2].mean())
        for dy in (-1, 0, 1)
        for dx in (-1, 0, 1)
    ]
    assert min(shifts) < 1e-4


def test_lines_lean_as_much_as_those_of_a_postscript_interpreter(tmp_path: Path) -> None:
    """Ruling and slant of its setscreen; it turns the way its device's own y axis runs."""
    source = tmp_path / "tint.ps"
    source.write_text(
        "%!\n<< /PageSize [144 144] >> setpagedevice\n"
        "60 30 {exch pop abs neg} setscreen 0.6 setgray 0 0 144 144 rectfill showpage\n"
    )
    theirs = measured_screen(_drawn(source, 1200)[:2048, :2048], 1200)
    lines = make_supercell(Screen(60, 30, "lines"), 1200).thresholds(0, 2048, 0, 2048)
    ours = measured_screen(lines < 0.4 * FULL, 1200)
    assert abs(ours[1]) == pytest.approx(abs(theirs[1]), abs=1.0)
    assert ours[0] == pytest.approx(theirs[0], rel=0.03)
