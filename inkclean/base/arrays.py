"""Array types used all over the package.

Coordinates, everywhere: x to the right, y down, continuous. The outer corner of the first
pixel is (0, 0) and its centre (0.5, 0.5); millimetres are pixels divided by px/mm, with the
same origin at the sheet's top left.
"""

from typing import Any, TypeAlias, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

U8: TypeAlias = NDArray[np.uint8]
U16: TypeAlias = NDArray[np.uint16]
I32: TypeAlias = NDArray[np.int32]
I64: TypeAlias = NDArray[np.int64]
F32: TypeAlias = NDArray[np.float32]
F64: TypeAlias = NDArray[np.float64]
C128: TypeAlias = NDArray[np.complex128]
Bool: TypeAlias = NDArray[np.bool_]

_F = TypeVar("_F", np.float32, np.float64)

_FEW = 64  # values of which numpy tells the median as fast
_AT_ONCE = 1 << 20  # pairs of points that are measured at once


def length(across: NDArray[Any], down: NDArray[Any]) -> F32:
    """Return √(across² + down²), the same to the last bit wherever the arrays lie in memory.

    OpenCV's own magnitude, logarithm and exponential round differently at the ends of blocks,
    so that one pixel in a million depends on where an array happens to start.
    """
    result: F32 = np.multiply(across, across, dtype=np.float32)
    result += down * down
    np.sqrt(result, out=result)
    return result


def offsets_of(counts: NDArray[Any]) -> I64:
    """Return (N + 1,): where each of N groups of ``counts`` (N,) begins, and the last ends."""
    offsets = np.zeros(len(counts) + 1, np.int64)
    np.cumsum(counts, out=offsets[1:])
    return offsets


def count_up(counts: NDArray[Any]) -> I64:
    """Return 0, 1, 2 … within each of N groups of ``counts`` (N,), one group after another."""
    first = np.cumsum(counts) - counts
    return np.asarray(np.arange(int(counts.sum())) - np.repeat(first, counts), np.int64)


def places(mask: NDArray[Any]) -> tuple[I64, I64]:
    """Return the rows and the columns of what is true in a mask (H, W).

    The same as ``numpy.nonzero``, which goes through two axes many times as slowly as through one.
    """
    row, column = np.divmod(np.flatnonzero(mask), max(mask.shape[1], 1))
    return row, column


def distinct(values: I64) -> I64:
    """Return the different ``values`` (N,) in order: what ``numpy.unique`` does.

    numpy looks each up in a table, which takes ten times as long where many differ.
    """
    ordered = np.sort(values)
    new = np.ones(len(ordered), np.bool_)
    np.not_equal(ordered[1:], ordered[:-1], out=new[1:])
    return ordered[new]


def median(values: NDArray[_F]) -> _F:
    """Return what ``numpy.median`` does of all ``values``, to the bit.

    numpy looks for both middle ones and the last at once, by a way ten times slower than the one
    that it has for a single place.
    """
    half = values.size // 2
    if values.size < _FEW:
        return values.dtype.type(np.median(values))
    parted = np.partition(values.ravel(), half)
    if np.isnan(parted[half:].max()):
        return values.dtype.type(np.nan)
    if values.size % 2:
        return parted[half]  # type: ignore[no-any-return]
    return (parted[:half].max() + parted[half]) / values.dtype.type(2)  # type: ignore[no-any-return]


def distance_to_paper(mask: NDArray[Any]) -> F32:
    """Return (H, W): px from each pixel's centre to the nearest centre where ``mask`` is 0.

    Squared distances are whole numbers: rounded to them, the roots are the same wherever the
    arrays lie in memory, which OpenCV's own are not. Without a 0 all is as far as the diagonal.
    """
    away = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    away = np.minimum(away, np.float32(np.hypot(*mask.shape)))
    squared: F32 = np.multiply(away, away, dtype=np.float32)
    np.rint(squared, out=squared)
    return np.sqrt(squared, out=squared)


def any_within(points: F64, places: F64, reach: float) -> Bool:
    """Return (N,): whether any of ``places`` (K, 2) is nearer than ``reach`` to each of ``points``.

    A grid of cells as wide as ``reach`` leaves few points to be measured. A tree of scipy's does
    the same, but takes longer to load than a page's curves to be drawn.
    """
    found = np.zeros(len(points), np.bool_)
    if not len(points) or not len(places):
        return found
    low = np.minimum(points.min(axis=0), places.min(axis=0)) - 2 * reach
    cell, taken = (((where - low) / reach).astype(np.int64) for where in (points, places))
    size = np.maximum(cell.max(axis=0), taken.max(axis=0)) + 3
    grid = np.zeros((size[1], size[0]), np.bool_)
    for down in (-1, 0, 1):
        for across in (-1, 0, 1):
            grid[taken[:, 1] + down, taken[:, 0] + across] = True
    near = np.flatnonzero(grid[cell[:, 1], cell[:, 0]])
    most = max(1, _AT_ONCE // len(places))
    for start in range(0, len(near), most):
        part = near[start : start + most]
        apart = points[part, None] - places
        found[part] = ((apart**2).sum(axis=2) < reach**2).any(axis=1)
    return found
