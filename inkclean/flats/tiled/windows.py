"""Boxes of a page: rows and columns."""

from __future__ import annotations

import numpy as np

from inkclean.base.arrays import I32, I64

Box = tuple[slice, slice]


def whole(shape: tuple[int, ...]) -> Box:
    """Return the box of all of a page."""
    return slice(0, shape[0]), slice(0, shape[1])


def widened(box: Box, by: int, shape: tuple[int, ...]) -> Box:
    """Return a box ``by`` px wider on all sides, inside ``shape``."""
    rows, columns = (
        slice(max(0, side.start - by), min(length, side.stop + by))
        for side, length in zip(box, shape, strict=False)
    )
    return rows, columns


def within(box: Box, outer: Box) -> Box:
    """Return where a box lies in an outer one."""
    rows, columns = (
        slice(side.start - wide.start, side.stop - wide.start)
        for side, wide in zip(box, outer, strict=True)
    )
    return rows, columns


def around(box: I64) -> Box:
    """Return the box around some (N, 4): top, bottom, left, right; an empty one around none."""
    if not len(box):
        return slice(0, 0), slice(0, 0)
    top, left = box[:, 0::2].min(axis=0).tolist()
    bottom, right = box[:, 1::2].max(axis=0).tolist()
    return slice(top, bottom), slice(left, right)


def boxes(label: I32, count: int) -> I64:
    """Return (count + 1, 4): top, bottom, left, right of each label; 0 of one that is missing."""
    from scipy.ndimage import find_objects

    found = np.zeros((count + 1, 4), np.int64)
    for number, box in enumerate(find_objects(label, count), 1):
        if box is not None:
            found[number] = box[0].start, box[0].stop, box[1].start, box[1].stop
    return found
