"""Whether two rooms belong together, by what the network tells of places in both."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inkclean.base.arrays import F64, I64
from inkclean.flats.lines.seams import REACH, STEPS, Seen
from inkclean.flats.rasters import tally
from inkclean.flats.tiled.windows import Box
from inkclean.flats.walls.cells import Cells
from inkclean.flats.walls.numbers import numbered_keys
from inkclean.flats.walls.rooms import Rooms


@dataclass(frozen=True)
class Met:
    """Pairs of cells with places on paper, one in each, that lie one of ``REACH`` apart.

    ``key`` (P,) rises: the smaller cell times ``count``, plus the larger. ``told``
    (P, 2 * len(REACH)): sums over these places of the log-odds that they are in one area, then
    how many they are.
    """

    count: int
    key: I64
    told: F64


def find_met(cells: Cells, seen: Seen, before: Met | None = None) -> Met:
    """Return what is told of all pairs of cells; ``before``: what was before the latest edit."""
    count = cells.count + 1
    if before is None or not cells.was.any():
        return _met(cells, seen, None)
    now = np.zeros(before.count, np.int64)
    now[cells.was] = np.arange(count)
    now[0] = 0
    one, other = now[before.key // before.count], now[before.key % before.count]
    kept = (one > 0) & (other > 0)
    key = np.minimum(one, other)[kept] * count + np.maximum(one, other)[kept]
    fresh = _met(cells, seen, cells.window)
    both = np.concatenate([key, fresh.key])
    order = np.argsort(both)
    return Met(count, both[order], np.concatenate([before.told[kept], fresh.told])[order])


def _met(cells: Cells, seen: Seen, window: Box | None) -> Met:
    """Return the pairs of cells; with a window only those one of which is new in it."""
    height, width = cells.label.shape
    rows, columns = seen.rows(), seen.columns()
    down, across = (rows >= 0) & (rows < height), (columns >= 0) & (columns < width)
    told = seen.together
    if window is not None:
        top, bottom = _near(rows, window[0])
        left, right = _near(columns, window[1])
        rows, down, columns, across = (
            rows[top:bottom],
            down[top:bottom],
            columns[left:right],
            across[left:right],
        )
        told = told[:, top:bottom, left:right]
    at = np.ix_(rows.clip(0, height - 1), columns.clip(0, width - 1))
    here = cells.open_[at] & down[:, None] & across[None]
    cell = np.where(here, cells.label[at], 0)
    count = cells.count + 1
    fresh = None if window is None else (cells.was == 0)[cell]
    keys, values = [], []
    for (below, beside), odds in zip(STEPS, told, strict=True):
        # beside may be negative: the place meant lies to the left
        first = (
            slice(max(0, len(cell) - below)),
            slice(max(0, -beside), cell.shape[1] - max(0, beside)),
        )
        second = slice(below, None), slice(max(0, beside), cell.shape[1] + min(0, beside))
        near, far = cell[first], cell[second]
        meet = (near != far) & (near > 0) & (far > 0)
        if fresh is not None:
            meet &= fresh[first] | fresh[second]
        one, other = near[meet].astype(np.int64), far[meet].astype(np.int64)
        keys.append(np.minimum(one, other) * count + np.maximum(one, other))
        values.append(
            odds[: len(near), max(0, -beside) : cell.shape[1] - max(0, beside)][meet].astype(float)
        )
    pairs, indices = numbered_keys(keys, count)
    found = np.zeros((len(pairs), 2 * len(REACH)))
    for k, (index, value) in enumerate(zip(indices, values, strict=True)):
        reach = k * len(REACH) // len(STEPS)
        found[:, reach] += tally(index, value, len(pairs))
        found[:, len(REACH) + reach] += tally(index, None, len(pairs))
    return Met(count, pairs, found)


def _near(middles: I64, side: slice) -> tuple[int, int]:
    """Return from and to which place of a grid a side of a window may have to do with."""
    first, last = np.searchsorted(middles, [side.start, side.stop])
    return max(0, int(first) - max(REACH)), int(last) + max(REACH)


def belonging(rooms: Rooms, met: Met) -> F64:
    """Return for each pair of rooms (E, 2 * len(REACH)) the log-odds that they are one area.

    First the sums over all pairs of places on paper, one in each room, that lie one of
    ``REACH`` apart; then how many these are.
    """
    pairs = rooms.a * (rooms.count + 1) + rooms.b  # in order
    found = np.zeros((len(pairs), met.told.shape[1]))
    if not len(pairs):
        return found
    one, other = rooms.of[met.key // met.count], rooms.of[met.key % met.count]
    key = np.minimum(one, other) * (rooms.count + 1) + np.maximum(one, other)
    index = np.minimum(np.searchsorted(pairs, key), len(pairs) - 1)
    known = pairs[index] == key
    for column in range(found.shape[1]):
        found[:, column] = tally(index[known], met.told[known, column], len(pairs))
    return found
