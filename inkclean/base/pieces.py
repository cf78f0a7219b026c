"""The pieces of a mask: compiled where that is there, else by OpenCV, with the same numbers."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import I32, U8, Bool
from inkclean.base.compiled import compiled

_compiled = compiled("inkclean.base._pieces")
LEFT, TOP, WIDE, HIGH, SIZE = range(5)  # columns of what is told of a piece
_NOTHING = np.zeros(0, np.int32)


def pieces_of(mask: Bool | U8, connectivity: int = 8) -> tuple[I32, I32]:
    """Return the number of the piece at each pixel of ``mask`` (H, W), 0 or 1, and their boxes.

    Pieces are numbered from 1, in an order that follows from where they lie; 0 is what is no
    piece. Boxes are (N + 1, 5): left, top, width, height, and the size in px.
    """
    if _compiled is None:
        return pieces_by_opencv(mask, connectivity)
    label = np.empty(mask.shape, np.int32)
    return label, _told(mask, connectivity, label)


def boxes_of(mask: Bool | U8, connectivity: int = 8) -> I32:
    """Return the boxes (N + 1, 5) of the pieces of ``mask`` alone."""
    if _compiled is None:
        return pieces_by_opencv(mask, connectivity)[1]
    return _told(mask, connectivity, _NOTHING)


def _told(mask: Bool | U8, connectivity: int, label: I32) -> I32:
    given = np.ascontiguousarray(mask).view(np.uint8)
    told = _compiled.pieces(given, max(mask.shape[1], 1), connectivity == 8, label)
    return np.frombuffer(told, np.int32).reshape(-1, 5)


def pieces_by_opencv(mask: Bool | U8, connectivity: int = 8) -> tuple[I32, I32]:
    """Return what ``pieces_of`` does."""
    given = np.ascontiguousarray(mask).view(np.uint8)
    _, label, told, _ = cv2.connectedComponentsWithStats(given, connectivity=connectivity)
    return np.asarray(label, np.int32), np.asarray(told, np.int32)
