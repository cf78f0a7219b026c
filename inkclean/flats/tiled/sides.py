"""Where the labels of a map meet, and in which order they are met."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from inkclean.base.arrays import I32, I64
from inkclean.base.compiled import compiled

FEW = 1500  # labels up to which every pair of them has a place in a table

_compiled = compiled("inkclean.flats.tiled._sides")


def touching(label: I32) -> tuple[I64, I64, I64, I64]:
    """Return every two pixels side by side that differ, by number, and the labels of these.

    All are (M,): the first pixel, the one to its right or below it, the smaller and the larger
    label. Those to the right come first.
    """
    if _compiled is None or not label.size:
        return touching_by_numpy(label)
    label = np.ascontiguousarray(label)
    count = _compiled.many(label, label.shape[1])
    found = np.empty((4, count), np.int64)
    one, other, a, b = found
    _compiled.touch(label, label.shape[1], one, other, a, b)
    return one, other, a, b


def touching_by_numpy(label: I32) -> tuple[I64, I64, I64, I64]:
    """Return what ``touching`` does, by numpy."""
    width = label.shape[1]
    across = np.flatnonzero(label[:, 1:] != label[:, :-1])
    across += across // max(width - 1, 1)  # the last of a row has none beside it
    down = np.flatnonzero(label[1:] != label[:-1])
    one, other = np.append(across, down), np.append(across + 1, down + width)
    pixels = label.ravel().astype(np.int64)
    first, second = pixels[one], pixels[other]
    return one, other, np.minimum(first, second), np.maximum(first, second)


def shared(label: I32, n: int) -> tuple[I64, I64, I64]:
    """Return pairs of labels that touch, a < b, sorted, and how many pixel edges they share.

    ``label`` (H, W) is 0..n.
    """
    table: NDArray[np.int32] | NDArray[np.int64]
    if n > FEW:
        *_, a, b = touching(label)
        key, count = np.unique(a * (n + 1) + b, return_counts=True)
        return key // (n + 1), key % (n + 1), count
    if _compiled is None or not label.size:
        *_, a, b = touching_by_numpy(label)
        table = np.bincount(a * (n + 1) + b, minlength=(n + 1) ** 2)
    else:
        table = np.zeros((n + 1) ** 2, np.int32)
        _compiled.share(np.ascontiguousarray(label), label.shape[1], table)
    key = np.flatnonzero(table)
    return key // (n + 1), key % (n + 1), table[key].astype(np.int64)


def ordered(label: I32, of: I64, count: int, most: int) -> tuple[I64, I32]:
    """Return a number for each of ``count`` groups of labels, and the map of the numbers.

    ``of`` (N,) is the group of each label. They are numbered 1.. in the order they are met from
    the top left; group 0 stays 0, and so becomes what is met after ``most`` others.
    """
    if _compiled is None:
        return ordered_by_numpy(label, of, count, most)
    number, out = np.zeros(count, np.int64), np.empty(label.shape, np.int32)
    _compiled.order(np.ascontiguousarray(label), np.ascontiguousarray(of), most, number, out)
    return number, out


def ordered_by_numpy(label: I32, of: I64, count: int, most: int) -> tuple[I64, I32]:
    """Return what ``ordered`` does, by numpy."""
    new = np.ones(label.shape, bool)  # the first pixel of a label differs from the one before
    np.not_equal(label[:, 1:], label[:, :-1], out=new[:, 1:])
    starts = label[new]
    first = np.full(len(of), len(starts))
    first[starts[::-1]] = np.arange(len(starts))[::-1]
    group = np.full(count, len(starts))
    np.minimum.at(group, of, first)
    met = np.argsort(group, kind="stable")[: np.count_nonzero(group < len(starts))]
    met = met[met > 0][:most]
    number = np.zeros(count, np.int64)
    number[met] = np.arange(1, len(met) + 1)
    return number, np.asarray(number[of].astype(np.int32)[label], np.int32)
