"""The edge made ready to be fitted: corners restored, runs laid out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from inkclean.base.arrays import F32, F64, I32, I64, Bool, count_up, distinct, offsets_of
from inkclean.base.tiles import blocks, side_by_side
from inkclean.curves.plane import as_complex, dot, rows_of

_PART = 1 << 16  # points of the loops laid out at once, or more


@dataclass(frozen=True)
class InkOutline:
    """Closed loops of points, ink to the right hand, with what must not be smoothed away.

    ``points`` (N, 2) float64 px; ``loops`` (L + 1,) int64 offsets, first points not repeated.
    ``corner`` (N,) bool: the outline turns sharply here. ``room`` (N,) float32 px to the nearest
    other edge. ``shape`` and ``hole`` as in Edges.
    """

    points: F64
    loops: I64
    corner: Bool
    room: F32
    shape: I32
    hole: Bool

    def only(self, loops: slice) -> InkOutline:
        """Return some of the loops, one after another."""
        begin, end = self.loops[loops.start], self.loops[loops.stop]
        return InkOutline(
            self.points[begin:end],
            self.loops[loops.start : loops.stop + 1] - begin,
            self.corner[begin:end],
            self.room[begin:end],
            self.shape[loops],
            self.hole[loops],
        )


def parts_of(loops: I64, points: int) -> list[slice]:
    """Return which of the loops, (L + 1,) offsets, to work on at once: of so many points or more.

    What is found of one loop doesn't depend on others: parts are worked on side by side, and
    stay in the cache.
    """
    ends = np.searchsorted(loops, np.arange(points, int(loops[-1]), points), side="left")
    cuts = np.unique(np.concatenate(([0], ends, [loops.size - 1])))
    return [slice(int(one), int(next_)) for one, next_ in pairwise(cuts)]


@dataclass(frozen=True)
class Runs:
    """Loops laid out as open runs of points, each loop's first point repeated at its end.

    ``points`` (M, 2) float64 px; ``tolerance`` (M,) float32 px, how near a curve is asked to lie,
    and ``most`` (M,) how far it may where it would otherwise have to break; ``first`` and
    ``last`` (L,) the index of each loop's two ends. ``fixed`` (M,) bool: a node must stand here
    (the ends of every loop too). ``corner`` (M,) bool. ``line`` (M,) bool: the segment from here
    on is an exact line. ``low`` and ``high`` (M,): the fixed points around each, itself if fixed.
    ``around`` (M,) bool: in a loop with no fixed point but its seam, which is smooth.
    """

    points: F64
    tolerance: F32
    most: F32
    first: I64
    last: I64
    fixed: Bool
    corner: Bool
    line: Bool
    low: I64
    high: I64
    around: Bool


def lay_runs(outline: InkOutline, tolerance: F32, most: F32) -> Runs:
    """Return the runs of ``outline``, every loop begun at a corner if it has one.

    ``tolerance`` and ``most`` are (N,) px.
    """
    lengths = np.diff(outline.loops)
    last = np.cumsum(lengths + 1) - 1
    first = last - lengths
    # A loop with nothing fixed begins where it bends most: no straight is cut there.
    rank = -_bends(outline)
    rank[outline.corner] = -np.inf
    take, low, high = (np.empty(outline.corner.size + lengths.size, np.int64) for _ in range(3))
    fixed, around = np.empty(take.size, np.bool_), np.empty(take.size, np.bool_)

    def lay(part: slice) -> None:
        begin, some = outline.loops[part.start], slice(first[part.start], last[part.stop - 1] + 1)
        begins, size = outline.loops[part] - begin, lengths[part]
        seam = _seams(rank[begin : outline.loops[part.stop]], begins, size)
        owner = np.repeat(np.arange(size.size), size + 1)
        within = (seam - begins)[owner] + count_up(size + 1)
        take[some] = begin + begins[owner] + within % size[owner]
        fixed[some] = outline.corner[take[some]]
        fixed[first[part]] = fixed[last[part]] = True
        low[some], high[some] = (some.start + at for at in around_fixed(fixed[some]))
        around[some] = ~outline.corner[begin + seam][owner]

    side_by_side(lay, parts_of(outline.loops, _PART))
    return Runs(
        points=outline.points.take(take, axis=0),
        tolerance=tolerance[take],
        most=most[take],
        first=first,
        last=last,
        fixed=fixed,
        corner=outline.corner.take(take),
        line=np.zeros(take.size, np.bool_),
        low=low,
        high=high,
        around=around,
    )


def _seams(rank: F64, begins: I64, size: I64) -> I64:
    """Return the first place of least ``rank`` in each loop that ``begins`` (L,) there."""
    loop = np.repeat(np.arange(size.size), size)
    seam = np.flatnonzero(rank == np.minimum.reduceat(rank, begins)[loop])
    return np.asarray(seam[np.flatnonzero(np.diff(loop[seam], prepend=-1))])


def _bends(outline: InkOutline) -> F64:
    """Return how far the edge turns at each point (N,), radians."""
    lengths = np.diff(outline.loops)
    loops = np.repeat(np.arange(lengths.size, dtype=np.int32), lengths)
    steps = np.minimum(3, np.maximum(lengths // 3, 1))
    z = as_complex(outline.points)
    bends = np.empty(z.size)

    def bend(part: slice) -> None:
        loop = loops[part]
        begin, size, step = outline.loops.take(loop), lengths.take(loop), steps.take(loop)
        within = np.arange(part.start, part.stop) - begin
        back = z[part] - z[begin + (within - step) % size]
        ahead = z[begin + (within + step) % size] - z[part]
        bends[part] = np.abs(np.angle(ahead * np.conj(back)))

    side_by_side(bend, blocks(z.size))
    return bends


def leave_out(outline: InkOutline, loops: Bool) -> tuple[InkOutline, Bool]:
    """Return ``outline`` without the ``loops`` (L,) marked, and which points (N,) stay."""
    lengths = np.diff(outline.loops)
    keep = np.repeat(~loops, lengths)
    kept = InkOutline(
        rows_of(outline.points, keep),
        offsets_of(lengths[~loops]),
        outline.corner[keep],
        outline.room[keep],
        outline.shape[~loops],
        outline.hole[~loops],
    )
    return kept, keep


def around_fixed(fixed: Bool) -> tuple[I64, I64]:
    """Return the index of the fixed point at or before each point, and at or after it."""
    index = np.arange(fixed.size)
    low = np.maximum.accumulate(np.where(fixed, index, 0))
    high = np.minimum.accumulate(np.where(fixed, index, fixed.size)[::-1])[::-1]
    return low, high


def members(first: I64, last: I64) -> tuple[I64, I64]:
    """Indices of all points of the stretches ``first`` to ``last`` (K,), and the stretch each
    belongs to.
    """
    lengths = last - first + 1
    owner = np.repeat(np.arange(first.size), lengths)
    begin = np.cumsum(lengths) - lengths
    return (first - begin)[owner] + np.arange(owner.size), owner


def ease(runs: Runs, first: I64, last: I64) -> Runs:
    """Return ``runs`` with all that is allowed given to the points from ``first`` to ``last``."""
    easy, _ = members(first, last)
    tolerance = runs.tolerance.copy()
    tolerance[easy] = runs.most[easy]
    return replace(runs, tolerance=tolerance)


def loosen(runs: Runs, first: I64, last: I64) -> Runs:
    """Return ``runs`` with every point from each ``first`` to ``last`` made a corner."""
    loose = np.zeros(runs.fixed.size, np.bool_)
    loose[members(first, last)[0]] = True
    loop = distinct(np.searchsorted(runs.last, first))
    # A seam is one point twice.
    seam = loose[runs.first[loop]] | loose[runs.last[loop]]
    loose[runs.first[loop]] = loose[runs.last[loop]] = seam
    fixed = runs.fixed | loose
    around = runs.around.copy()
    around[members(runs.first[loop], runs.last[loop])[0]] = False
    # Only what lies between the fixed points about a stretch gets new ones.
    changed = np.zeros(fixed.size, np.bool_)
    changed[members(runs.low[first], runs.high[last])[0]] = True
    place = np.flatnonzero(changed)
    low, high = runs.low.copy(), runs.high.copy()
    nearest = around_fixed(fixed[place])
    low[place], high[place] = place[nearest[0]], place[nearest[1]]
    return replace(
        runs,
        fixed=fixed,
        corner=runs.corner | loose,
        low=low,
        high=high,
        around=around,
    )


def tangents(runs: Runs, nodes: I64, reach: I64) -> tuple[F64, F64]:
    """Unit tangents (K, 2) into and out of each of ``nodes``, both pointing onward.

    They agree except at corners. Beside an exact line the tangent is the line's. Elsewhere it
    is the chord between the points ``reach`` (K,) before and after; at a corner, the end slope of
    the parabola through the points one and two reaches away.
    """
    ended = runs.fixed[nodes] & ~runs.around[nodes]
    into = np.empty((nodes.size, 2))
    free = np.flatnonzero(~ended)
    into[free] = _unit(_chords(runs, nodes[free], reach[free]))
    out = into.copy()
    held = np.flatnonzero(ended)
    into[held], out[held] = _at_ends(runs, nodes[held], reach[held])
    return into, out


def _chords(runs: Runs, nodes: I64, reach: I64) -> F64:
    """Chords (K, 2) from ``reach`` points before each of ``nodes`` to as many after."""
    # In a smooth closed loop the window runs on across the seam.
    owner = np.searchsorted(runs.last, nodes)
    begin, length = runs.first[owner], (runs.last - runs.first)[owner]
    span = np.minimum(reach, np.maximum(length // 4, 1))
    even = np.minimum(np.minimum(nodes - runs.low[nodes], runs.high[nodes] - nodes), reach)
    around = runs.around[nodes]
    back = np.where(around, begin + (nodes - begin - span) % length, nodes - even)
    ahead = np.where(around, begin + (nodes - begin + span) % length, nodes + even)
    chords: F64 = runs.points.take(ahead, axis=0) - runs.points.take(back, axis=0)
    return chords


def _at_ends(runs: Runs, nodes: I64, reach: I64) -> tuple[F64, F64]:
    """Unit tangents (K, 2) into and out of fixed ``nodes``."""
    points = runs.points
    owner = np.searchsorted(runs.last, nodes)
    # At the seam of a loop with corners, the points before the first node lie at its end.
    inner = np.where(nodes == runs.first[owner], runs.last[owner], nodes)
    outer = np.where(nodes == runs.last[owner], runs.first[owner], nodes)
    incoming = _end_slope(points, inner, runs.low[np.maximum(inner - 1, 0)], reach)
    outgoing = -_end_slope(points, outer, runs.high[np.minimum(outer + 1, len(points) - 1)], reach)
    smooth = ~runs.corner[nodes][:, None]
    before_line = runs.line[np.maximum(inner - 1, 0)][:, None]
    after_line = runs.line[outer][:, None]
    shared = np.where(
        before_line & smooth, incoming, np.where(after_line, outgoing, incoming + outgoing)
    )
    into = np.where(smooth, shared, incoming)
    return _unit(into), _unit(np.where(smooth, shared, outgoing))


def _end_slope(points: F64, end: I64, limit: I64, reach: I64) -> F64:
    """Slope at ``end``, pointing from ``limit``'s side onto it, from points on that side."""
    away = np.sign(limit - end)
    span = np.abs(limit - end)
    one = np.minimum(np.maximum(span // 2, 1), reach)
    near = end + away * np.minimum(one, span)
    far = end + away * np.minimum(2 * one, span)
    here = points.take(end, axis=0)
    plain = here - points.take(near, axis=0)
    slope = points.take(far, axis=0) - here + 4.0 * plain
    # A parabola that would turn the slope by more than a right angle has been misled.
    led = (span >= 2) & (dot(slope, plain) > 0.0)
    onward: F64 = np.where(led[:, None], slope, plain)
    return onward


def _unit(vector: F64) -> F64:
    size = np.sqrt(dot(vector, vector))[:, None]
    return np.where(size > 1e-12, vector / np.maximum(size, 1e-12), np.array([1.0, 0.0]))
