"""Small pictures of the places to check in the ink, for the proof: the sheet beside the ink."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from inkclean.base.arrays import F32, F64, U8
from inkclean.base.colour import to_srgb
from inkclean.ink.checks import InkCheck

SIDE_PX = 262  # of a small picture
GAP_PX = 8
HEAD_PX = 30  # over each, for its number
COLUMNS = 2
NEAREST_MM, WIDEST_MM = 5.0, 24.0  # of the sheet that one shows
_INK = (38, 36, 34)


def check_panel(
    checks: Sequence[InkCheck],
    reflectance: F32,
    alpha: U8,
    removed: F32,
    px_per_mm: float,
    height: int,
    mark: tuple[int, int, int],
) -> Image.Image:
    """Return the places numbered, two a row: the sheet with what was removed ringed, the ink.

    ``reflectance`` (H, W, 3) is the sheet, ``alpha`` (H, W) the ink, ``removed`` (N, 3) x, y and
    diameter in mm; the panel is ``height`` px high, rings have the colour ``mark``.
    """
    step = 2 * SIDE_PX + 4 * GAP_PX
    panel = Image.new("RGB", (COLUMNS * step - 2 * GAP_PX, height), (255, 255, 255))
    draw = ImageDraw.Draw(panel)
    for number, check in enumerate(checks):
        row, column = divmod(number, COLUMNS)
        left, top = column * step, row * (SIDE_PX + HEAD_PX + GAP_PX)
        draw.text((left, top), f"{number + 1}", _INK, font=ImageFont.load_default(24))
        side_mm = float(np.clip(1.4 * check.size_mm, NEAREST_MM, WIDEST_MM))
        corner = np.array([check.x_mm, check.y_mm]) - side_mm / 2
        sheet = to_srgb(_cut(reflectance, corner, side_mm, px_per_mm, 1.0))
        ink = 255 - _cut(alpha, corner, side_mm, px_per_mm, 0)
        for k, picture in enumerate((sheet, ink)):
            at = left + k * (SIDE_PX + GAP_PX)
            shown = cv2.resize(picture, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_AREA)
            panel.paste(Image.fromarray(shown).convert("RGB"), (at, top + HEAD_PX))
            if k == 0:
                whose = (removed[check.specks] - (*corner, 0.0)) * SIDE_PX / side_mm
                _ring(draw, np.asarray(whose, np.float64), at, top + HEAD_PX, mark)
    return panel


_Pixels = TypeVar("_Pixels", F32, U8)


def _cut(pixels: _Pixels, corner: F64, side_mm: float, px_per_mm: float, beyond: float) -> _Pixels:
    """Return a square of a picture; what lies beyond its edges is ``beyond``."""
    side = max(2, round(side_mm * px_per_mm))
    x, y = np.round(corner * px_per_mm).astype(int).tolist()
    out = np.full((side, side, *pixels.shape[2:]), beyond, pixels.dtype)
    rows = slice(max(0, y), min(pixels.shape[0], y + side))
    columns = slice(max(0, x), min(pixels.shape[1], x + side))
    if rows.start < rows.stop and columns.start < columns.stop:
        inside = slice(rows.start - y, rows.stop - y), slice(columns.start - x, columns.stop - x)
        out[inside] = pixels[rows, columns]
    return out


def _ring(
    draw: ImageDraw.ImageDraw, marks: F64, left: int, top: int, mark: tuple[int, int, int]
) -> None:
    for x, y, across in marks.tolist():
        reach = max(6.0, 0.75 * across)
        if reach <= min(x, y) and max(x, y) <= SIDE_PX - reach:
            box = (left + x - reach, top + y - reach, left + x + reach, top + y + reach)
            draw.ellipse(box, outline=mark, width=2)
