"""Points and ways of the plane, (..., 2) float64: the one layout of ``curves``.

numpy turns and multiplies complex numbers in one pass. Where that pays, a function looks at its
points as complex numbers inside and hands points back: both are views, no copies.
"""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from inkclean.base.arrays import C128, F64, I64, Bool

_T = TypeVar("_T", bound=np.generic)


def as_complex(points: F64) -> C128:
    """Return points (..., 2) as complex numbers (...), x the real part."""
    whole = np.ascontiguousarray(points, np.float64)
    return whole.view(np.complex128)[..., 0]


def as_points(numbers: C128) -> F64:
    """Return complex numbers (...) as points (..., 2)."""
    whole = np.ascontiguousarray(numbers, np.complex128)
    return whole.view(np.float64).reshape(*whole.shape, 2)


def rows_of(values: NDArray[_T], which: I64 | Bool) -> NDArray[_T]:
    """Return ``values[which]``, rows of (N, ...) by their numbers or by a mark (N,) on each.

    numpy's own index looks at each number of a row; this takes whole rows, six times as fast.
    """
    some = np.flatnonzero(which) if which.dtype == np.bool_ else which
    return values.take(some, axis=0)


def put_rows(values: NDArray[_T], at: I64, rows: NDArray[_T]) -> None:
    """Put ``rows`` (K, 2) into ``values`` (N, 2), contiguous, at the places ``at``; as fast."""
    pair = np.dtype((np.void, 2 * values.itemsize))
    values.view(pair)[:, 0][at] = np.ascontiguousarray(rows, values.dtype).view(pair)[:, 0]


def dot(one: Any, other: Any) -> Any:
    """Return the dot product (...) of ways (..., 2), in their own precision."""
    product = one[..., 0] * other[..., 0]
    product += one[..., 1] * other[..., 1]
    return product


def cross(one: F64, other: F64) -> F64:
    """Return the cross product (...) of ways (..., 2): positive where the turn is clockwise as
    seen on the screen.
    """
    return np.asarray((np.conj(as_complex(one)) * as_complex(other)).imag)


def length(way: F64) -> F64:
    """Return the length (...) of ways (..., 2)."""
    return np.asarray(np.abs(as_complex(way)))


def unit(way: F64) -> F64:
    """Return ways (..., 2) of length 1; what has hardly any length keeps what it has."""
    z = as_complex(way)
    return as_points(z / np.maximum(np.abs(z), 1e-9))


def turn(one: F64, other: F64) -> F64:
    """Return the turn (...) from one way (..., 2) to the other, radians, -π to π."""
    return np.asarray(np.angle(as_complex(other) * np.conj(as_complex(one))))
