"""Array types used all over the package.

Coordinates, everywhere: x to the right, y down, continuous. The outer corner of the first
pixel is (0, 0) and its centre (0.5, 0.5); millimetres are pixels divided by px/mm, with the
same origin at the sheet's top left.
"""

from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

U8: TypeAlias = NDArray[np.uint8]
U16: TypeAlias = NDArray[np.uint16]
I32: TypeAlias = NDArray[np.int32]
I64: TypeAlias = NDArray[np.int64]
F32: TypeAlias = NDArray[np.float32]
F64: TypeAlias = NDArray[np.float64]
Bool: TypeAlias = NDArray[np.bool_]


def length(across: NDArray[Any], down: NDArray[Any]) -> F32:
    """Return √(across² + down²), the same to the last bit wherever the arrays lie in memory.

    OpenCV's own magnitude, logarithm and exponential round differently at the ends of blocks,
    so that one pixel in a million depends on where an array happens to start.
    """
    result: F32 = np.multiply(across, across, dtype=np.float32)
    result += down * down
    np.sqrt(result, out=result)
    return result


def median(values: NDArray[Any], axis: int | None = None) -> NDArray[Any]:
    """Return the median along ``axis``, over all if None; there must be values, none NaN.

    What numpy's own gives, which loads masked arrays first: 30 ms in a page's two seconds.
    """
    if axis is None:
        values, axis = values.ravel(), 0
    count = values.shape[axis]
    half = count // 2
    if count % 2:
        return np.asarray(np.partition(values, half, axis=axis).take(half, axis=axis))
    parted = np.partition(values, (half - 1, half), axis=axis)
    below, above = parted.take(half - 1, axis=axis), parted.take(half, axis=axis)
    return np.asarray(np.mean([below, above], axis=0))
