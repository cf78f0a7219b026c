"""The edge of the ink at sub-pixel accuracy: every loop of a page in whole-array steps.

Topology is that of the 0.5 level between pixel centres (marching squares; Lorensen & Cline,
SIGGRAPH 1987, in two dimensions), saddles joined by the value at their middle. The place of
each point is then moved from that level to where area says the edge is, wherever the profile
across the edge is one that area alone can give (partial-area edges: Trujillo-Pino et al.,
Image and Vision Computing 31, 2013, doi:10.1016/j.imavis.2012.10.005).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from inkclean.base.arrays import F32, F64, I32, I64, Bool, median, offsets_of
from inkclean.base.compiled import compiled
from inkclean.base.tiles import blocks, both, side_by_side
from inkclean.curves.outlines.linking import link_loops
from inkclean.curves.outlines.profiles import PAD, edge_places
from inkclean.curves.plane import rows_of

_loops = compiled("inkclean.curves.outlines._loops")

# Points of a loop that keeps all of them; a longer one drops those that cross it aslant
_FEWEST = 12


@dataclass(frozen=True)
class InkEdges:
    """All loops of the ink's edge.

    ``points`` (N, 2) float64, x and y in px (outer corner of the first pixel = (0, 0)), about
    one px apart, not repeated at the end; ``loops`` (L + 1,) int64 offsets. Outer loops run
    clockwise as seen on the screen, holes the other way: ink always lies to the right hand.
    ``room`` (N,) float32: how far along the grid line the edge's nearest neighbour is, across
    ink or paper, in px, foreshortened to the normal. ``shape`` (L,) int32: the connected piece
    of ink each loop belongs to, its outer loop first; ``hole`` (L,) bool. ``blur`` is the
    standard deviation of the blur beyond area coverage, and ``noise`` that of the points
    across the edge, both in px and both measured on the edge itself.
    """

    points: F64
    loops: I64
    room: F32
    shape: I32
    hole: Bool
    blur: float
    noise: float

    def only(self, loops: slice) -> InkEdges:
        """Return some of the loops, one after another."""
        begin, end = self.loops[loops.start], self.loops[loops.stop]
        return replace(
            self,
            points=self.points[begin:end],
            loops=self.loops[loops.start : loops.stop + 1] - begin,
            room=self.room[begin:end],
            shape=self.shape[loops],
            hole=self.hole[loops],
        )

    def without(self, loops: Bool) -> InkEdges:
        """Return the edges without the ``loops`` (L,) marked."""
        lengths = np.diff(self.loops)
        keep = np.repeat(~loops, lengths)
        return replace(
            self,
            points=rows_of(self.points, keep),
            loops=offsets_of(lengths[~loops]),
            room=self.room[keep],
            shape=self.shape[~loops],
            hole=self.hole[~loops],
        )


def find_edges(coverage: F32) -> InkEdges:
    """Return all loops of the edge of the ink in ``coverage`` (H, W), 0..1.

    Beyond the picture there is paper: ink that touches the border is closed along it.
    """
    height, width = coverage.shape
    padded = np.zeros((height + 2 * PAD, width + 2 * PAD), np.float32)
    padded[PAD:-PAD, PAD:-PAD] = coverage
    flat: F32 = padded.reshape(-1)
    width = padded.shape[1]
    ink = flat > 0.5
    # Rows begin and end in paper: nothing is crossed from one to the next.
    rows = _differ(ink[:-1], ink[1:])
    columns = _differ(ink[:-width], ink[width:])
    if rows.size == 0:
        return _nothing()
    crossing = np.concatenate((rows, columns))
    (order, loops), (aslant, place, room, steep) = both(
        lambda: link_loops(_successors(flat, width, rows, columns)),
        lambda: edge_places(flat, width, rows, columns),
    )
    points = np.empty((crossing.size, 2))
    points[:, 0] = crossing % width
    points[:, 1] = crossing // width
    points += 0.5 - PAD
    points[: rows.size, 0] += place[: rows.size]
    points[rows.size :, 1] += place[rows.size :]
    shape, hole, loop_order = _nest(ink, width, rows, order, loops)
    order, loops = _reorder(order, loops, loop_order)
    shape, hole = shape[loop_order], hole[loop_order]
    points, room, aslant = points.take(order, axis=0), room.take(order), aslant.take(order)
    keep = ~aslant | np.repeat(np.diff(loops) < _FEWEST, np.diff(loops))
    kept = np.add.reduceat(keep, loops[:-1], dtype=np.int64)
    keep |= np.repeat(kept < _FEWEST // 2, np.diff(loops))
    kept = np.add.reduceat(keep, loops[:-1], dtype=np.int64)
    points = rows_of(points, keep)
    return InkEdges(
        points,
        offsets_of(kept),
        room[keep],
        shape.astype(np.int32),
        hole,
        _blur(steep),
        _noise(points),
    )


def _blur(steep: float) -> float:
    """Standard deviation in px of the blur that makes a step between neighbours so steep.

    Computed on discs: bare area coverage steps by 0.75 in the median, and under a Gaussian blur
    of 0.5, 0.7, 1, 1.5, 2 and 3 px by 0.556, 0.421, 0.331, 0.234, 0.180 and 0.122.
    """
    steps = [-0.65, -0.556, -0.421, -0.331, -0.234, -0.180, -0.122]
    return float(np.interp(-steep, steps, [0.0, 0.5, 0.7, 1.0, 1.5, 2.0, 3.0]))


def _noise(points: F64) -> float:
    """Standard deviation across the edge, from fourth differences, which smooth curves lack."""
    if points.shape[0] < 64:
        return 0.0
    across = np.zeros(points.shape[0] - 4)

    def measure(part: slice) -> None:
        size = np.zeros(part.stop - part.start)
        for axis, sign in ((0, -1.0), (1, 1.0)):
            z, other = (points[part.start : part.stop + 4, way] for way in (axis, 1 - axis))
            rough = z[4:] + z[:-4] - 4.0 * (z[3:-1] + z[1:-3]) + 6.0 * z[2:-2]
            normal = other[4:] - other[:-4]
            across[part] += sign * rough * normal
            size += normal * normal
        across[part] = np.abs(across[part]) / np.sqrt(np.maximum(size, 1e-18))

    side_by_side(measure, blocks(across.size))
    # The weights' squares add up to 70; half of all normal errors lie within 0.6745.
    return float(median(across) / (0.6745 * np.sqrt(70.0)))


def _nothing() -> InkEdges:
    return InkEdges(
        np.zeros((0, 2)),
        np.zeros(1, np.int64),
        np.zeros(0, np.float32),
        np.zeros(0, np.int32),
        np.zeros(0, np.bool_),
        0.0,
        0.0,
    )


def _differ(one: Bool, other: Bool) -> I64:
    """Return the places at which ``one`` and ``other`` (N,) differ."""
    if _loops is not None:
        found = np.empty(one.size // 4 + 8192, np.int64)
        count = _loops.differ(one, other, found)
        if count >= 0:  # else there are more than that
            return found[:count].copy()
    return np.flatnonzero(one != other)


def _successors(flat: F32, width: int, rows: I64, columns: I64) -> I32:
    """Return what ``successors_by_numpy`` does, by ``_loops.c`` where there is one."""
    if _loops is None:
        return successors_by_numpy(flat, width, rows, columns)
    successor = np.empty(rows.size + columns.size, np.int32)
    _loops.succeed(flat, rows, columns, successor, width)
    return successor


def successors_by_numpy(flat: F32, width: int, rows: I64, columns: I64) -> I32:
    """Return where each crossing's loop goes on, ink kept to the right hand (N,).

    A crossing is named by its first pixel; those along rows come before those along columns.
    Headings: 0 right, 1 down, 2 left, 3 up. Each leads into the cell of four pixel centres
    ahead, whose far pixels to the right and the left hand decide where it comes out.
    """
    ink = flat > 0.5
    split = rows.size
    cell = np.concatenate((rows, columns))
    near_ink = ink[cell]
    heading = np.empty(cell.size, np.int8)
    heading[:split] = np.where(near_ink[:split], 1, 3)
    heading[split:] = np.where(near_ink[split:], 2, 0)
    cell[:split] -= np.where(near_ink[:split], 0, width)
    cell[split:] -= near_ink[split:]
    right = ink[cell + np.array([width + 1, width, 0, 1])[heading]]
    left = ink[cell + np.array([1, width + 1, width, 0])[heading]]
    saddle = np.flatnonzero(left & ~right)
    at = cell[saddle]
    a, b, c, d = flat[at], flat[at + 1], flat[at + width], flat[at + width + 1]
    joined = np.zeros(cell.size, np.bool_)
    joined[saddle] = _saddle_is_ink(a, b, c, d)
    turn_left = left & (right | joined)
    straight = right & ~left
    heading += np.where(turn_left, -1, np.where(straight, 0, 1)).astype(np.int8)
    heading &= 3
    out = cell + np.array([1, width, 0, 0])[heading]
    along_row = (heading & 1).astype(np.bool_)
    successor = np.empty(cell.size, np.int32)
    successor[along_row] = np.searchsorted(rows, out[along_row])
    successor[~along_row] = np.searchsorted(columns, out[~along_row]) + split
    return successor


def _saddle_is_ink(a: F32, b: F32, c: F32, d: F32) -> Bool:
    """Whether the saddle point of the bilinear patch (a b over c d) is above 0.5."""
    bend = a + d - b - c
    safe = np.where(np.abs(bend) < 1e-6, 1.0, bend)
    value = np.where(np.abs(bend) < 1e-6, (a + b + c + d) / 4, (a * d - b * c) / safe)
    above: Bool = value > 0.5
    return above


def _nest(ink: Bool, width: int, rows: I64, order: I64, loops: I64) -> tuple[I64, Bool, I64]:
    """Shape number and hole flag of each loop, and the loops' order: by shape, outer first.

    The leftmost crossing of a hole has its own ink at its left; whatever edge bounds that ink
    on the row belongs to the same piece and lies further left, so the chain ends at an outer
    loop.
    """
    count = loops.size - 1
    loop_of = np.empty(order.size, np.int64)
    loop_of[order] = np.repeat(np.arange(count), np.diff(loops))
    along_row = order < rows.size
    crossing = order[along_row]
    column = rows[crossing] % width
    loop = loop_of[crossing]
    starts = np.flatnonzero(np.diff(loop, prepend=-1))
    leftmost = np.minimum.reduceat(column, starts)
    candidates = np.flatnonzero(column == leftmost[loop])
    first = candidates[np.flatnonzero(np.diff(loop[candidates], prepend=-1))]
    lead = crossing[first]
    hole = ink[rows[lead]]
    parent = np.where(hole, loop_of[np.maximum(lead - 1, 0)], np.arange(count))
    while True:
        above = parent[parent]
        if np.array_equal(above, parent):
            break
        parent = above
    by = np.lexsort((hole, parent))
    number = np.empty(count, np.int64)
    number[by] = np.cumsum(~hole[by]) - 1
    return number, hole, by


def _reorder(order: I64, loops: I64, by: I64) -> tuple[I64, I64]:
    """Return the same loops one after another in the order ``by``."""
    lengths = np.diff(loops)[by]
    offsets = offsets_of(lengths)
    take = np.repeat(loops[by] - offsets[:-1], lengths) + np.arange(order.size)
    return order[take], offsets
