"""Branches of a skeleton joined into strokes that run through their crossings.

At each junction the two branches that go straightest on are one stroke, then the next two: the
eye's own rule of good continuation (Wertheimer, Psychologische Forschung 4, 1923).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inkclean.base.arrays import F64, I64, Bool, count_up, offsets_of
from inkclean.curves.centrelines.skeleton import Graph, chain_edges

# Cosine of the sharpest turn at a junction that still looks like one stroke
_BEND = np.cos(np.deg2rad(40.0))
_AHEAD = 2.0  # widths over which a branch's direction is taken
_AHEAD_PX = 4.0  # and px over which it is taken at least


@dataclass(frozen=True)
class Middle:
    """Points (P, 2) px on the middle of the ink, full ``width`` (P,) px there; ``ends`` and
    ``closed`` of the strokes as in Strokes, closed ones with their first point repeated.
    ``junction`` (P,) bool: strokes meet here.
    """

    points: F64
    width: F64
    ends: I64
    closed: Bool
    junction: Bool


def run_through(branches: Middle, graph: Graph) -> Middle:
    """Return ``branches``, one a chain of ``graph``, joined across its junctions."""
    open_ = np.flatnonzero(~branches.closed)
    tip = np.stack((branches.ends[:-1][open_], branches.ends[1:][open_] - 1), axis=1)
    node = graph.node[open_]
    meets = graph.degree[node] >= 3 if open_.size else np.zeros((0, 2), np.bool_)
    vertex = np.arange(2 * open_.size).reshape(-1, 2)
    one, two = _pairs(branches, tip, np.where(meets, node, -1))
    vertex.reshape(-1)[two] = vertex.reshape(-1)[one]
    half, runs, ring = chain_edges(vertex[:, 0], vertex[:, 1], vertex.size)
    rings = np.flatnonzero(branches.closed)
    chain = np.concatenate((open_[half // 2] if half.size else half, rings))
    back = np.concatenate((half % 2 == 1, np.zeros(rings.size, np.bool_)))
    runs = np.concatenate((runs, runs[-1] + 1 + np.arange(rings.size)))
    closed = np.concatenate((ring, np.ones(rings.size, np.bool_)))
    return _string(branches, chain, back, runs, closed)


def _string(branches: Middle, chain: I64, back: Bool, runs: I64, closed: Bool) -> Middle:
    """Put the branches ``chain`` end to end, those of one run into one stroke."""
    size = np.diff(branches.ends)[chain]
    # All but the last of a run leave their last point to the next one's first.
    last = np.zeros(chain.size, np.bool_)
    last[runs[1:] - 1] = True
    taken = size - ~last
    own = np.repeat(np.arange(chain.size), taken)
    nth = count_up(taken)
    first, end = branches.ends[:-1][chain][own], branches.ends[1:][chain][own] - 1
    place = np.where(back[own], end - nth, first + nth)
    ends = offsets_of(taken)[runs]
    return Middle(
        branches.points[place], branches.width[place], ends, closed, branches.junction[place]
    )


def _pairs(branches: Middle, tip: I64, node: I64) -> tuple[I64, I64]:
    """Ends (2k for a branch's start, 2k + 1 for its end) that go on into each other."""
    length = (tip[:, 1] - tip[:, 0])[:, None]
    ahead = np.maximum(_AHEAD * branches.width[tip], _AHEAD_PX).astype(np.int64)
    inward = np.minimum(ahead, length) * np.array([1, -1])
    way = branches.points[tip + inward] - branches.points[tip]
    z = (way[..., 0] + 1j * way[..., 1]).reshape(-1)
    z /= np.maximum(np.abs(z), 1e-9)
    at = node.reshape(-1)
    member = np.flatnonzero(at >= 0)
    member = member[np.argsort(at[member], kind="stable")]
    count = np.bincount(at[member]) if member.size else np.zeros(0, np.int64)
    begin = np.cumsum(count) - count
    # Every two ends of one node.
    rest = (begin + count)[at[member]] - np.arange(member.size) - 1
    first = np.repeat(np.arange(member.size), rest)
    second = first + 1 + count_up(rest)
    one, two = member[first], member[second]
    straight = -(z[one] * np.conj(z[two])).real
    good = straight > _BEND
    order = np.argsort(-straight[good], kind="stable")
    one, two = one[good][order], two[good][order]
    chosen: list[tuple[I64, I64]] = []
    while one.size:
        # A pair is taken when it comes first for both its ends.
        rank = np.arange(one.size)
        best = np.full(at.size, one.size)
        np.minimum.at(best, one, rank)
        np.minimum.at(best, two, rank)
        taken = (best[one] == rank) & (best[two] == rank)
        chosen.append((one[taken], two[taken]))
        used = np.zeros(at.size, np.bool_)
        used[one[taken]] = used[two[taken]] = True
        free = ~used[one] & ~used[two]
        one, two = one[free], two[free]
    none = np.zeros(0, np.int64)
    return (
        np.concatenate([none, *(a for a, _ in chosen)]),
        np.concatenate([none, *(b for _, b in chosen)]),
    )
