"""How thin the thinnest lines of the ink are, and how broad its typical ones."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F32, I64
from inkclean.base.tiles import TILE, Tile, side_by_side, tiles

# A line of up to this many px across is measured; broader ink is never the thinnest.
_REACH = 6
# Tips of tapering strokes are thinner than any line: the thinnest twentieth is left out.
_SHARE = 5.0
# A line of up to this many mm across is line work, broader ink is brush or black.
_BROADEST_MM = 1.2
# Fewer pixels of middle line than this are no line work to speak of.
_ENOUGH = 30


def thin_line_mm(coverage: F32, px_per_mm: float) -> float | None:
    """Return the width in mm that all but the thinnest twentieth of the lines reach.

    ``coverage`` is (H, W), 0..1. Widths are read where the distance to the edge has its
    ridge: from half level to half level along rows and along columns, and the two
    lengths w/|cos θ| and w/|sin θ| of a straight line give w whatever its direction. None where
    there are no lines.
    """
    return _quantile_mm(coverage, px_per_mm, _REACH, _SHARE, samples=12_000)


def typical_line_mm(coverage: F32, px_per_mm: float) -> float | None:
    """Return the median width in mm of the lines of a page, measured along their length.

    Read as by ``thin_line_mm``, up to lines of 1.2 mm.
    """
    reach = max(_REACH, round(_BROADEST_MM * px_per_mm))
    return _quantile_mm(coverage, px_per_mm, reach, 50.0, samples=10_000)


def _quantile_mm(
    coverage: F32, px_per_mm: float, reach: int, percent: float, *, samples: int
) -> float | None:
    rows, columns = _middles(coverage, reach)
    if len(rows) < _ENOUGH:
        return None
    step = -(-len(rows) // samples)
    rows, columns = rows[::step], columns[::step]
    across = _run(coverage, rows, columns, 0, 1, 4 * reach)
    down = _run(coverage, rows, columns, 1, 0, 4 * reach)
    width = across * down / np.sqrt(across * across + down * down)
    sound = np.isfinite(width)
    if sound.sum() < _ENOUGH:
        return None
    return float(np.percentile(width[sound], percent)) / px_per_mm


def _middles(coverage: F32, reach: int) -> tuple[I64, I64]:
    """Return rows and columns of the middles of all lines up to ``reach`` px across."""

    def find(tile: Tile) -> tuple[I64, I64]:
        ink = (coverage[tile.around] >= 0.5).view(np.uint8)
        if not ink.any():
            return np.zeros(0, np.int64), np.zeros(0, np.int64)
        depth = cv2.distanceTransform(ink, cv2.DIST_L2, 3)
        top = cv2.dilate(depth, np.ones((3, 3), np.uint8))
        ridge = (depth >= top - np.float32(0.01)) & (depth <= reach / 2) & (depth > 0)
        own = tile.own
        row, column = np.divmod(np.flatnonzero(ridge[tile.inner]), own[1].stop - own[1].start)
        return row + own[0].start, column + own[1].start

    shape = (coverage.shape[0], coverage.shape[1])
    found = side_by_side(find, tiles(shape, TILE, reach // 2 + 4))
    return (
        np.concatenate([part[0] for part in found]),
        np.concatenate([part[1] for part in found]),
    )


def _run(
    coverage: F32,
    rows: I64,
    columns: I64,
    down: int,
    right: int,
    steps: int,
) -> F32:
    """Return the px from each place to the half level, both ways along a row or column.

    Where the picture ends first, it counts up to there.
    """
    height, width = coverage.shape
    flat = coverage.reshape(-1)
    middle = rows * width + columns
    before, after = (rows, height - 1 - rows) if down else (columns, width - 1 - columns)
    total = np.zeros(len(rows), np.float32)
    for sign, room in ((-1, before), (1, after)):
        going, last = np.arange(len(rows)), flat.take(middle)
        for step in range(1, steps):
            there = room.take(going) >= step
            going, last = going[there], last[there]
            if not going.size:
                break
            value = flat.take(middle.take(going) + sign * step * (down * width + right))
            inside = value >= 0.5
            share = (last - 0.5) / np.maximum(last - value, 1e-6)
            total[going] += np.where(inside, 1.0, share)
            going, last = going[inside], value[inside]
    return total
