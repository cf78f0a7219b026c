"""A page's grey as a screen under the lines: what the printer is told of it, and its pixels."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from inkclean.base.arrays import U8
from inkclean.base.errors import InputError
from inkclean.base.units import MM_PER_INCH
from inkclean.curves.values import Curves
from inkclean.deliver.layers.under import UnderColour
from inkclean.deliver.pictures.raster import Region, packed_bands, size_px
from inkclean.deliver.press.check import Finding
from inkclean.deliver.screens.bands import screened_bands
from inkclean.deliver.screens.ruling import (
    ONE_COLOUR_ANGLE,
    PX_FOR_ALL_STEPS,
    Screen,
    check_ruling,
    dpi_for,
)
from inkclean.deliver.screens.threshold import Supercell, make_supercell
from inkclean.deliver.screens.tones import Tones, grey_of, held, is_one_bit, layered_tones
from inkclean.deliver.vector.pdf import Points

if TYPE_CHECKING:
    import pikepdf

# zlib's first level: a screen repeats so much that higher ones gain little for their time
_PACK = 1
# share of the sheet that may need another dot before a person is asked to look
_FEW = 0.001


@dataclass(frozen=True)
class Screened:
    """Tones at their place on the page, and the screen that draws them at a resolution."""

    tones: Tones
    cell: Supercell
    screen: Screen
    dpi: int

    def bands(self, region: Region) -> Iterator[U8]:
        """Yield the screen over a region of the page, packed, see ``screened_bands``."""
        return screened_bands(self.tones, self.cell, self.dpi, region)

    def with_lines(self, lines: Curves, region: Region) -> Iterator[U8]:
        """Yield the same with the lines solid on it."""
        drawn = packed_bands(lines, self.dpi, region=region)
        for screen, ink in zip(self.bands(region), drawn, strict=True):
            yield screen | ink

    def json(self) -> dict[str, Any]:
        """Return what was made as plain values: ruling and angle as they are on the page."""
        return {
            "lpi": round(self.cell.lpi(self.dpi), 3),
            "angle": round(self.cell.angle, 3),
            "shape": self.screen.shape,
            "dpi": self.dpi,
            "steps": self.screen.steps(self.dpi),
        }


def screen_art(
    greys: Sequence[U8],
    under: UnderColour | None,
    area: Region,
    screen: Screen,
    dpi: int | None,
) -> tuple[Screened, tuple[Finding, ...], tuple[str, ...]]:
    """Return the page's grey with its screen, what is found of it, and notes in words.

    ``greys`` (H, W) uint8 and the picture ``under`` the lines cover ``area``, the sheet as it lies
    on the page, in mm; ``dpi`` None takes what the ruling needs.

    Raises:
        InputError: the picture is a screen already, and would be scaled.
        UsageError: the resolution cannot draw the ruling.
    """
    made_dpi = dpi or dpi_for(screen)
    check_ruling(screen, made_dpi)
    layers = list(greys)
    if under is not None:
        layers.insert(0, _grey_under(under, area, made_dpi))
    height, width = layers[0].shape
    layers = [layers[0], *(_sized(grey, width, height) for grey in layers[1:])]
    tones, light, dark = held(layered_tones(layers), screen)
    cell = make_supercell(screen, made_dpi)
    made = Screened(Tones(tones, area), cell, screen, made_dpi)
    return made, (_steps(screen, made_dpi), _dots(screen, light, dark)), _notes(made)


def _grey_under(under: UnderColour, area: Region, dpi: int) -> U8:
    grey = grey_of(under.pixels)
    height, width = grey.shape
    wanted = (round(area.height_mm * dpi / MM_PER_INCH), round(area.width_mm * dpi / MM_PER_INCH))
    if is_one_bit(grey) and (abs(height - wanted[0]) > 1 or abs(width - wanted[1]) > 1):
        raise InputError(
            f"the picture under the lines has black and white alone ({width} × {height} px): it "
            f"would be scaled to {wanted[1]} × {wanted[0]} px after it was screened; give the grey "
            "picture it was made from"
        )
    return grey


def _sized(grey: U8, width: int, height: int) -> U8:
    if grey.shape == (height, width):
        return grey
    return np.asarray(cv2.resize(grey, (width, height), interpolation=cv2.INTER_AREA), np.uint8)


def _steps(screen: Screen, dpi: int) -> Finding:
    """Hold the steps of grey against 256, common practice, no source."""
    pixels = dpi / screen.lpi
    text = f"{screen.text()}: {screen.steps(dpi)} steps of grey at {dpi} dpi"
    if pixels >= PX_FOR_ALL_STEPS - 1e-6:
        return Finding("screen", "passes", text)
    cure = f"use at most {dpi / PX_FOR_ALL_STEPS:g} lines per inch at {dpi} dpi for all 256"
    return Finding("screen", "look", text, f"{cure}; with fewer, soft tones may show bands")


def _dots(screen: Screen, light: float, dark: float) -> Finding:
    """Tell how much of the sheet needs a dot that the press cannot hold."""
    size = MM_PER_INCH / screen.lpi
    least = size * (2 * np.sqrt(screen.least / np.pi) if screen.shape == "dots" else screen.least)
    what = "dot" if screen.shape == "dots" else "line"
    text = f"your printer holds {100 * screen.least:g} %, a {what} of {least:.3f} mm"
    if max(light, dark) <= _FEW:
        return Finding("smallest dot", "passes", text)
    parts = [
        f"{share:.1%} is {name}" for share, name in ((light, "lighter"), (dark, "darker")) if share
    ]
    return Finding(
        "smallest dot",
        "look",
        f"{text}; of the sheet {' and '.join(parts)} than that",
        "these tones were brought to the nearest that prints, bare paper or solid; a coarser "
        "screen, or lighter darks and no faint tones, keeps them",
    )


def _notes(made: Screened) -> tuple[str, ...]:
    cell = made.cell
    notes = [
        f"grey screened at {cell.lpi(made.dpi):.2f} lines per inch, {cell.angle:.2f}°, "
        f"{made.dpi} dpi, for this size: print at 100 %, never scale or screen it again"
    ]
    if made.screen.gain:
        notes.append(f"a dot gain of {made.screen.gain:.0%} at mid-tone is taken back")
    if made.screen.shape == "dots" and abs(cell.angle) % 90 != ONE_COLOUR_ANGLE:
        notes.append("one colour is least seen as a screen at 45°")
    return tuple(notes)


def screen_stencil(document: pikepdf.Pdf, made: Screened, region: Region) -> pikepdf.Stream:
    """Return the screen over a region as a stencil that paints in the colour set (8.9.6.2)."""
    import pikepdf

    height, width = size_px(region, made.dpi)
    packer = zlib.compressobj(_PACK)
    code = [packer.compress(band.tobytes()) for band in made.bands(region)]
    return document.make_stream(
        b"".join([*code, packer.flush()]),
        Type=pikepdf.Name.XObject,
        Subtype=pikepdf.Name.Image,
        Width=width,
        Height=height,
        ImageMask=True,
        BitsPerComponent=1,
        Decode=[1, 0],
        Interpolate=False,
        Filter=pikepdf.Name.FlateDecode,
    )


def stencil_operators(name: str, made: Screened, region: Region, to: Points) -> bytes:
    """Return the operators that paint a stencil, its pixels of the print's own size to the last."""
    height, width = size_px(region, made.dpi)
    mm = MM_PER_INCH / made.dpi
    exact = Region(region.x_mm, region.y_mm, width * mm, height * mm)
    left, bottom, right, top = to.box(exact)
    size = right - left, top - bottom
    return b"q %s%.6f 0 0 %.6f %.6f %.6f cm /%s Do Q\n" % (
        to.clip(region),
        *size,
        left,
        bottom,
        name.encode(),
    )
