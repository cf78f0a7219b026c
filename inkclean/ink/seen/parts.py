"""Parts of masks: those of some length, and what is broad. Compiled where it can be."""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np

from inkclean.base.arrays import I64, U8, Bool
from inkclean.base.compiled import compiled

_parts = compiled("inkclean.ink.seen._parts")
_long_parts: Any = getattr(compiled("inkclean.base._pieces"), "parts", None)
_NOTHING = np.zeros(0, np.bool_)


def parts_of(
    mask: Bool, least: float, most: float = math.inf, against: Bool | None = None
) -> Bool | None:
    """Return where ``mask`` (h, w) has parts ``least`` or more px long and less than ``most``.

    Parts hang together at corners too; how long one is the longer side of its box tells. One that
    lies on ``against`` (h, w) anywhere is left out. None where there are none.
    """
    if not mask.any():
        return None
    find = parts_by_opencv if _long_parts is None else parts_compiled
    return find(mask, least, most, against)


def parts_compiled(mask: Bool, least: float, most: float, against: Bool | None) -> Bool | None:
    """Return what ``parts_of`` does, by ``base/_pieces.c``."""
    chosen = np.zeros(mask.shape, np.bool_)
    barred = _NOTHING if against is None else np.ascontiguousarray(against)
    given = np.ascontiguousarray(mask), barred, chosen
    return chosen if _long_parts(*given, mask.shape[1], least, most) else None


def parts_by_opencv(mask: Bool, least: float, most: float, against: Bool | None) -> Bool | None:
    """Return what ``parts_of`` does, by OpenCV."""
    _, label, stats, _ = cv2.connectedComponentsWithStats(mask.view(np.uint8), connectivity=8)
    extent = np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    chosen = (extent >= least) & (extent < most)
    chosen[0] = False
    if against is not None:
        chosen[label[against & mask]] = False
    return np.asarray(chosen[label], np.bool_) if chosen.any() else None


def beside_broad(mask: Bool, kernel: U8, reach: int) -> Bool | None:
    """Return what lies ``reach`` px, along rows and columns, from where ``kernel`` fits into
    ``mask`` (h, w), or on it; None where it fits nowhere.

    ``kernel`` (2 r + 1, 2 r + 1) is whole along each row, and the same to both sides. What lies
    beyond the mask has no say.
    """
    if not mask.any():
        return None
    widths = kernel.sum(axis=1, dtype=np.int64) // 2
    find = broad_by_opencv if _parts is None else broad_compiled
    return find(mask, widths, reach)


def broad_compiled(mask: Bool, widths: I64, reach: int) -> Bool | None:
    """Return what ``beside_broad`` does, by ``_parts.c``; ``widths`` are halves of its rows."""
    chosen = np.zeros(mask.shape, np.bool_)
    some = _parts.opened(np.ascontiguousarray(mask), mask.shape[1], widths, reach, chosen)
    return chosen if some else None


def broad_by_opencv(mask: Bool, widths: I64, reach: int) -> Bool | None:
    """Return what ``beside_broad`` does, by OpenCV; ``widths`` are halves of its rows."""
    middle = len(widths) // 2
    kernel = abs(np.arange(len(widths)) - middle) <= widths[:, None]
    opened = cv2.morphologyEx(mask.view(np.uint8), cv2.MORPH_OPEN, kernel.view(np.uint8))
    beside = cv2.dilate(opened, np.ones((2 * reach + 1,) * 2, np.uint8))
    return np.asarray(beside, np.uint8).view(np.bool_) if beside.any() else None
