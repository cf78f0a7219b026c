"""How thin the thinnest lines of the ink are."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.arrays import F32

# A line of up to this many px across is measured; broader ink is never the thinnest.
_REACH = 6
# Tips of tapering strokes are thinner than any line: the thinnest twentieth is left out.
_SHARE = 5.0
# Fewer pixels of middle line than this are no line work to speak of.
_ENOUGH = 30


def thin_line_mm(coverage: F32, px_per_mm: float) -> float | None:
    """Return the width in mm that all but the thinnest twentieth of the lines reach.

    ``coverage`` is (H, W), 0..1. Widths are read where the distance to the edge has its
    ridge: the coverage is summed across the line along rows and along columns, and the two
    sums w/|cos θ| and w/|sin θ| of a straight line give w whatever its direction. None where
    there are no lines.
    """
    ink = (coverage >= 0.5).astype(np.uint8)
    depth = cv2.distanceTransform(ink, cv2.DIST_L2, 3)
    ridge = (depth >= cv2.dilate(depth, np.ones((3, 3), np.uint8)) - 0.01) & (ink > 0)
    rows, columns = np.nonzero(ridge & (depth <= _REACH / 2))
    if len(rows) < _ENOUGH:
        return None
    step = max(1, len(rows) // 40_000)
    rows, columns = rows[::step], columns[::step]
    across = _run(coverage, rows, columns, 0, 1)
    down = _run(coverage, rows, columns, 1, 0)
    width = across * down / np.sqrt(across * across + down * down)
    sound = np.isfinite(width)
    if sound.sum() < _ENOUGH:
        return None
    return float(np.percentile(width[sound], _SHARE)) / px_per_mm


def _run(
    coverage: F32,
    rows: np.ndarray[tuple[int], np.dtype[np.intp]],
    columns: np.ndarray[tuple[int], np.dtype[np.intp]],
    down: int,
    right: int,
) -> F32:
    """Sum coverage from each place outwards both ways until it falls under a tenth."""
    height, width = coverage.shape
    total = coverage[rows, columns].astype(np.float32)
    for sign in (-1, 1):
        going = np.ones(len(rows), bool)
        last = coverage[rows, columns]
        for step in range(1, 4 * _REACH):
            row = rows + sign * step * down
            column = columns + sign * step * right
            going &= (row >= 0) & (row < height) & (column >= 0) & (column < width)
            value = coverage[np.clip(row, 0, height - 1), np.clip(column, 0, width - 1)]
            # past the edge the sum ends where the next line begins to rise
            going &= (value >= 0.5) | (value <= last)
            total += np.where(going, value, 0.0)
            last = value
    return total
