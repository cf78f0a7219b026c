"""Tones on a page as one-bit pixels, band by band and tile by tile."""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil, floor

import cv2
import numpy as np

from inkclean.base.arrays import U8, U16
from inkclean.base.units import MM_PER_INCH
from inkclean.deliver.pictures.raster import BAND_ROWS, Region, size_px
from inkclean.deliver.screens.threshold import Supercell
from inkclean.deliver.screens.tones import Tones

# px a tile is wide: whole bytes, and what a tile needs stays in the cache's reach
_TILE = 4096


def screened_bands(
    tones: Tones, cell: Supercell, dpi: int, region: Region, *, rows: int = BAND_ROWS
) -> Iterator[U8]:
    """Yield the screen over ``region`` in bands of ``rows`` rows, eight pixels a byte, 1 = ink.

    Each band is (rows, ceil(W / 8)) uint8, the last one maybe lower. Thresholds are those of
    the whole page, so no tile's edge shows. Beyond the tones' area the paper stays bare.

    Raises:
        UsageError: the picture would be empty or too large.
    """
    height, width = size_px(region, dpi)
    source = _no_finer(tones, dpi)
    for top in range(0, height, rows):
        bottom = min(top + rows, height)
        band = np.zeros((bottom - top, -(-width // 8)), np.uint8)
        for left in range(0, width, _TILE):
            right = min(left + _TILE, width)
            wanted = _tones_at(source, dpi, region, (top, bottom, left, right))
            if wanted is not None:
                inked = wanted > cell.thresholds(top, bottom, left, right)
                packed = np.packbits(inked, axis=1)
                band[:, left // 8 : left // 8 + packed.shape[1]] = packed
        yield band


def _no_finer(tones: Tones, dpi: int) -> Tones:
    """Return the tones at the print's resolution where they are finer: means, not samples."""
    if tones.ppi <= dpi * 1.01:
        return tones
    area = tones.area
    size = (round(area.width_mm * dpi / MM_PER_INCH), round(area.height_mm * dpi / MM_PER_INCH))
    less = cv2.resize(tones.values, size, interpolation=cv2.INTER_AREA)
    return Tones(np.asarray(less, np.uint16), area)


def _tones_at(
    tones: Tones, dpi: int, region: Region, part: tuple[int, int, int, int]
) -> U16 | None:
    """Return the tones at a part's pixels, top, bottom, left, right in px of the page.

    Between the tones' own pixels they run evenly. None where the paper is bare.
    """
    top, bottom, left, right = part
    high, wide = tones.values.shape
    area = tones.area
    mm = MM_PER_INCH / dpi
    scale_x, scale_y = wide / area.width_mm, high / area.height_mm
    # the centre of page px 0, in px of the tones, whose first centre lies at 0
    start_x = ((0.5 * mm) + region.x_mm - area.x_mm) * scale_x - 0.5
    start_y = ((0.5 * mm) + region.y_mm - area.y_mm) * scale_y - 0.5
    step_x, step_y = mm * scale_x, mm * scale_y
    first_x, first_y = start_x + left * step_x, start_y + top * step_y
    last_x, last_y = start_x + (right - 1) * step_x, start_y + (bottom - 1) * step_y
    if first_x > wide - 0.5 or first_y > high - 0.5 or last_x < -0.5 or last_y < -0.5:
        return None
    x0, y0 = max(0, floor(first_x) - 1), max(0, floor(first_y) - 1)
    x1, y1 = min(wide, ceil(last_x) + 2), min(high, ceil(last_y) + 2)
    held = tones.values[y0:y1, x0:x1]
    if not held.any():
        return None
    size = (right - left, bottom - top)
    if held.min() == held.max():
        out = np.full((size[1], size[0]), held[0, 0], np.uint16)
    else:
        to = np.array([[step_x, 0.0, first_x - x0], [0.0, step_y, first_y - y0]])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        out = np.asarray(
            cv2.warpAffine(held, to, size, flags=flags, borderMode=cv2.BORDER_REPLICATE), np.uint16
        )
    _bare_beyond(out, first_x, step_x, wide, axis=1)
    _bare_beyond(out, first_y, step_y, high, axis=0)
    return out


def _bare_beyond(out: U16, first: float, step: float, count: int, *, axis: int) -> None:
    """Set to bare paper what lies beyond the tones' area along an axis."""
    if first >= -0.5 and first + (out.shape[axis] - 1) * step <= count - 0.5:
        return
    at = first + np.arange(out.shape[axis]) * step
    outside = (at < -0.5) | (at > count - 0.5)
    if axis:
        out[:, outside] = 0
    else:
        out[outside] = 0
