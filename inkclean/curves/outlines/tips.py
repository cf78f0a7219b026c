"""Where outlines cross: tips may reach across other edges, and curves beside a thin line meet.

Pieces of outline are sorted into squares of a grid, and each side of a corner is held against
the pieces in the squares that it touches.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from inkclean.base.arrays import F64, I32, I64, Bool, count_up, distinct, offsets_of
from inkclean.base.compiled import compiled
from inkclean.curves.plane import cross, length

_meetings = compiled("inkclean.curves.outlines._meetings")

_SQUARE_PX = 2.0  # px, side of the squares: most pieces are shorter
_PAIRS = 1 << 19  # pairs of pieces that are looked at at once: what fits in the cache


@dataclass(frozen=True)
class EdgePieces:
    """Pieces of closed polylines of ``points`` (N, 2) px, each piece named by the point it
    starts from; ``following`` (N,) the point it ends at. ``loops`` (L + 1,) are offsets.
    """

    points: F64
    following: I64
    loops: I64

    def before(self, piece: I64) -> I64:
        """Return the piece before each of these (K,)."""
        own = np.searchsorted(self.loops, piece, side="right")
        return np.where(piece == self.loops[own - 1], self.loops[own], piece) - 1


def pieces_of(points: F64, loops: I64) -> EdgePieces:
    """Return the pieces of closed polylines of ``points`` (N, 2), ``loops`` (L + 1,) offsets.

    They hold the points themselves, no copy.
    """
    following = np.arange(1, points.shape[0] + 1)
    following[loops[1:] - 1] = loops[:-1]
    return EdgePieces(points, following, loops)


def beside(pieces: EdgePieces, corner: I64) -> I64:
    """The pieces to either side of each of the points ``corner``."""
    return distinct(np.concatenate((corner, pieces.before(corner))))


def tips_crossed(pieces: EdgePieces, corner: I64, among: I64 | None = None) -> tuple[I64, I64]:
    """Return the pairs of a corner (its number in ``corner`` (C,)) and a piece that crosses it.

    A corner's own pieces are the two beside it. ``among`` as for ``crossing_pieces``.
    """
    side = np.concatenate((corner, pieces.before(corner)))
    one, two = crossing_pieces(pieces, distinct(side), among)
    piece, other = np.concatenate((one, two)), np.concatenate((two, one))
    # One piece may lie between two corners.
    order = np.argsort(side)
    begin = np.searchsorted(side[order], piece)
    count = np.searchsorted(side[order], piece, side="right") - begin
    pair = np.repeat(np.arange(count.size), count)
    nth = count_up(count)
    return order[begin[pair] + nth] % max(corner.size, 1), other[pair]


def crossing_pieces(pieces: EdgePieces, side: I64, among: I64 | None = None) -> tuple[I64, I64]:
    """Return the pairs of pieces, one of them of ``side``, that cross each other.

    Only pieces ``among`` those given are looked at, or those near enough.
    """
    if _meetings is not None:
        return meeting_compiled(pieces, side, among)
    return crossing_by_numpy(pieces, side, among)


def crossing_by_numpy(pieces: EdgePieces, side: I64, among: I64 | None = None) -> tuple[I64, I64]:
    """Return what ``crossing_pieces`` does, pairs within ``side`` from both sides."""
    if among is None:
        among = near_pieces(pieces, side)
    one, two = _neighbours(pieces, side, among)
    return _crossed(pieces, _Boxes.of(pieces), one, two)


def all_crossings(pieces: EdgePieces, side: I64, reach: F64 | None = None) -> tuple[I64, I64]:
    """Return the pairs of pieces, one of them of ``side``, that cross, each pair at least once.

    With ``reach`` (N,) px, how far off each piece its curve may run, all that may cross. Else
    the same as ``crossing_pieces`` finds, in another order.
    """
    if side.size == 0:
        return side, side
    if _meetings is not None:
        return meeting_compiled(pieces, side, None, reach)
    return all_by_numpy(pieces, side, reach)


def meeting_compiled(
    pieces: EdgePieces, side: I64, among: I64 | None = None, reach: F64 | None = None
) -> tuple[I64, I64]:
    """Return what ``crossing_pieces`` or ``all_crossings`` do, by ``_meetings.c``: the same pairs,
    each once.
    """
    count = len(pieces.points)
    of_side = np.zeros(count, np.bool_)
    of_side[side] = True
    looked_at = np.ones(count, np.bool_) if among is None else of_side.copy()
    if among is not None:
        looked_at[among] = True
    found = _meetings.meeting(
        np.ascontiguousarray(pieces.points, np.float64),
        np.ascontiguousarray(pieces.following, np.int64),
        of_side,
        looked_at,
        np.zeros(0) if reach is None else np.ascontiguousarray(reach, np.float64),
        1.0 / _SQUARE_PX,
    )
    one, two = np.ascontiguousarray(np.frombuffer(found, np.int64).reshape(-1, 2).T)
    near = None if reach is None else reach.take(one) + reach.take(two)
    kept = np.flatnonzero(do_cross(pieces, one, two, near))
    return one[kept], two[kept]


def all_by_numpy(pieces: EdgePieces, side: I64, reach: F64 | None = None) -> tuple[I64, I64]:
    """Return what ``all_crossings`` does. For ``side`` of most of the pieces: each two in a square
    meet once and not from both sides, a part of them at a time.
    """
    among = near_pieces(pieces, side)
    boxes = _Boxes.of(pieces, reach)
    low, high = boxes.squares(among)
    wide, tall = (int(most) + 1 for most in high.max(axis=1))
    square, owner = _squares(low, high, wide)
    owner = among[owner]
    of_side = np.zeros(pieces.points.shape[0], np.bool_)
    of_side[side] = True
    asked = np.zeros(wide * tall, np.bool_)
    asked[square[of_side.take(owner)]] = True
    touching = np.flatnonzero(asked.take(square))
    touching = touching[np.argsort(square.take(touching), kind="stable")]
    square, owner = square[touching], owner[touching]
    last = np.flatnonzero(np.append(square[1:] != square[:-1], True))
    others = np.repeat(last, np.diff(last, prepend=-1)) - np.arange(square.size)
    so_far = offsets_of(others)
    parts = np.arange(0, int(so_far[-1]) + _PAIRS, _PAIRS)
    found = []
    ends = np.minimum(np.searchsorted(so_far, parts), square.size)
    for begin, end in pairwise(np.unique(ends).tolist()):
        at = np.repeat(np.arange(begin, end), others[begin:end])
        then = at + 1 + count_up(others[begin:end])
        one, two = owner.take(at), owner.take(then)
        wanted = np.flatnonzero(of_side.take(one) | of_side.take(two))
        found.append(_crossed(pieces, boxes, one.take(wanted), two.take(wanted), reach))
    return _joined(found)


def _joined(found: list[tuple[I64, I64]]) -> tuple[I64, I64]:
    none = np.zeros(0, np.int64)
    return (
        np.concatenate([none, *(one for one, _ in found)]),
        np.concatenate([none, *(two for _, two in found)]),
    )


@dataclass(frozen=True)
class _Boxes:
    """Lowest and highest x and y of each piece, (N,) each, and ``reach`` (N,) about it."""

    left: F64
    right: F64
    top: F64
    bottom: F64

    @classmethod
    def of(cls, pieces: EdgePieces, reach: F64 | None = None) -> _Boxes:
        x, y = (np.ascontiguousarray(pieces.points[:, axis]) for axis in (0, 1))
        ahead_x, ahead_y = x.take(pieces.following), y.take(pieces.following)
        more = 0.0 if reach is None else reach
        return cls(
            np.minimum(x, ahead_x) - more,
            np.maximum(x, ahead_x) + more,
            np.minimum(y, ahead_y) - more,
            np.maximum(y, ahead_y) + more,
        )

    def squares(self, some: I64) -> tuple[I32, I32]:
        """Lowest and highest squares (2, K), column and row, of ``some`` pieces."""
        low, high = (
            np.floor(np.stack((x.take(some), y.take(some))) * (1.0 / _SQUARE_PX)).astype(np.int32)
            for x, y in ((self.left, self.top), (self.right, self.bottom))
        )
        least = low.min(axis=1, keepdims=True)
        return low - least, high - least


def _crossed(
    pieces: EdgePieces, boxes: _Boxes, one: I64, two: I64, reach: F64 | None = None
) -> tuple[I64, I64]:
    """Return those of the pairs that cross, or may within their ``reach``; pieces that share an
    end don't.
    """
    for low, high in ((boxes.left, boxes.right), (boxes.top, boxes.bottom)):
        meet = high.take(one) >= low.take(two)
        meet &= high.take(two) >= low.take(one)
        kept = np.flatnonzero(meet)
        one, two = one.take(kept), two.take(kept)
    end, ahead = pieces.following.take(one), pieces.following.take(two)
    kept = np.flatnonzero((one != two) & (end != two) & (ahead != one))
    one, two = one.take(kept), two.take(kept)
    near = None if reach is None else reach.take(one) + reach.take(two)
    kept = np.flatnonzero(do_cross(pieces, one, two, near))
    return one[kept], two[kept]


def do_cross(pieces: EdgePieces, one: I64, two: I64, near: F64 | None = None) -> Bool:
    """Whether each pair (K,) of pieces crosses, or would if they were ``near`` (K,) px nearer."""
    end, ahead = pieces.following.take(one), pieces.following.take(two)
    p, q, r, s = (pieces.points.take(part, axis=0) for part in (one, end, two, ahead))
    crossing = np.ones(one.size, np.bool_)
    for start, stop, other, last in ((p, q, r, s), (r, s, p, q)):
        along = stop - start
        left, right = cross(along, other - start), cross(along, last - start)
        met = left * right < 0
        if near is not None:
            met |= np.minimum(np.abs(left), np.abs(right)) <= near * length(along)
        crossing &= met
    return crossing


def near_pieces(pieces: EdgePieces, side: I64) -> I64:
    """The pieces that come within a square of the boxes of those of ``side``."""
    if side.size == 0:
        return side
    shape, column, row = _grid(pieces)
    low, high = _box(pieces, side, column, row)
    marked = np.zeros(shape, np.bool_)
    marked.reshape(-1)[_squares(low, high, shape[1])[0]] = True
    for axis in (0, 1):
        around = marked.copy()
        ahead, back = (marked[1:], marked[:-1]) if axis == 0 else (marked[:, 1:], marked[:, :-1])
        into = (around[1:], around[:-1]) if axis == 0 else (around[:, 1:], around[:, :-1])
        into[0][...] |= back
        into[1][...] |= ahead
        marked = around
    near = marked.reshape(-1).take(row * np.int32(shape[1]) + column)
    # A piece no longer than a square reaches no further than the next.
    step = np.abs(pieces.points.take(pieces.following, axis=0) - pieces.points) > _SQUARE_PX
    near |= step[:, 0] | step[:, 1]
    return np.flatnonzero(near)


def _grid(pieces: EdgePieces) -> tuple[tuple[int, int], I32, I32]:
    """Height and width of the grid in squares, and the square of each point."""
    column, row = (
        np.floor(along * (1.0 / _SQUARE_PX)).astype(np.int32) for along in pieces.points.T
    )
    column -= column.min()
    row -= row.min()
    return (int(row.max()) + 1, int(column.max()) + 1), column, row


def _box(pieces: EdgePieces, some: I64, column: I32, row: I32) -> tuple[I32, I32]:
    """Lowest and highest squares (2, K), column and row, of ``some`` pieces."""
    start = np.stack((column.take(some), row.take(some)))
    end = pieces.following.take(some)
    stop = np.stack((column.take(end), row.take(end)))
    return np.minimum(start, stop), np.maximum(start, stop)


def _neighbours(pieces: EdgePieces, side: I64, among: I64) -> tuple[I64, I64]:
    """Pairs of one of the pieces ``side`` and one ``among`` others that touches one square with
    it.
    """
    if side.size == 0 or among.size == 0:
        return side[:0], among[:0]
    shape, column, row = _grid(pieces)
    side_square, side_owner = _squares(*_box(pieces, side, column, row), shape[1])
    square, owner = _squares(*_box(pieces, among, column, row), shape[1])
    asked = np.zeros(shape[0] * shape[1], np.bool_)
    asked[side_square] = True
    touching = np.flatnonzero(asked.take(square))
    touching = touching[np.argsort(square.take(touching), kind="stable")]
    square, owner = square[touching], among[owner[touching]]
    begin = np.searchsorted(square, side_square)
    size = np.searchsorted(square, side_square, side="right") - begin
    pair = np.repeat(np.arange(size.size), size)
    nth = count_up(size)
    return side[side_owner.take(pair)], owner.take(begin.take(pair) + nth)


def _squares(low: I32, high: I32, wide: int) -> tuple[I32, I64]:
    """All squares of each box (2, K), and the box each belongs to."""
    across = high[0] - low[0] + 1
    size = across * (high[1] - low[1] + 1)
    first = low[1] * np.int32(wide) + low[0]
    if size.size and int(size.max()) == 1:
        return first, np.arange(size.size)
    owner = np.repeat(np.arange(size.size), size)
    nth = count_up(size).astype(np.int32)
    row = nth // across.take(owner)
    square: I32 = first.take(owner) + row * np.int32(wide) + nth - row * across.take(owner)
    return square, owner
