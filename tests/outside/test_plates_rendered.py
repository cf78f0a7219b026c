"""Plates in a PDF as another program separates and prints them: Ghostscript, from Debian."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from inkclean.base.arrays import F64, U8
from inkclean.deliver.pictures.raster import render
from inkclean.deliver.plates.inks import as_srgb, mix, parse_plates, printed
from inkclean.deliver.plates.tints import colours_of_picture, make_plates
from inkclean.deliver.press.files import PressSettings, press_page
from inkclean.deliver.press.trim import Margins
from tests.deliver import drawn

GS = shutil.which("gs") or ""
pytestmark = pytest.mark.skipif(not GS, reason="needs Debian's ghostscript")
INKS = parse_plates("sea blue=#2a5db0,red=#d03030")
DPI = 254  # ten px a mm, as the colours have: each lies on a pixel of the print


def _run(folder: Path, device: str, name: str, *more: str) -> None:
    words = ["-q", "-dSAFER", "-dBATCH", "-dNOPAUSE", f"-sDEVICE={device}", f"-r{DPI}", *more]
    words += [f"-o{folder / name}", str(folder / "page.pdf")]
    subprocess.run([GS, *words], check=True, capture_output=True, timeout=120)


def _page(folder: Path) -> U8:
    """Write a page of solids, a tint and an overprint under the drawn lines; return its colours."""
    pixels: U8 = np.full((800, 600, 3), 255, np.uint8)
    pixels[60:300, 60:540] = INKS[0].srgb
    pixels[300:500, 60:300] = as_srgb(printed(np.array([[0.0, 0.6]]), INKS))[0]
    pixels[300:500, 300:540] = as_srgb(printed(np.array([[1.0, 1.0]]), INKS))[0]
    pixels[500:740, 60:540] = as_srgb(printed(np.array([[0.4, 0.3]]), INKS))[0]
    Image.fromarray(pixels).save(folder / "colours.png")
    settings = PressSettings(
        bleed=Margins(0, 0, 0, 0), under=folder / "colours.png", plates=INKS, spread_mm=0.3
    )
    press_page(drawn.page(), settings, {"pdf": folder / "page.pdf"}, "page", False)
    return pixels


def _inner(picture: U8) -> F64:
    """Return the page without the room around it, 7 mm."""
    return picture[70:870, 70:670].astype(np.float64)


def test_separations_are_the_plates(tmp_path: Path) -> None:
    """Every ink on its own plate, under the lines too: nothing was knocked out."""
    pixels = _page(tmp_path)
    _run(tmp_path, "tiffsep", "sep.tif")
    colours = colours_of_picture(pixels)
    sheet = drawn.page()
    plates = make_plates(colours, mix(colours.palette, INKS), INKS, sheet, 0.3)
    for plate in plates:
        with Image.open(tmp_path / f"sep({plate.ink.name}).tif") as picture:
            shown = 255 - _inner(np.asarray(picture))
        off = np.abs(shown - plate.tints)
        assert (off > 2).mean() < 0.002
    with Image.open(tmp_path / "sep(Black).tif") as picture:
        black = _inner(np.asarray(picture)) < 128
    lines = render(sheet, DPI)
    inside = cv2.erode(lines.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    around = cv2.dilate(lines.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    assert black[inside].all() and not black[~around].any()
    for name in ("Cyan", "Magenta", "Yellow"):
        with Image.open(tmp_path / f"sep({name}).tif") as picture:
            page = _inner(np.asarray(picture))
        assert (page == 255).all(), name


def test_single_inks_show_their_colours_and_overprints_darken(tmp_path: Path) -> None:
    pixels = _page(tmp_path)
    _run(tmp_path, "png16m", "shown.png", "-dOverprint=/simulate")
    with Image.open(tmp_path / "shown.png") as picture:
        shown = _inner(np.asarray(picture.convert("RGB")))
    lines = cv2.dilate(render(drawn.page(), DPI).astype(np.uint8), np.ones((9, 9), np.uint8)) > 0

    def mean(rows: slice, columns: slice) -> F64:
        bare = ~lines[rows, columns]
        return np.asarray(shown[rows, columns][bare].mean(0))

    solid, tint = mean(slice(80, 280), slice(80, 520)), mean(slice(320, 480), slice(80, 280))
    both = mean(slice(320, 480), slice(320, 520))
    assert (shown[2:30, 2:30] == 255).all()
    # the interpreter shows overprints by way of its own CMYK: darker than either, no more is held
    assert both.sum() < min(solid.sum(), tint.sum()) - 60
    assert solid[2] > solid[0] + 60 and tint[0] > tint[2] + 30
    _run(tmp_path, "png16m", "alone.png", "-dOverprint=/disable")
    with Image.open(tmp_path / "alone.png") as picture:
        shown = _inner(np.asarray(picture.convert("RGB")))
    for rows, columns in ((slice(80, 280), slice(80, 520)), (slice(320, 480), slice(80, 280))):
        wanted = pixels[rows, columns][0, 0].astype(np.float64)
        assert np.abs(mean(rows, columns) - wanted).max() < 6
