"""Panels whose ruled border is broken or of a dry brush: boxes with a line on all four sides."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np

from inkclean.base.arrays import F64, I64, U8, Bool
from inkclean.flats.rasters import square

WINDOW_MM = 15.0  # length of the stretches in which a line is looked for
INKED = 0.5  # share of such a stretch that is inked
CLEAR = 0.3  # how much less is inked beside a line, on one side at least
SIDE = 0.62  # share of each side of a box that is inked
ENDS = 0.4  # share of each third of a side that is, so that round shapes are no boxes
BARE = 0.2  # largest share that is inked just outside a side
CLEARER = 0.15  # how much less is inked just inside,
RULED = 0.85  # unless so much of the side is inked: a panel full of hatching is dark inside
LOOSE_MM = 0.5  # how far ink may lie off a side
OUTSIDE_MM = 1.5  # what lies just outside lies so far from it
MOST_LINES = 64  # the longest ones; a page of hatching has thousands
MOST_BOXES = 100


class _Box(NamedTuple):
    """A box in px, and the share of its worst side that is inked."""

    top: int
    bottom: int
    left: int
    right: int
    inked: float

    def rank(self) -> tuple[int, int]:
        """Return what sorts the best drawn first, and of those the smallest."""
        size = (self.bottom - self.top) * (self.right - self.left)
        return -round(10 * self.inked), size


@dataclass(frozen=True)
class _Lines:
    """Lines along the rows: ``at`` (R,) px; the rest (R, C, C), between every two columns.

    ``first``, ``last``: how well a line would do as a box's first side or its last, the share of
    it that is inked, or 0.
    """

    at: I64
    first: F64
    last: F64

    def inside(self, k: int, m: int, far: float) -> I64:
        """Return how many lines from column k to m lie between every two, (R, R).

        Such have paper on both sides; those less than ``far`` px from each other, or from the
        two, count as one.
        """
        at = self.at[(self.first[:, k, m] > 0) & (self.last[:, k, m] > 0)]
        at = at[np.diff(at, prepend=-far) >= far]
        after = np.searchsorted(at, self.at + far, side="left")
        before = np.searchsorted(at, self.at - far, side="right")
        return np.asarray(before[None, :] - after[:, None])


def find_boxes(coarse: Bool, px_per_mm: float, least_mm: float) -> tuple[U8, F64]:
    """Return the number of the box at each pixel of ``coarse`` (H, W), 1.., and 0 outside all.

    Beside it, for each number, the share of the box's worst side that is inked. A box stands
    upright, no side shorter than ``least_mm``, has a line on every side and paper just outside.
    Of boxes that overlap the best drawn one is kept, of like ones the smallest. What is ruled
    across both ways, or twice one way, is part of a table or of planks, and no box.
    """
    ink, turned = coarse.astype(np.uint8), np.ascontiguousarray(coarse.T).astype(np.uint8)
    row_at, column_at = _places(ink, px_per_mm), _places(turned, px_per_mm)
    rows = _lines(ink, row_at, column_at, px_per_mm)
    columns = _lines(turned, column_at, row_at, px_per_mm)
    least, far = round(least_mm * px_per_mm), OUTSIDE_MM * 2 * px_per_mm
    out, inked = np.zeros(coarse.shape, np.uint8), [0.0]
    for box in sorted(_framed(rows, columns, least, far), key=_Box.rank):
        inside = out[box.top : box.bottom + 1, box.left : box.right + 1]
        if len(inked) <= MOST_BOXES and not inside.any():
            inside[1:-1, 1:-1] = len(inked)
            inked.append(box.inked)
    return out, np.array(inked)


def _framed(rows: _Lines, columns: _Lines, least: int, far: float) -> list[_Box]:
    """Return all boxes with a line on every side that nothing rules into a table."""
    apart = columns.at[None, :] - columns.at[:, None] >= least
    tall = rows.at[None, :] - rows.at[:, None] >= least
    found = []
    for k, m in np.argwhere(apart & rows.first.any(axis=0) & rows.last.any(axis=0)).tolist():
        sides = columns.first[k], columns.last[m]
        worst = np.minimum(rows.first[:, k, m][:, None], rows.last[:, k, m])
        worst = np.where(tall, np.minimum(worst, np.minimum(*sides)), 0)
        if not worst.any():
            continue
        across = rows.inside(k, m, far)
        for i, j in np.argwhere((worst > 0) & (across < 2)).tolist():
            if across[i, j] + columns.inside(i, j, far)[k, m] < 2:
                place = rows.at[i], rows.at[j], columns.at[k], columns.at[m]
                found.append(_Box(*place, worst[i, j]))
    return found


def _places(ink: U8, px_per_mm: float) -> I64:
    """Return the rows (R,) on which the longest straight lines run, broken or not."""
    window, beside = round(WINDOW_MM * px_per_mm), round(OUTSIDE_MM * px_per_mm)
    thick = np.asarray(cv2.dilate(ink, np.ones((3, 1), np.uint8)), np.float32)
    share = cv2.blur(thick, (window, 1), borderType=cv2.BORDER_CONSTANT)
    padded = np.pad(share, ((beside + 1, beside + 1), (0, 0)), constant_values=0)
    around = np.minimum(padded[: -2 * beside - 2], padded[2 * beside + 2 :])
    line = ((share >= INKED) & (around <= share - CLEAR)).astype(np.uint8)
    peak = line & (share >= cv2.dilate(share, np.ones((3, 1), np.uint8)))
    _, _, stats, middle = cv2.connectedComponentsWithStats(peak, connectivity=8)
    order = np.argsort(-stats[1:, cv2.CC_STAT_WIDTH], kind="stable")[:MOST_LINES] + 1
    return np.unique(np.round(middle[order, 1])).astype(np.int64)


def _lines(ink: U8, rows: I64, columns: I64, px_per_mm: float) -> _Lines:
    """Return what the lines on some rows would do for a box between any two columns."""
    loose, outside = round(LOOSE_MM * px_per_mm), round(OUTSIDE_MM * px_per_mm)
    before, after = np.maximum(rows - outside, 0), np.minimum(rows + outside, ink.shape[0] - 1)
    near = np.asarray(cv2.dilate(ink, square(2 * loose + 1)), np.uint8)
    share = _shares(near, rows, columns)
    whole = share >= SIDE
    for third in range(3):
        whole &= _shares(near, rows, columns, (third / 3, (third + 1) / 3)) >= ENDS
    bare = [_shares(ink, beside, columns) <= BARE for beside in (before, after)]
    clear = [share - _shares(near, beside, columns) >= CLEARER for beside in (before, after)]
    ruled = share >= RULED
    first, last = whole & bare[0] & (clear[1] | ruled), whole & bare[1] & (clear[0] | ruled)
    return _Lines(rows, np.where(first, share, 0.0), np.where(last, share, 0.0))


def _shares(ink: U8, rows: I64, columns: I64, part: tuple[float, float] = (0.0, 1.0)) -> F64:
    """Return the share of ink along a part of each row between each two columns, (R, C, C)."""
    total = np.pad(np.cumsum(ink[rows], axis=1, dtype=np.float64), ((0, 0), (1, 0)))
    run = np.maximum(columns[None, :] - columns[:, None], 0)
    start = columns[:, None] + np.round(run * part[0]).astype(np.int64)
    stop = columns[:, None] + np.round(run * part[1]).astype(np.int64)
    return np.asarray((total[:, stop] - total[:, start]) / np.maximum(stop - start, 1))
