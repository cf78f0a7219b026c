"""The areas' outlines, with every shared border the same from both sides."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csgraph, csr_array

from inkclean.base.arrays import F64, I32, I64, U16, Bool, places

# Rounds of smoothing: enough to iron the staircase out.
_SMOOTHINGS = 6
# How far it may move a corner, each way: a single pixel must not shrink to nothing.
_MOST_PX = 0.4
# Rounds of thinning; each takes about a third of what may go.
_THINNINGS = 24
_EAST, _SOUTH, _WEST, _NORTH = range(4)


@dataclass(frozen=True)
class Outlines:
    """Closed polygons around areas.

    ``points`` (P, 2) float64: x, y in mm, origin at the sheet's top left, y down; ``loops``
    (L + 1,) int64 offsets into them; ``label`` (L,) int32, ascending: the area a loop belongs
    to. Outer loops run clockwise as seen on the screen, holes the other way. Where two areas
    meet, both have the same points to the last bit.
    """

    points: F64
    loops: I64
    label: I32


@dataclass
class _Ring:
    """Corners of outlines as linked lists: each corner once for each area it belongs to."""

    vertex: I64
    label: I64
    place: F64
    after: I64
    before: I64
    twin: I64
    fixed: Bool


def outlines(labels: U16, px_per_mm: float, within_mm: float) -> Outlines:
    """Return the outlines of all areas, thinned to stay ``within_mm`` of the smoothed border.

    Borders follow the edges between pixels, are smoothed between the places where three areas
    meet, which stay, and lose the points that a straight line does without. All steps see a
    border alike from both sides, so no slit can open.
    """
    ring = _cracks(labels)
    least, most = ring.place - _MOST_PX, ring.place + _MOST_PX
    for _ in range(_SMOOTHINGS):
        smooth = (ring.place[ring.after] + ring.place[ring.before] + 2 * ring.place) / 4
        ring.place = np.where(ring.fixed[:, None], ring.place, np.clip(smooth, least, most))
    alive = _thinned(ring, within_mm * px_per_mm)
    return _in_order(ring, alive, px_per_mm)


def _cracks(labels: U16) -> _Ring:
    """Return one corner for each pixel edge between two labels and for each of the two."""
    height, width = labels.shape
    wide = np.zeros((height + 2, width + 2), np.uint16)
    wide[1:-1, 1:-1] = labels
    stride = width + 3
    row, column = places(wide[:, 1:] != wide[:, :-1])
    top = row * stride + column + 1
    left, right = wide[row, column], wide[row, column + 1]
    row, column = places(wide[1:] != wide[:-1])
    west = (row + 1) * stride + column
    upper, lower = wide[row, column], wide[row + 1, column]
    start = np.concatenate([top, top + stride, west, west + 1])
    end = np.concatenate([top + stride, top, west + 1, west])
    label = np.concatenate([left, right, lower, upper]).astype(np.int64)
    heading = np.repeat([_SOUTH, _NORTH, _EAST, _WEST], [len(top)] * 2 + [len(west)] * 2)
    order = np.lexsort((heading, label, start))
    start, end, label, heading = start[order], end[order], label[order], heading[order]

    key = start * 65536 + label
    first = np.searchsorted(key, end * 65536 + label)
    # where an area touches itself at a corner two edges go on: turn right, round the pixel
    second = np.minimum(first + 1, len(key) - 1)
    two = key[second] == key[first]
    right_turn = heading[second] == (heading + 1) % 4
    after = np.where(two & right_turn, second, first)
    before = np.empty_like(after)
    before[after] = np.arange(len(after))

    here = np.searchsorted(start, start)
    count = np.searchsorted(start, start, side="right") - here
    place = np.arange(len(start)) - here
    twin = np.where(count == 2, here + 1 - place, np.arange(len(start)))
    corner_of_sheet = np.isin(
        start,
        [
            stride + 1,
            stride + width + 1,
            (height + 1) * stride + 1,
            (height + 1) * stride + width + 1,
        ],
    )
    xy = np.stack([start % stride - 1, start // stride - 1], axis=1).astype(np.float64)
    return _Ring(start, label, xy, after, before, twin, (count != 2) | corner_of_sheet)


def _thinned(ring: _Ring, within: float) -> Bool:
    """Unlink what lies within ``within`` px of the line between its neighbours."""
    alive = np.ones(len(ring.vertex), np.bool_)
    # which of two neighbours goes first is drawn by lot, the same from both sides
    lot = (ring.vertex * 2654435761 & 0xFFFFFFFF) + 1
    nodes = np.flatnonzero(~ring.fixed)
    for _ in range(_THINNINGS):
        before, after = ring.before[nodes], ring.after[nodes]
        base = ring.place[after] - ring.place[before]
        arm = ring.place[nodes] - ring.place[before]
        length = np.hypot(base[:, 0], base[:, 1])
        reach = np.abs(base[:, 0] * arm[:, 1] - base[:, 1] * arm[:, 0])
        along = (base * arm).sum(axis=1)
        free = (reach < within * length) & (along > 0) & (along < length**2)
        # a ring of four stays: two of its corners could go at once
        free &= ring.after[after] != ring.before[before]
        may = np.zeros(len(alive), np.bool_)
        may[nodes] = free
        may[nodes] &= may[ring.twin[nodes]]
        drawn = np.where(may, lot, 0)
        go = nodes[(drawn[nodes] > drawn[before]) & (drawn[nodes] > drawn[after])]
        if not len(go):
            break
        ring.after[ring.before[go]] = ring.after[go]
        ring.before[ring.after[go]] = ring.before[go]
        alive[go] = False
        nodes = nodes[alive[nodes]]
    return alive


def _in_order(ring: _Ring, alive: Bool, px_per_mm: float) -> Outlines:
    kept = np.flatnonzero(alive & (ring.label > 0))
    renumber = np.full(len(alive), -1, np.int64)
    renumber[kept] = np.arange(len(kept))
    after, label = renumber[ring.after[kept]], ring.label[kept]
    count = len(kept)
    links = csr_array((np.ones(count), (np.arange(count), after)), shape=(count, count))
    loop = csgraph.connected_components(links, directed=False)[1] if count else np.zeros(0, int)
    _, head = np.unique(loop, return_index=True)
    # steps to the loop's head, by doubling the stride of the links
    is_head = np.zeros(count, np.bool_)
    is_head[head] = True
    jump = np.where(is_head, np.arange(count), after)
    steps = (~is_head).astype(np.int64)
    # the head itself goes last in this count, so start one link after it
    while not is_head[jump].all():
        steps += steps[jump]
        jump = jump[jump]
    order = np.lexsort((-steps, loop, label))
    edges = np.flatnonzero(np.diff(loop[order], prepend=-1))
    return Outlines(
        ring.place[kept[order]] / px_per_mm,
        np.append(edges, count).astype(np.int64),
        label[order][edges].astype(np.int32),
    )
