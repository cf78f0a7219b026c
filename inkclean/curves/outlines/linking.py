"""Loops put in order, all at once.

List ranking by sampled rulers: a sparse set of vertices walks in step along the loops, each
until it meets the next of them; what is left is a list short enough for pointer jumping.
Wyllie, The complexity of parallel computations, 1979 (pointer jumping); Reid-Miller, List
ranking and list scan, 1994 (sampled rulers).
"""

from __future__ import annotations

import numpy as np

from inkclean.base.arrays import I32, I64, Bool
from inkclean.base.compiled import compiled

_loops = compiled("inkclean.curves.outlines._loops")

_EVERY = 32  # vertices, one of which walks: the walk stays short, and little remains to jump


def link_loops(successor: I32) -> tuple[I64, I64]:
    """Return ``order`` (N,) and ``loops`` (L + 1,) int64 offsets into it.

    ``successor`` is (N,) int32, a permutation: where each vertex's loop goes on. Each loop
    starts at its lowest sampled vertex; loops come in the order of those vertices.
    """
    if _loops is None:
        return link_by_numpy(successor)
    order, starts = np.empty(successor.size, np.int64), np.empty(successor.size, np.int64)
    count = _loops.link(successor, order, starts)
    return order, np.append(starts[:count], successor.size)


def link_by_numpy(successor: I32) -> tuple[I64, I64]:
    """Return what ``link_loops`` does, all loops at once."""
    count = successor.size
    head = np.full(count, -1, np.int32)
    rank = np.zeros(count, np.int32)
    every = _EVERY
    left = np.arange(count, dtype=np.int32)
    while left.size:
        # A multiplicative hash spreads the rulers along the loops; the plain index would not.
        picked = (left * np.uint32(2654435761)) >> np.uint32(8)
        rulers = left[picked % np.uint32(every) == 0] if every > 1 else left
        if rulers.size:
            _rank_from(successor, rulers, head, rank)
        left = left[head[left] < 0]
        every //= 4
    order = _order(head, rank)
    starts = np.flatnonzero(np.diff(head[order], prepend=-1))
    return order, np.append(starts, count)


def _order(head: I32, rank: I32) -> I64:
    length = np.bincount(head, minlength=head.size)
    begin = np.cumsum(length) - length
    place = begin[head] + rank
    order = np.empty(head.size, np.int64)
    order[place] = np.arange(head.size)
    return order


def _rank_from(successor: I32, rulers: I32, head: I32, rank: I32) -> None:
    """Fill ``head`` and ``rank`` of every loop that holds at least one of ``rulers``."""
    count = rulers.size
    number = np.full(successor.size, -1, np.int32)
    number[rulers] = np.arange(count, dtype=np.int32)
    owner = np.full(successor.size, -1, np.int32)
    step = np.zeros(successor.size, np.int32)
    owner[rulers] = np.arange(count, dtype=np.int32)
    following = np.empty(count, np.int64)
    length = np.empty(count, np.int64)
    walker = np.arange(count, dtype=np.int32)
    at = rulers
    steps = 0
    while walker.size:
        steps += 1
        at = successor[at]
        met = number[at]
        going: Bool = met < 0
        done = ~going
        following[walker[done]] = met[done]
        length[walker[done]] = steps
        at, walker = at[going], walker[going]
        owner[at] = walker
        step[at] = steps
    first, before = _jump(following, length)
    seen = np.flatnonzero(owner >= 0)
    own = owner[seen]
    head[seen] = rulers[first[own]]
    rank[seen] = before[own] + step[seen]


def _jump(following: I64, length: I64) -> tuple[I64, I64]:
    """For each ruler: the lowest ruler of its loop, and how far it comes after that one."""
    count = following.size
    rounds = int(count).bit_length() + 1
    first = np.arange(count)
    jump = following
    for _ in range(rounds):
        lower = np.minimum(first, first[jump])
        jump = jump[jump]
        if np.array_equal(lower, first) and np.array_equal(first, first[following]):
            break
        first = lower
    ends = following == first
    jump = np.where(ends, np.arange(count), following)
    to_end = np.where(ends, 0, length)
    for _ in range(rounds):
        further = to_end[jump]
        if not further.any():
            break
        to_end = to_end + further
        jump = jump[jump]
    total = to_end[first]
    return first, total - to_end
