"""Path data of SVG (SVG 2, 9.3): the one encoder behind both kinds of SVG.

Points are rounded to a micrometre, all from the same whole numbers, so relative commands add up
without drift. Only ``M``, ``c``, ``l``, ``h``, ``v`` and ``z`` are used.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np

from inkclean.base.arrays import F64, I32, I64, Bool

# Steps a mm: rounding moves a point by 0.7 µm at most, a thirtieth of the finest accuracy.
STEPS_PER_MM = 1000
# Steps up to here come from a table: nearly all there are.
_TABLE = 10_000
# Places for text of one segment: M, x, y, command, six numbers.
_PLACES = 10


def encode_cubics(
    cubics: F64,
    loops: I64,
    straight: Bool,
    group: I32 | I64,
    closed: Bool | None = None,
    *,
    in_steps: bool = False,
) -> list[str]:
    """Return one text of path data for each group of loops, in their order.

    ``cubics`` (S, 4, 2) mm, ``loops`` (L + 1,) offsets, ``straight`` (S,) segments whose inner
    points do not count, ``group`` (L,) numbers of which equal ones adjoin, ``closed`` (L,), all
    if none is given. Numbers are mm, or whole thousandths of them where ``in_steps`` is asked.
    """
    grid = np.rint(cubics * STEPS_PER_MM).astype(np.int64)
    moves = grid[:, 1:] - grid[:, :1]
    if closed is None:
        closed = np.ones(loops.size - 1, np.bool_)
    return _encode(grid[loops[:-1], 0], moves, loops, straight, group, closed, in_steps)


def encode_polygons(
    points: F64, loops: I64, group: I32 | I64, *, in_steps: bool = False
) -> list[str]:
    """Return one text of path data for each group of closed polygons, in their order.

    ``points`` (P, 2) mm, ``loops`` (L + 1,) offsets; the rest as for ``encode_cubics``.
    """
    grid = np.rint(points * STEPS_PER_MM).astype(np.int64)
    following = np.arange(1, len(grid) + 1)
    following[loops[1:] - 1] = loops[:-1]
    moves = np.zeros((len(grid), 3, 2), np.int64)
    moves[:, 2] = grid[following] - grid
    sides, closed = np.ones(len(grid), np.bool_), np.ones(loops.size - 1, np.bool_)
    return _encode(grid[loops[:-1]], moves, loops, sides, group, closed, in_steps)


def encode_widths(widths_mm: F64 | Any, ends: I64) -> list[str]:
    """Return the widths at each stroke's nodes, from (S, 2) at both ends of its segments."""
    text = [f"{value:.3f}".rstrip("0").rstrip(".") for value in widths_mm.reshape(-1).tolist()]
    bounds = pairwise(ends.tolist())
    return [" ".join([*text[2 * a : 2 * b : 2], text[2 * b - 1]]) for a, b in bounds]


def _encode(
    start: I64, moves: I64, loops: I64, straight: Bool, group: Any, closed: Bool, in_steps: bool
) -> list[str]:
    """``start`` (L, 2) and ``moves`` (S, 3, 2) from each segment's first point, in steps."""
    if loops.size < 2:
        return []
    first, last = loops[:-1], loops[1:] - 1
    level = straight & (moves[:, 2, 1] == 0)
    upright = straight & ~level & (moves[:, 2, 0] == 0)
    slanted = straight & ~level & ~upright
    # The closing command draws a last straight side.
    unsaid = np.zeros(straight.size, np.bool_)
    unsaid[last[closed]] = straight[last[closed]]
    kind = np.select([unsaid, level, upright, slanted], [0, 2, 3, 4], 1)
    before = np.concatenate(([-1], kind[:-1]))
    before[first] = -1
    tokens = np.full((straight.size, _PLACES), "", object)
    tokens[:, 3] = np.array(["", "c", "h", "v", "l"], object)[np.where(kind == before, 0, kind)]
    curved = kind == 1
    tokens[curved, 4:] = _spell(moves[curved].reshape(-1, 6), in_steps)
    for place, axis, own in ((8, 0, 2), (9, 1, 3)):
        some = (kind == own) | (kind == 4)
        tokens[some, place] = _spell(moves[some, 2, axis], in_steps)
    # The first letter parts numbers as well as a space does.
    fresh = kind != before
    for place, kinds in ((4, (1,)), (8, (2, 4)), (9, (3,))):
        at = np.flatnonzero(fresh & np.isin(kind, kinds))
        tokens[at, place] = [word.lstrip(" ") for word in tokens[at, place]]
    words = _spell(start, in_steps)
    tokens[first, 0] = "M"
    tokens[first, 1] = [word.lstrip(" ") for word in words[:, 0]]
    tokens[first, 2] = words[:, 1]
    closing = np.where(closed, "z", "").astype(object)
    new = np.diff(group, append=-1) != 0
    tokens[last, 9] = tokens[last, 9] + closing + np.where(new, "\n", "").astype(object)
    return "".join(tokens.reshape(-1).tolist()).split("\n")[:-1]


def _spell(steps: I64, in_steps: bool) -> Any:
    """Text of each number, with what parts it from the one before."""
    small = np.abs(steps) < _TABLE
    words = _table(in_steps)[np.where(small, steps, 0) + _TABLE]
    far = np.flatnonzero(~small.reshape(-1))
    numbers = steps.reshape(-1)[far]
    words.reshape(-1)[far] = _spell_far(numbers, in_steps)
    return words


def _spell_far(steps: I64, in_steps: bool) -> Any:
    """Text of numbers that are in no table: of each different number of mm once."""
    if in_steps:
        return [_spell_steps(number) for number in steps.tolist()]
    whole, part = np.divmod(np.abs(steps), STEPS_PER_MM)
    mm, at = np.unique(np.where(steps < 0, -whole, whole), return_inverse=True)
    words = np.array(
        [f" {number}" if number > 0 else f"{number}" for number in mm.tolist()], object
    )
    return words[at] + _parts()[part]


@lru_cache
def _table(in_steps: bool) -> Any:
    if in_steps:
        return np.array([_spell_steps(number) for number in range(-_TABLE, _TABLE)], object)
    # as many as there are, from the mm and what is after the point
    mm = np.array(["", *map(str, range(1, _TABLE // STEPS_PER_MM + 1))], object)
    text = (mm[:, None] + _parts()).ravel()[: _TABLE + 1]
    text[0] = "0"
    return np.concatenate(("-" + text[:0:-1], " " + text[:-1]))


@lru_cache
def _parts() -> Any:
    """Text of each number of steps under a mm, after the point."""
    texts = [f".{part:03d}".rstrip("0") if part else "" for part in range(STEPS_PER_MM)]
    return np.array(texts, object)


def _spell_steps(steps: int) -> str:
    return f"{steps}" if steps < 0 else f" {steps}"
