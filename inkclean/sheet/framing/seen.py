"""Which sheet in a photo is the page: a small network looks at all of the picture.

It has the shape of Ronneberger, Fischer, Brox, "U-Net: convolutional networks for biomedical
image segmentation", MICCAI 2015, and was fitted on photos made for it (``tests/fitting/framing``):
sheets of all kinds on cloth, stone, wood, tiles, print and other sheets, with hands and pens over
them, partly outside the picture or beyond all of its borders. It tells which; where exactly the
sides run is measured in the photo.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, U8
from inkclean.base.pyramid import sight

NET = "sheets.onnx.gz"
LONG, SHORT = 768, 576  # px of the picture that it is shown, drawn out to this shape
FOLD = 4  # so many px a side are channels of one cell
FINE = 2  # so many places a side are told of each cell
MOST_ODDS = 6.0
# |2 p - 1| on average, from which on it is heard, and in full; on pages that fill the picture, or
# that it has seen nothing like, it hardly comes to the first.
CLEAR = (0.84, 0.9)
SURE = 2.0  # log-odds from which on the network is sure


@dataclass(frozen=True)
class SeenSheet:
    """``odds`` and ``sides`` (h, w) float32: log-odds that the page's sheet lies at a place, even
    if something lies over it, and that one of its own sides runs there."""

    odds: F32
    sides: F32

    @property
    def voice(self) -> float:
        """How much its word counts, 0 to 1: none if it can't tell sheet from table in places."""
        clear = float(np.abs(np.tanh(self.odds / 2)).mean())
        return min(max((clear - CLEAR[0]) / (CLEAR[1] - CLEAR[0]), 0.0), 1.0)

    @property
    def unheard(self) -> SeenSheet:
        """The same without any say."""
        return SeenSheet(np.zeros_like(self.odds), np.zeros_like(self.sides))


def see(small: U8) -> SeenSheet:
    """Return what the network sees of a picture (H, W, 3) uint8 sRGB."""
    high, wide = small.shape[:2]
    size = (SHORT, LONG) if high > wide else (LONG, SHORT)
    way = cv2.INTER_AREA if high >= size[1] and wide >= size[0] else cv2.INTER_LINEAR
    picture = np.asarray(cv2.resize(small, size, interpolation=way), np.float32)
    picture *= np.float32(1 / 127.5)
    picture -= 1
    rows, columns = size[1] // FOLD, size[0] // FOLD
    cells = picture.reshape(rows, FOLD, columns, FOLD, 3).transpose(4, 1, 3, 0, 2)
    told = sight("inkclean.sheet.framing", NET)(
        np.ascontiguousarray(cells.reshape(3 * FOLD**2, rows, columns))
    )
    parts = np.clip(told, -MOST_ODDS, MOST_ODDS).reshape(2, FINE, FINE, rows, columns)
    odds, sides = parts.transpose(0, 3, 1, 4, 2).reshape(2, rows * FINE, columns * FINE)
    return SeenSheet(np.ascontiguousarray(odds), np.ascontiguousarray(sides))


def likely(told: SeenSheet, size: tuple[int, int]) -> U8:
    """Return the log-odds as (h, w) uint8, for a picture of ``size`` (w, h).

    They go from 0 to 255 between ``-SURE`` and ``SURE``, less far the less their word counts.
    """
    finer = np.asarray(cv2.resize(told.odds, size, interpolation=cv2.INTER_LINEAR), np.float32)
    return np.asarray(127.5 + 127.5 * told.voice * np.clip(finer / SURE, -1, 1), np.uint8)
