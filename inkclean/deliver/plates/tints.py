"""Tints of each plate over the sheet, spread under the lines."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import U8, U16, Bool
from inkclean.base.errors import InputError
from inkclean.base.units import MM_PER_INCH
from inkclean.curves.values import Curves
from inkclean.deliver.pictures.raster import render
from inkclean.deliver.plates.inks import GAIN, Mixtures, PlateInk, as_srgb, printed
from inkclean.deliver.plates.traps import MOST_TRAPPED, meets_bare, runs_into, trapped
from inkclean.flats.colour.space import to_lab

# colours of a picture that are mixed one by one; of more, the finest steps are left out first
_MOST_COLOURS = 2048


@dataclass(frozen=True)
class ColourMap:
    """Colours over the whole sheet: ``index`` (H, W) rows of ``palette`` (K, 3) uint8 sRGB.

    ``names`` are K words, empty where a colour has none.
    """

    index: U16
    palette: U8
    names: tuple[str, ...]


@dataclass(frozen=True)
class Plate:
    """An ink and its tints over the sheet, (H, W) uint8, 255 = solid."""

    ink: PlateInk
    tints: U8


def colours_of_picture(pixels: U8) -> ColourMap:
    """Return the colours of a picture (H, W, 3) uint8 sRGB.

    Raises:
        InputError: the picture is in the inks of a press.
    """
    if pixels.shape[2] != 3:
        raise InputError("the picture under the lines is in CMYK; give it in RGB for --plates")
    for bits in (8, 7, 6, 5, 4, 3):
        kept = pixels & np.uint8(256 - (1 << (8 - bits)))
        code = kept @ np.array([65536, 256, 1], np.uint32)
        found, index = np.unique(code, return_inverse=True)
        if len(found) <= _MOST_COLOURS:
            break
    # the mean of what fell together
    index = index.reshape(-1)
    counts = np.bincount(index, minlength=len(found))
    flat = pixels.reshape(-1, 3)
    sums = [np.bincount(index, flat[:, band], minlength=len(found)) for band in range(3)]
    palette = np.rint(np.stack(sums, 1) / np.maximum(counts, 1)[:, None]).astype(np.uint8)
    names = ("",) * len(found)
    return ColourMap(index.reshape(pixels.shape[:2]).astype(np.uint16), palette, names)


def make_plates(
    colours: ColourMap,
    mixtures: Mixtures,
    inks: tuple[PlateInk, ...],
    sheet: Curves,
    spread_mm: float,
    gain: float = GAIN,
) -> tuple[Plate, ...]:
    """Return the plates of a sheet: each colour as it is seen, and so far on under the lines.

    Under the lines colours overlap, and none goes on further than ``spread_mm`` from the line's
    edge: where plates are out of register by less, no paper shows. Where flat colours meet
    without a line, the lighter goes on as far into the darker.
    """
    height, width = colours.index.shape
    px_per_mm = width / sheet.width_mm
    lines = _lines(sheet, height, width)
    seen = ~lines
    reach = _disc(spread_mm * px_per_mm)
    plates = []
    levels = np.rint(mixtures.tints * 255).astype(np.uint8)
    at, row = np.zeros(0, np.int64), np.zeros(0, np.int64)
    if is_trapped(colours, spread_mm):
        lightness = to_lab(as_srgb(printed(mixtures.tints, inks, gain)))[:, 0]
        into = runs_into(mixtures.tints, lightness)
        at, row = trapped(colours.index, lines, into, spread_mm * px_per_mm)
    for number, ink in enumerate(inks):
        tints = levels[:, number][colours.index]
        tints[~seen] = 0
        grown = np.asarray(cv2.dilate(tints, reach), np.uint8)
        np.copyto(tints, grown, where=~seen)
        flat = tints.reshape(-1)
        flat[at] = np.maximum(flat[at], levels[row, number])
        plates.append(Plate(ink, tints))
    return tuple(plates)


def is_trapped(colours: ColourMap, spread_mm: float) -> bool:
    """Tell whether colours that meet without a line run on into each other."""
    return spread_mm > 0 and len(np.unique(colours.index)) <= MOST_TRAPPED


def unlined_mm(colours: ColourMap, mixtures: Mixtures, sheet: Curves) -> float:
    """Return the length in mm of edges at which plates meet with no line over them.

    Only edges where each side has an ink that the other lacks: there paper may show.
    """
    height, width = colours.index.shape
    px_per_mm = width / sheet.width_mm
    lines = _lines(sheet, height, width)
    risky = meets_bare(mixtures.tints)
    total = 0
    for one, other, under in (
        (colours.index[:, 1:], colours.index[:, :-1], lines[:, 1:] | lines[:, :-1]),
        (colours.index[1:], colours.index[:-1], lines[1:] | lines[:-1]),
    ):
        differ = (one != other) & ~under
        total += int(risky[one[differ], other[differ]].sum())
    # steps of pixels overstate an edge's length by 4/π on average over all directions
    return float(total / px_per_mm * np.pi / 4)


def _lines(sheet: Curves, height: int, width: int) -> Bool:
    """Return the printed lines on the grid of the colours."""
    drawn = render(sheet, width / sheet.width_mm * MM_PER_INCH)
    lines = np.zeros((height, width), np.bool_)
    lines[: drawn.shape[0], : drawn.shape[1]] = drawn[:height, :width]
    return lines


def _disc(radius: float) -> U8:
    """Return a disc of whole pixels: what lies within the radius, to the nearest pixel."""
    reach = max(radius, 1.0) + 0.5
    side = int(reach)
    y, x = np.mgrid[-side : side + 1, -side : side + 1]
    return np.asarray(np.hypot(x, y) <= reach, np.uint8)
