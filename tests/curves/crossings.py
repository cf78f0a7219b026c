"""Whether drawn outlines cross themselves or one another: every pair of near pieces is tried.

Nothing of the package is used but its values: the curves are sampled as polylines, the pieces
sorted into squares of a grid, and those that share a square are held against each other.
"""

from __future__ import annotations

import numpy as np

from inkclean.base.arrays import F64, I64


def crossings(lines: list[F64], square: float) -> F64:
    """Places (K, 2) where pieces of the closed polylines ``lines`` cross; neighbours in a line
    that only share their point do not count. No piece may be longer than ``square``.
    """
    start = np.vstack(lines)
    end = np.vstack([np.roll(line, -1, axis=0) for line in lines])
    sizes = np.array([len(line) for line in lines])
    moved = np.hypot(*(end - start).T) > 1e-9
    number = np.arange(len(start))
    first = np.repeat(np.cumsum(sizes) - sizes, sizes)
    follower = first + (number - first + 1) % np.repeat(sizes, sizes)
    one, two = _pairs(start, end, square)
    apart = moved[one] & moved[two] & (follower[one] != two) & (follower[two] != one)
    one, two = one[apart], two[apart]
    a, b, c, d = start[one], end[one], start[two], end[two]
    side = [_turn(a, b, c), _turn(a, b, d), _turn(c, d, a), _turn(c, d, b)]
    cross = (side[0] * side[1] < 0) & (side[2] * side[3] < 0)
    share = side[2][cross] / (side[2] - side[3])[cross]
    return np.asarray(a[cross] + share[:, None] * (b - a)[cross])


def _turn(a: F64, b: F64, c: F64) -> F64:
    u, v = b - a, c - a
    return np.asarray(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])


def _pairs(start: F64, end: F64, square: float) -> tuple[I64, I64]:
    """Pairs of pieces, each once, whose boxes touch one square of the grid."""
    low = np.floor(np.minimum(start, end) / square).astype(np.int64)
    high = np.floor(np.maximum(start, end) / square).astype(np.int64)
    base = low.min(0)
    width = int((high - base).max()) + 2
    keys, owners = [], []
    for dx, dy in ((0, 0), (1, 0), (0, 1), (1, 1)):
        at = low + np.array([dx, dy])
        rows = np.flatnonzero((at <= high).all(1))
        keys.append((at[rows] - base) @ np.array([1, width]))
        owners.append(rows)
    key, owner = np.concatenate(keys), np.concatenate(owners)
    order = np.argsort(key, kind="stable")
    key, owner = key[order], owner[order]
    found: list[I64] = []
    for step in range(1, len(key)):
        same = np.flatnonzero(key[step:] == key[:-step])
        if same.size == 0:
            break
        pair = np.stack((owner[same], owner[same + step]))
        found.append(np.sort(pair, axis=0).astype(np.int64))
    if not found:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    pairs = np.unique(np.hstack(found), axis=1)
    return pairs[0], pairs[1]
