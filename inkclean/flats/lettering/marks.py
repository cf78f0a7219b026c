"""Marks: pieces of ink that hang together, what each looks like, and what lies around it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I32, I64, U8, Bool
from inkclean.base.compiled import compiled
from inkclean.base.pieces import pieces_of

_compiled = compiled("inkclean.flats.lettering._shrunk")
LEAST_MM = 0.45  # marks smaller both ways have no shape to go by: stops, accents, dust
MOST_MM = 75.0  # marks larger than this are no letters, nor words written in one go
SIDE = 32  # px a side of a picture of a mark
RIM = 2  # px of paper around it there
AROUND = 2.5  # how far the picture of what is around it reaches, in sizes of the mark


@dataclass(frozen=True)
class Marks:
    """The pieces of ink of a sheet: row i has number i + 1 in ``label`` (H, W).

    ``box`` (N, 4) are x, y, width and height in px; ``size`` (N,) the ink in px²; ``stroke`` (N,)
    the usual width of its strokes in px. ``shaped`` (N,) tells which have a size of letters.
    """

    ink: Bool
    label: I32
    box: I64
    size: F64
    stroke: F64
    shaped: Bool
    px_per_mm: float

    @property
    def centre(self) -> F64:
        """Middles of the boxes, (N, 2) x, y in px."""
        return np.asarray(self.box[:, :2] + self.box[:, 2:] / 2)


def find_marks(ink: Bool, px_per_mm: float) -> Marks:
    """Return the pieces of ``ink`` (H, W), which hang together over corners too."""
    label, stats = pieces_of(ink)
    box, size = stats[1:, :4].astype(np.int64), stats[1:, 4].astype(np.float64)
    side = box[:, 2:].max(axis=1, initial=0) / px_per_mm
    shaped = np.asarray((side >= LEAST_MM) & (side <= MOST_MM))
    return Marks(ink, label, box, size, _strokes(ink, label, size), shaped, px_per_mm)


def _strokes(ink: Bool, label: I32, size: F64) -> F64:
    """Return the width of the strokes of each mark: four times the mean depth of its ink."""
    deep = cv2.distanceTransform(ink.view(np.uint8), cv2.DIST_L2, 3)
    at = label[ink]
    mean = np.bincount(at, deep[ink], len(size) + 1)[1:] / np.maximum(size, 1)
    return np.asarray(np.maximum(4 * mean - 2, 1.0))


def pictures(marks: Marks, rows: I64) -> F32:
    """Return pictures (N, 2, SIDE, SIDE), 0..1, of the marks in ``rows``.

    The first is the mark alone, as large as fits; the second all ink around it, at a scale that
    goes by the mark's own size.
    """
    out = np.zeros((len(rows), 2, SIDE, SIDE), np.float32)
    height, width = marks.ink.shape
    ink = marks.ink.view(np.uint8) * np.uint8(255)
    for nth, row in enumerate(rows.tolist()):
        x, y, wide, high = marks.box[row].tolist()
        own = (marks.label[y : y + high, x : x + wide] == row + 1).view(np.uint8) * np.uint8(255)
        scale = (SIDE - 2 * RIM) / max(wide, high)
        size = max(1, round(wide * scale)), max(1, round(high * scale))
        small = _shrunk(own, size)
        left, top = (SIDE - size[0]) // 2, (SIDE - size[1]) // 2
        out[nth, 0, top : top + size[1], left : left + size[0]] = small
        reach = AROUND * max(high, 0.5 * wide)
        x0, y0 = round(x + wide / 2 - reach), round(y + high / 2 - reach)
        x1, y1 = max(x0 + 1, round(x0 + 2 * reach)), max(y0 + 1, round(y0 + 2 * reach))
        seen = ink[max(y0, 0) : min(y1, height), max(x0, 0) : min(x1, width)]
        # what lies off the sheet is paper
        step = SIDE / (x1 - x0)
        size = max(1, round(seen.shape[1] * step)), max(1, round(seen.shape[0] * step))
        small = _shrunk(seen, size)[:SIDE, :SIDE]
        top = min(round(max(-y0, 0) * step), SIDE - small.shape[0])
        left = min(round(max(-x0, 0) * step), SIDE - small.shape[1])
        out[nth, 1, top : top + small.shape[0], left : left + small.shape[1]] = small
    return out


def _shrunk(mask: U8, size: tuple[int, int]) -> F32:
    smaller = size[0] <= mask.shape[1] and size[1] <= mask.shape[0]
    evenly = mask.shape[1] % size[0] == mask.shape[0] % size[1] == 0  # OpenCV's own way, as fast
    small = shrunk_compiled if smaller and not evenly and _compiled is not None else by_opencv
    return np.asarray(small(mask, size), np.float32) / np.float32(255)


def by_opencv(mask: U8, size: tuple[int, int]) -> U8:
    """Return a mask (H, W), 0 and 255, as a picture of ``size`` (w, h)."""
    smaller = size[0] <= mask.shape[1] and size[1] <= mask.shape[0]
    how = cv2.INTER_AREA if smaller else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(mask, size, interpolation=how), np.uint8)


def shrunk_compiled(mask: U8, size: tuple[int, int]) -> U8:
    """Return what ``by_opencv`` does of a smaller ``size``, by ``_shrunk.c``."""
    small = np.empty(size[::-1], np.uint8)
    _compiled.shrunk(np.ascontiguousarray(mask), mask.shape[1], small, size[0])
    return small
