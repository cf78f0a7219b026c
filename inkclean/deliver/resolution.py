"""The resolution of a page's pictures: ink fine, colour coarser, in whole-number ratio.

Printers ask for 600 dpi or more of line art and 300 dpi of colour (common practice, no source).
All pictures begin at the sheet's top left corner: colour enlarged by the ratio lies on the ink.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from inkclean.base.arrays import F64, I64, U8, U16
from inkclean.base.errors import UsageError
from inkclean.base.units import MM_PER_INCH
from inkclean.deliver.pictures.bitmap import levels_at
from inkclean.flats.colour.shade import Shading
from inkclean.flats.values import Flats
from inkclean.ink.values import Ink

COLOUR_DPI = 300.0  # of colour files, where the ink's resolution is a multiple of it
# how far a ratio may be off a whole number: PNG keeps resolution in whole px per metre
_NEAR = 0.001
_T = TypeVar("_T", bound=np.generic)


def ink_px_per_colour_px(ink_dpi: float) -> int:
    """Return how many pixels of ink lie along one of colour: the most that leave it 300 dpi."""
    return max(1, int(ink_dpi / COLOUR_DPI + _NEAR))


def colour_dpi(ink_dpi: float, asked: float | None = None) -> float:
    """Return the resolution of the colour files beside ink of ``ink_dpi``, dpi.

    Raises:
        UsageError: ``asked`` is no whole part of the ink's.
    """
    if asked is None:
        return ink_dpi / ink_px_per_colour_px(ink_dpi)
    ratio = round(ink_dpi / asked)
    if ratio < 1 or abs(ink_dpi / asked - ratio) > _NEAR * ratio:
        parts = ", ".join(f"{ink_dpi / part:.5g}" for part in (1, 2, 3, 4))
        raise UsageError(
            f"--colour-dpi {asked:g} does not divide the ink's {ink_dpi:.5g} dpi evenly; "
            f"choose one that does: {parts} …"
        )
    return ink_dpi / ratio


def fitted(
    picture: NDArray[_T], sheet: tuple[int, ...], px_per_mm: float, dpi: float
) -> NDArray[_T]:
    """Return ink at ``dpi`` (h, w) with sides that colour pixels divide evenly.

    ``sheet`` (H, W) is the size of the sheet that it was enlarged from, in px of ``px_per_mm``.
    Rows and columns are taken off or repeated at the bottom and the right, a colour pixel at
    most.
    """
    every = ink_px_per_colour_px(dpi)
    scale = dpi / every / MM_PER_INCH / px_per_mm
    height, width = (every * side for side in _shape(sheet, scale))
    return _sized(picture, height, width)


def at_dpi(
    flats: Flats, ink: Ink, shading: Shading | None, dpi: float
) -> tuple[Flats, Ink, Shading | None]:
    """Return areas, ink and shade as pictures of ``dpi`` hold them; places in mm stay."""
    scale = dpi / MM_PER_INCH / flats.px_per_mm
    shape = _shape(flats.labels.shape, scale)
    if shape == flats.labels.shape and abs(scale - 1) * max(shape) < _NEAR:
        return flats, ink, shading
    px_per_mm = dpi / MM_PER_INCH
    lines = _sized(levels_at(ink.coverage, scale), *shape).astype(np.float32)
    lines *= np.float32(1 / 255)
    if shading is not None:
        shading = Shading(_soft(shading.shade, scale, shape), _soft(shading.light, scale, shape))
    sized = replace(flats, labels=labels_at(flats.labels, scale, shape), px_per_mm=px_per_mm)
    return sized, replace(ink, coverage=lines, px_per_mm=px_per_mm), shading


def labels_at(labels: U16, scale: float, shape: tuple[int, int]) -> U16:
    """Return a label map (H, W) enlarged by ``scale`` to ``shape``, borders where they were.

    Each pixel gets the label with most weight among the four around its centre, weighted as
    bilinear interpolation does: a border then runs within half a pixel of where it ran.
    """
    (top, low, down), (left, right, across) = (
        _around(count, side, scale) for count, side in zip(shape, labels.shape, strict=True)
    )
    upper, lower = labels[top], labels[low]
    four = [upper[:, left], upper[:, right], lower[:, left], lower[:, right]]
    result = four[0].copy()
    mixed = (four[0] != four[1]) | (four[0] != four[2]) | (four[0] != four[3])
    row, column = np.nonzero(mixed)
    some = np.stack([part[row, column] for part in four])
    v, u = down[row], across[column]
    share = np.stack([(1 - v) * (1 - u), (1 - v) * u, v * (1 - u), v * u])
    said = np.stack([(share * (some == label)).sum(axis=0) for label in some])
    result[row, column] = some[said.argmax(axis=0), np.arange(len(row))]
    return result


def _shape(sheet: tuple[int, ...], scale: float) -> tuple[int, int]:
    height, width = (max(1, int(side * scale + 0.5)) for side in sheet)
    return height, width


def _around(count: int, side: int, scale: float) -> tuple[I64, I64, F64]:
    """Return the pixels before and after each of ``count`` centres, and the way between them."""
    at = (np.arange(count) + 0.5) / scale - 0.5
    first = np.floor(at)
    low = np.clip(first, 0, side - 1).astype(np.int64)
    return low, np.clip(first + 1, 0, side - 1).astype(np.int64), at - first


def _soft(picture: U8, scale: float, shape: tuple[int, int]) -> U8:
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    found: Any = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=way)
    return _sized(np.asarray(found, np.uint8), *shape)


def _sized(picture: NDArray[_T], height: int, width: int) -> NDArray[_T]:
    cut = picture[:height, :width]
    more = ((0, height - cut.shape[0]), (0, width - cut.shape[1]))
    return np.pad(cut, more, "edge") if more != ((0, 0), (0, 0)) else cut
