"""What became of groups of cells, and numbers for pairs of cells."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inkclean.base.arrays import I64, Bool
from inkclean.flats.tiled.windows import Box, around, whole, widened
from inkclean.flats.walls.cells import Cells

FEW = 2000  # cells up to which every pair of them has a place in a table


@dataclass(frozen=True)
class Numbers:
    """What became of groups of cells when some cells changed.

    ``now`` (M + 1,) is the number that each old group has, 0 if none; ``was`` (N + 1,) the other
    way round. Only the groups ``same`` (N + 1,) are made of the same cells.
    """

    now: I64
    was: I64
    same: Bool


def numbers(cells: Cells, group: I64, before: I64) -> Numbers:
    """Return what became of groups; ``group`` (cells + 1,) and ``before`` are those of the cells.

    A group goes on as the one that has most of its cells' paper.
    """
    old, new = int(before.max(initial=0)), int(group.max(initial=0))
    from_ = np.flatnonzero((cells.heir > 0) & (group > 0) & (before[cells.heir] > 0))
    key = before[cells.heir[from_]] * (new + 1) + group[from_]
    pair, which = np.unique(key, return_inverse=True)
    size = np.bincount(which.ravel(), cells.size[from_], len(pair))
    order = np.argsort(-size, kind="stable")
    one, other = pair[order] // (new + 1), pair[order] % (new + 1)
    # each is the largest part of the other
    first_one, first_other = np.full(old + 1, -1), np.full(new + 1, -1)
    rank = np.arange(len(order))
    first_one[one[::-1]], first_other[other[::-1]] = rank[::-1], rank[::-1]
    both = (first_one[one] == rank) & (first_other[other] == rank)
    now, was = np.zeros(old + 1, np.int64), np.zeros(new + 1, np.int64)
    now[one[both]], was[other[both]] = other[both], one[both]
    held = np.bincount(group[1:], minlength=new + 1)
    had = np.bincount(before[1:], minlength=old + 1)
    kept = np.flatnonzero((cells.was > 0) & (group > 0) & (before[cells.was] > 0))
    stayed = kept[was[group[kept]] == before[cells.was[kept]]]
    count = np.bincount(group[stayed], minlength=new + 1)
    return Numbers(now, was, (was > 0) & (count == held) & (count == had[was]))


def elsewhere(cells: Cells, change: Numbers, before: I64, group: I64) -> Box:
    """Return a box around all pixels that are new, or of another group of cells than before.

    ``group`` (cells + 1,) and ``before`` are the groups of the cells that are and were.
    """
    parts, shape = cells.parts, cells.label.shape
    if parts is None:
        return whole(shape)
    boxes = parts.pieces.box[parts.elsewhere(change.now, before, group)]
    rows, columns = cells.altered
    if rows.stop > rows.start:
        boxes = np.append(boxes, [[rows.start, rows.stop, columns.start, columns.stop]], axis=0)
    return widened(around(boxes), cells.ground.reach, shape) if len(boxes) else around(boxes)


def numbered_keys(keys: list[I64], count: int) -> tuple[I64, list[I64]]:
    """Return all keys there are, rising, and the number among these of each.

    A key is of two cells, each below ``count``: the one times ``count`` plus the other.
    """
    if count <= FEW:
        there = np.zeros(count * count, bool)
        for key in keys:
            there[key] = True
        pairs = np.flatnonzero(there)
        number = np.zeros(count * count, np.int64)
        number[pairs] = np.arange(len(pairs))
        return pairs, [number[key] for key in keys]
    pairs = np.unique(np.concatenate(keys))
    return pairs, [np.searchsorted(pairs, key) for key in keys]
