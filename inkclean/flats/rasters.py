"""Small raster operations with their types pinned down."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from inkclean.base.arrays import F32, F64, I32, U8, Bool
from inkclean.base.pieces import pieces_of


def square(size: int) -> U8:
    """Return a square kernel."""
    return np.ones((size, size), np.uint8)


def dilated(mask: U8 | Bool, kernel: U8) -> U8:
    """Return a mask (0, 1) dilated."""
    return np.asarray(cv2.dilate(mask.astype(np.uint8), kernel), np.uint8)


def depth(mask: U8 | Bool) -> F32:
    """Return the distance in px from each pixel of a mask to the nearest one outside it."""
    return np.asarray(cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5), np.float32)


def beside_others(label: NDArray[np.integer[Any]]) -> Bool:
    """Return where a map (H, W) has another label above, below, left or right."""
    edge = np.zeros(label.shape, np.bool_)
    across, down = label[:, 1:] != label[:, :-1], label[1:] != label[:-1]
    edge[:, 1:] |= across
    edge[:, :-1] |= across
    edge[1:] |= down
    edge[:-1] |= down
    return edge


def pieces(mask: U8 | Bool, connectivity: int = 8) -> tuple[int, I32]:
    """Return how many connected pieces a mask has, 0 (outside) counted, and their map."""
    label, told = pieces_of(mask, connectivity)
    return len(told), label


def deepest(label: NDArray[np.integer[Any]], depth_px: F32, count: int) -> F32:
    """Return the most that ``depth_px`` (H, W), 0 or more, is at each label 1..count − 1.

    Only pixels that no neighbour in their row, of the same label, is deeper than are asked.
    """
    alike = label[:, 1:] == label[:, :-1]
    peak = label > 0
    peak[:, 1:] &= ~(alike & (depth_px[:, 1:] < depth_px[:, :-1]))
    peak[:, :-1] &= ~(alike & (depth_px[:, :-1] < depth_px[:, 1:]))
    at = np.flatnonzero(peak)
    most = np.zeros(count, np.float32)
    np.maximum.at(most, label.ravel()[at], depth_px.ravel()[at])
    return most


def tally(label: NDArray[np.integer[Any]], weight: NDArray[Any] | None, count: int) -> F64:
    """Return the sum of the weights (None: 1 each) at each label 0..count − 1."""
    if weight is None:
        return np.bincount(label, minlength=count).astype(np.float64)
    return np.asarray(np.bincount(label, weight, count), np.float64)


def in_order(label: NDArray[np.integer[Any]], most: int) -> I32:
    """Return a map (H, W) with its labels 1.., in the order they are met from the top left.

    0 stays 0, and so becomes what is met after ``most`` others.
    """
    new = np.ones(label.shape, bool)  # the first pixel of an area differs from the one before
    np.not_equal(label[:, 1:], label[:, :-1], out=new[:, 1:])
    used, first = np.unique(label[new], return_index=True)
    table = np.zeros(int(label.max(initial=0)) + 1, np.int32)
    order = np.argsort(first)
    order = order[used[order] > 0][:most]
    table[used[order]] = np.arange(1, len(order) + 1)
    return np.asarray(table[label], np.int32)
