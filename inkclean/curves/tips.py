"""Where outlines cross: tips may reach across other edges, and curves beside a thin line meet.

Pieces of outline are sorted into squares of a grid, and each side of a corner is held against
the pieces in the squares that it touches.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from inkclean.arrays import F64, I32, I64

C128: TypeAlias = NDArray[np.complex128]

_SQUARE_PX = 3.0
"""Side of the squares: most pieces are shorter than that."""


def tips_crossed(points: F64, loops: I64, corner: I64) -> tuple[I64, I64]:
    """Return the pairs of a corner (its number in ``corner`` (C,)) and a piece that crosses it.

    ``points`` (N, 2) px are closed polylines, ``loops`` (L + 1,) their offsets. A piece is named
    by the point it starts from; a corner's own are the two beside it.
    """
    preceding = np.arange(points.shape[0]) - 1
    preceding[loops[:-1]] = loops[1:] - 1
    side = np.concatenate((corner, preceding[corner]))
    one, two = crossing_pieces(points, loops, np.unique(side))
    piece, other = np.concatenate((one, two)), np.concatenate((two, one))
    # One piece may lie between two corners.
    order = np.argsort(side)
    begin = np.searchsorted(side[order], piece)
    count = np.searchsorted(side[order], piece, side="right") - begin
    pair = np.repeat(np.arange(count.size), count)
    nth = np.arange(pair.size) - np.repeat(np.cumsum(count) - count, count)
    return order[begin[pair] + nth] % max(corner.size, 1), other[pair]


def crossing_pieces(points: F64, loops: I64, side: I64) -> tuple[I64, I64]:
    """Return the pairs of pieces, one of them of ``side``, that cross each other.

    Names and arguments as for ``tips_crossed``.
    """
    following = np.arange(points.shape[0]) + 1
    following[loops[1:] - 1] = loops[:-1]
    one, two = _neighbours(points, following, side)
    ahead = following[two]
    apart = (one != two) & (following[one] != two) & (ahead != one)
    for axis in (0, 1):
        a, b, c, d = (points[k, axis] for k in (one, following[one], two, ahead))
        apart &= np.maximum(a, b) >= np.minimum(c, d)
        apart &= np.maximum(c, d) >= np.minimum(a, b)
    one, two = one[apart], two[apart]
    z = points[:, 0] + 1j * points[:, 1]
    p, q, r, s = z[one], z[following[one]], z[two], z[following[two]]
    crossing = (_turn(p, q, r) * _turn(p, q, s) < 0) & (_turn(r, s, p) * _turn(r, s, q) < 0)
    return one[crossing], two[crossing]


def _turn(a: C128, b: C128, c: C128) -> F64:
    turn: F64 = (np.conj(b - a) * (c - a)).imag
    return turn


def _neighbours(points: F64, following: I64, side: I64) -> tuple[I64, I64]:
    """Pairs of one of the pieces ``side`` and any piece that touches one square with it."""
    start = (points * (1.0 / _SQUARE_PX)).astype(np.int32)
    start -= start.min(axis=0)
    wide, tall = (start.max(axis=0) + 1).tolist()
    end = start[following]
    low, high = np.minimum(start, end), np.maximum(start, end)
    side_square, side_owner = _squares(low[side], high[side], wide)
    marked = np.zeros(wide * tall, np.bool_)
    marked[side_square] = True
    near = (high - low).max(axis=1) > 1
    for x in (low[:, 0], high[:, 0]):
        for y in (low[:, 1], high[:, 1]):
            near |= marked[y * wide + x]
    other = np.flatnonzero(near)
    square, owner = _squares(low[other], high[other], wide)
    order = np.argsort(square, kind="stable")
    square, owner = square[order], other[owner[order]]
    begin = np.searchsorted(square, side_square)
    size = np.searchsorted(square, side_square, side="right") - begin
    pair = np.repeat(np.arange(size.size), size)
    nth = np.arange(pair.size) - np.repeat(np.cumsum(size) - size, size)
    return side[side_owner[pair]], owner[begin[pair] + nth]


def _squares(low: I32, high: I32, wide: int) -> tuple[I32, I64]:
    """All squares of each box, and the box each belongs to."""
    across = high[:, 0] - low[:, 0] + 1
    size = across * (high[:, 1] - low[:, 1] + 1)
    owner = np.repeat(np.arange(size.size), size)
    nth = (np.arange(owner.size) - np.repeat(np.cumsum(size) - size, size)).astype(np.int32)
    row = nth // across[owner]
    column = low[owner, 0] + nth - row * across[owner]
    return (low[owner, 1] + row) * wide + column, owner
