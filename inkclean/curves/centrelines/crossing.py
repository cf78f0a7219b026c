"""Crossings at small angles, which a skeleton shows as two joints with a stub between them.

Two strokes that cross aslant share their ink over a while, and the skeleton runs down the
middle of it. If the four arms that leave the stub's ends lie on two straight lines that cross
on the stub, it was one crossing: good continuation (Wertheimer, Psychologische Forschung 4,
1923).
"""

from __future__ import annotations

import numpy as np

from inkclean.base.arrays import F32, F64, I64, Bool, offsets_of
from inkclean.curves.centrelines.skeleton import Graph
from inkclean.curves.plane import cross, turn

_STUB = 16.0  # longest stub, half widths of its arms: they cross at some 8 degrees
_SKIP = 2.0  # half widths of an arm that its joint bends
_LOOK = 4.0  # half widths beyond those over which an arm's direction is taken
_LEAST = 2.0  # fewest half widths that give a direction
_BROAD = 0.95  # least width of a stub, widths of its arms: both strokes lie in it
# Most that one arm turns by to get to the other if both lie on one line
_STRAIGHT = np.deg2rad(12.0)


def merge_crossings(graph: Graph, radius: F32) -> Graph:
    """Return ``graph``, not empty, with the stubs within crossings gone, two joints made one.

    ``radius`` (H, W) px is the distance to the paper.
    """
    pixel = graph.points.astype(np.int64)
    total = np.add.reduceat(radius[pixel[:, 1], pixel[:, 0]].astype(np.float64), graph.ends[:-1])
    stub = _stubs(graph, total / np.diff(graph.ends))
    if stub.size == 0:
        return graph
    keep = np.ones(graph.closed.size, np.bool_)
    keep[stub] = False
    label = np.arange(graph.degree.size + 1)
    label[-1] = -1
    label[graph.node[stub, 1]] = graph.node[stub, 0]
    used, node = np.unique(label[graph.node[keep]], return_inverse=True)
    gone = int(used[0] == -1)
    node = node.reshape(-1, 2) - gone
    size = np.diff(graph.ends)
    return Graph(
        graph.points[np.repeat(keep, size)],
        offsets_of(size[keep]),
        graph.closed[keep],
        node,
        np.bincount(node[node >= 0], minlength=used.size - gone),
    )


def _stubs(graph: Graph, half: F64) -> I64:
    """Chains that are no strokes, but the middle of a crossing of two; ``half`` (C,) their
    mean reach.
    """
    node, size = graph.node, np.diff(graph.ends)
    able = ~graph.closed & (np.append(graph.degree, 0)[node] == 3).all(axis=1)
    stub = np.flatnonzero(able & (node[:, 0] != node[:, 1]))
    arms = _arms(graph, stub)
    own = arms // 2
    four = (np.diff(np.sort(own.reshape(-1, 4), axis=1), axis=1) > 0).all(axis=1)
    stub, arms, own = stub[four], arms[four], own[four]
    thick = half[own].reshape(-1, 4).mean(axis=1)
    start, way, known = _ways(graph, arms, half)
    alike = known & (size[stub] <= _STUB * thick) & (half[stub] >= _BROAD * thick)
    along = graph.points[graph.ends[1:][stub] - 1] - graph.points[graph.ends[:-1][stub]]
    # At each end the arm to the left of the way along the stub comes first.
    order = np.argsort(cross(along[:, None, None], way), axis=2)[..., None]
    start, way = (np.take_along_axis(part, order, axis=2) for part in (start, way))
    across, beside = (
        np.maximum(*(_bend(start, way, nth, nth if same else 1 - nth) for nth in (0, 1)))
        for same in (False, True)
    )
    stub = stub[alike & (across < _STRAIGHT) & (across < beside)]
    # Stubs that share a joint are no plain crossing.
    shared = np.bincount(node[stub].reshape(-1), minlength=graph.degree.size) > 1
    return np.asarray(stub[~shared[node[stub]].any(axis=1)], np.int64)


def _arms(graph: Graph, stub: I64) -> I64:
    """The other chains' ends (S, 2, 2) at both ends of every ``stub``: chain c's are 2c, 2c + 1."""
    at = graph.node.reshape(-1)
    ends = np.flatnonzero(np.repeat(~graph.closed, 2))
    ends = ends[np.argsort(at[ends], kind="stable")]
    first = np.searchsorted(at[ends], graph.node[stub])
    three = ends[first[:, :, None] + np.arange(3)] if stub.size else np.zeros((0, 2, 3), np.int64)
    mine = three == (2 * stub[:, None] + np.arange(2))[:, :, None]
    return np.asarray(three[~mine].reshape(-1, 2, 2), np.int64)


def _ways(graph: Graph, arms: I64, half: F64) -> tuple[F64, F64, Bool]:
    """Where each arm (S, 2, 2) is free of its joint, its way outward there (S, 2, 2, 2), and which
    stubs (S,) have arms long enough.
    """
    own, back = arms // 2, arms % 2 == 1
    size = np.diff(graph.ends)[own]
    near = np.ceil(_SKIP * half[own]).astype(np.int64)
    far = np.minimum(near + np.ceil(_LOOK * half[own]).astype(np.int64), size - 1)
    known = (far - near >= _LEAST * half[own]).all(axis=(1, 2))
    near = np.minimum(near, size - 1)
    # Three pixels about each place: one alone may lie half a px aside.
    steps = np.clip(np.stack((near, far))[..., None] + np.arange(-1, 2), 0, (size - 1)[..., None])
    nth = np.where(back[..., None], (size - 1)[..., None] - steps, steps)
    start, end = graph.points[graph.ends[own][..., None] + nth].mean(axis=-2)
    return start, end - start, np.asarray(known, np.bool_)


def _bend(start: F64, way: F64, one: int, other: int) -> F64:
    """How far (S,) arm ``one`` of the first end turns to get to arm ``other`` of the second, or
    that one back.
    """
    chord = start[:, 1, other] - start[:, 0, one]
    turns = turn(way[:, 0, one], -chord), turn(way[:, 1, other], chord)
    return np.asarray(np.maximum(*(np.abs(by) for by in turns)))
