"""Which colour each area gets: neighbours apart, far-apart areas together, few colours."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csgraph, csr_array

from inkclean.base.arrays import F64, I32, I64, U8, Bool
from inkclean.flats.colour.palette import MUTED, PAPER, colour_name, unlike
from inkclean.flats.colour.space import to_lab
from inkclean.flats.colour.things import things_of
from inkclean.flats.rasters import tally
from inkclean.flats.values import BACKGROUND, GUTTER, Flats

# An area takes the colour nearest to the lightness its size asks for: the largest pale, so
# that the page stays quiet, the smallest deep, so that they are seen.
_LARGEST_LIGHT, _SMALLEST_LIGHT = 80.0, 52.0
# How far chance may pull an area from that, in L*: else all areas of a size look alike.
_PLAY_LIGHT = 22.0
_NONE = -1


@dataclass(frozen=True)
class Colouring:
    """The colours of a page and which area has which.

    ``palette`` is (K, 3) uint8 sRGB; row 0 is the paper, whether an area has it or not.
    ``names`` are K words, no two alike. ``of_area`` is (N + 1,) uint8: palette row of each
    label, 0 for label 0. ``book`` are the K names of the book's colours that the rows refer to,
    "" where none; empty where none does.
    """

    palette: U8
    names: tuple[str, ...]
    of_area: U8
    book: tuple[str, ...] = ()

    @property
    def used(self) -> list[int]:
        """Palette rows that at least one area has, in order, the paper left out."""
        rows = np.unique(self.of_area[1:])
        return [int(row) for row in rows if row]


def colour_areas(flats: Flats) -> Colouring:
    """Return a colour for every area when nobody gave any.

    Gutter and background get the paper's colour; a background that touches paper already
    (a panel's, beside the gutter) is coloured like an area, the palest first, so that it can
    be told from it. All others get one of five muted colours unlike all their neighbours':
    most restricted area first (Brélaz, "New methods to color the vertices of a graph", CACM
    22(4), 1979, DOI 10.1145/359094.359101), in rounds over whole arrays; an area with no
    colour left gets one by exchanging two colours over a chain of areas (Kempe, "On the
    geographical problem of the four colours", Amer. J. Math. 2(3), 1879). Parts of one thing
    behind another get one colour, see ``things``.
    """
    if not len(flats.areas):
        return _as_colouring(np.zeros(0, np.int64))
    thing = things_of(flats)
    count = int(thing.max()) + 1
    colours = np.full(count, _NONE, np.int64)  # −1 open, 0 paper, k = MUTED[k − 1]
    pairs = np.stack([flats.neighbours["a"], flats.neighbours["b"]], axis=1).astype(np.int64) - 1
    edges = np.sort(thing[pairs], axis=1)
    apart = edges[:, 0] < edges[:, 1]  # parts of one thing may meet under a black
    edges, which = np.unique(edges[apart], axis=0, return_inverse=True)
    edge_mm = tally(which.ravel(), flats.neighbours["edge_mm"][apart], len(edges))
    around = _matrix(edges, count)
    size = tally(thing, flats.areas["size_mm2"], count)
    kind = np.zeros(count, np.uint8)
    kind[thing] = flats.areas["kind"]
    _lay_paper(kind, size, around, colours)
    _in_rounds(around, colours, _taste(size), size)
    for node in np.flatnonzero(colours == _NONE):
        _exchange(around, edges, edge_mm, colours, int(node))
    return _as_colouring(colours[thing])


def _as_colouring(colours: I64) -> Colouring:
    palette = np.concatenate([PAPER[None], MUTED])
    names = unlike([colour_name(colour) for colour in palette])
    used = np.concatenate([[0], np.setdiff1d(colours, [0])]).astype(np.int64)
    row = np.zeros(len(palette), np.uint8)
    row[used] = np.arange(len(used))
    of_area = np.concatenate([np.zeros(1, np.uint8), row[colours]])
    return Colouring(palette[used], tuple(names[k] for k in used), of_area)


def _matrix(edges: I64, count: int) -> csr_array:
    both = np.concatenate([edges, edges[:, ::-1]])
    ones = np.ones(len(both), np.float64)
    return csr_array((ones, (both[:, 0], both[:, 1])), shape=(count, count))


def _lay_paper(kind: U8, size: F64, around: csr_array, colours: I64) -> None:
    for wanted in (GUTTER, BACKGROUND):
        nodes = np.flatnonzero(kind == wanted)
        for node in nodes[np.argsort(-size[nodes], kind="stable")]:
            near = around.indices[around.indptr[node] : around.indptr[node + 1]]
            taken = colours[near]
            free = [k for k in range(len(MUTED) + 1) if not (taken == k).any()]
            colours[node] = free[0] if free else _NONE


def _taste(size: F64) -> F64:
    """Return (N, K): how little each colour suits each area, from its size and chance."""
    rank = np.argsort(np.argsort(size, kind="stable"), kind="stable") / max(len(size) - 1, 1)
    target = _SMALLEST_LIGHT + (_LARGEST_LIGHT - _SMALLEST_LIGHT) * rank
    light = to_lab(MUTED)[:, 0]
    play = np.random.default_rng(0).uniform(0.0, _PLAY_LIGHT, (len(size), len(MUTED)))
    return np.asarray(np.abs(light[None] - target[:, None]) + play)


def _in_rounds(around: csr_array, colours: I64, taste: F64, size: F64) -> None:
    """Colour, round by round, each area more restricted than all its open neighbours."""
    count, kinds = taste.shape
    row = np.repeat(np.arange(count), np.diff(around.indptr))
    column = around.indices.astype(np.int64)
    blocked = np.zeros((count, kinds + 1), np.bool_)
    done = colours[column] > 0
    blocked[row[done], colours[column[done]]] = True
    by_size = np.argsort(np.argsort(size, kind="stable"), kind="stable")
    stuck = np.zeros(count, np.bool_)
    while (open_ := (colours == _NONE) & ~stuck).any():
        urgency = np.where(open_, blocked.sum(axis=1) * count + by_size, -1)
        strongest = np.full(count, -1, np.int64)
        np.maximum.at(strongest, row, urgency[column])
        turn = np.flatnonzero(open_ & (urgency > strongest))
        cost = np.where(blocked[turn, 1:], np.inf, taste[turn])
        best = cost.argmin(axis=1)
        full = np.isinf(cost[np.arange(len(turn)), best])
        stuck[turn[full]] = True
        colours[turn[~full]] = best[~full] + 1
        fresh = np.zeros(count, np.bool_)
        fresh[turn[~full]] = True
        hit = fresh[column]
        blocked[row[hit], colours[column[hit]]] = True


def _exchange(around: csr_array, edges: I64, edge_mm: F64, colours: I64, node: int) -> None:
    """Colour one area that has neighbours of every colour, by a chain of exchanges."""
    near = around.indices[around.indptr[node] : around.indptr[node + 1]]
    kinds = range(1, len(MUTED) + 1)
    for one in kinds:
        for other in (k for k in kinds if k != one):
            chain = _chain(edges, colours, near[colours[near] == one], one, other)
            if not chain[near[colours[near] == other]].any():
                # after the exchange, no neighbour has the first colour
                colours[chain] = one + other - colours[chain]
                colours[node] = one
                return
    # no map in the plane comes here; the least seam is left alike
    length = np.zeros(len(MUTED) + 1)
    at = (edges == node).any(axis=1)
    others = edges[at].sum(axis=1) - node
    known = colours[others] > 0
    np.add.at(length, colours[others[known]], edge_mm[at][known])
    colours[node] = int(length[1:].argmin()) + 1


def _chain(edges: I64, colours: I64, start: I32, one: int, other: int) -> Bool:
    """Return which areas hang together with ``start`` over the two colours, (N,) bool."""
    inside = (colours == one) | (colours == other)
    links = edges[inside[edges].all(axis=1)]
    piece = csgraph.connected_components(_matrix(links, len(colours)), directed=False)[1]
    return np.asarray(np.isin(piece, piece[start]) & inside)
