"""Where the strokes that come into one junction meet."""

from __future__ import annotations

import numpy as np

from inkclean.base.arrays import F32, F64, I64
from inkclean.curves.centrelines.skeleton import Graph
from inkclean.curves.seen import seen_at

# Places for a junction, shares of the way from the skeleton's to where its lines meet
_TRIED = np.linspace(0.0, 1.0, 9)
# Places where the ink is looked at, shares of the way into a junction
_WAYS = np.linspace(0.25, 1.0, 4)
# Directions around each place in which the ink is looked at, unit ways
_RING = np.stack([f(np.arange(16) * np.pi / 8.0) for f in (np.cos, np.sin)], axis=1)
_WITHIN_PX = 0.5  # px within the edge: there a sharp raster is inked wholly
_BARE = 0.02  # share of paper on a ring that counts as none


def meet(
    graph: Graph, points: F64, width: F64, tips: list[I64], inner: list[I64], ink: F32
) -> None:
    """Put each junction where the lines that come into it meet, in the least-squares sense, as
    far as their ``ink`` (H, W), 0..1, goes along.
    """
    count = graph.degree.size
    matrix = np.zeros((count, 2, 2))
    vector = np.zeros((count, 2))
    place = np.zeros((count, 2))
    half = []
    for side, step in ((0, 1), (1, -1)):
        node = graph.node[:, side]
        rows = node >= 0
        node, at, tip = node[rows], inner[side][rows], tips[side][rows]
        low, high = graph.ends[:-1][rows], graph.ends[1:][rows] - 1
        far = np.clip(at + 5 * step, low, high)
        half.append(np.minimum(width[at], width[far]) / 2.0)
        way = points[at] - points[far]
        size = np.hypot(way[:, 0], way[:, 1])
        normal = np.stack((-way[:, 1], way[:, 0]), axis=1) / np.maximum(size, 1e-9)[:, None]
        normal *= np.minimum(size, 4.0)[:, None]
        outer = normal[:, :, None] * normal[:, None, :]
        np.add.at(matrix, node, outer)
        np.add.at(vector, node, np.einsum("nij,nj->ni", outer, points[at]))
        np.add.at(place, node, points[tip])
    place /= np.maximum(graph.degree, 1)[:, None]
    # A weak pull to the skeleton's own junction settles lines that run nearly the same way.
    matrix += 0.3 * np.eye(2)
    vector += 0.3 * place
    met = np.linalg.solve(matrix, vector[:, :, None])[:, :, 0]
    off = met - place
    size = np.hypot(off[:, 0], off[:, 1])
    met = place + off * np.minimum(1.0, 3.0 / np.maximum(size, 1e-9))[:, None]
    met = _inked(graph, place, met, points, half, inner, ink)
    for side in (0, 1):
        node = graph.node[:, side]
        rows = (node >= 0) & (np.append(graph.degree, 0)[node] >= 3)
        points[tips[side][rows]] = met[node[rows]]
        width[tips[side][rows]] = width[inner[side][rows]]


def _inked(
    graph: Graph, place: F64, met: F64, points: F64, half: list[F64], inner: list[I64], ink: F32
) -> F64:
    """Junctions (K, 2) as near to ``met`` as the ways into them lie in the ink ``half`` a width
    to all sides.

    Wherever a stroke runs its ink does: where arms bend away from each other slowly, their
    straight continuations meet outside of it.
    """
    bare = np.zeros((_TRIED.size, graph.degree.size))
    for side in (0, 1):
        rows = graph.node[:, side] >= 0
        node, start = graph.node[rows, side], points[inner[side][rows]]
        ring = np.maximum(half[side] - _WITHIN_PX, 0.0)[:, None, None] * _RING
        for nth, share in enumerate(_TRIED):
            spot = place[node] + share * (met - place)[node]
            way = start[:, None] + _WAYS[:, None] * (spot - start)[:, None]
            disc = (way[:, :, None] + ring[:, None]).reshape(-1, _RING.shape[0], 2) - 0.5
            paper = 1.0 - seen_at(ink, disc[..., 0], disc[..., 1]).mean(axis=1)
            np.maximum.at(bare[nth], node, paper.reshape(-1, _WAYS.size).max(axis=1))
    good = bare <= bare.min(axis=0) + _BARE
    furthest = _TRIED[_TRIED.size - 1 - np.argmax(good[::-1], axis=0)]
    return np.asarray(place + furthest[:, None] * (met - place))
