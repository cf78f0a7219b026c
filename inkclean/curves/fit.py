"""The fewest cubics that keep a promise: no point of the edge further off than the tolerance.

Spans are fitted all at once; those that break the tolerance are split, then neighbours are
joined again where one cubic serves for two, cheapest first, until none can be joined. Nodes lie
at horizontal and vertical extrema where that takes no more of them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from inkclean.base.arrays import F32, I64, Bool
from inkclean.base.tiles import side_by_side
from inkclean.curves.bezier import FEW_SAMPLES, ROUNDS, SAMPLES, fit_spans
from inkclean.curves.outlines.extrema import find_extrema, snap
from inkclean.curves.outlines.outline import Runs, ease, loosen, tangents
from inkclean.curves.plane import dot
from inkclean.curves.spans import Spans, end_to_end, put, sort_spans

_APART = 32  # points between the first nodes: a cubic seldom spans fewer, and few points need more
_REACH = 2  # points to either side that a tangent is taken from
_CHECKED = 0.9  # share of the tolerance asked of the samples; the points between them have the rest
_POLISH = 1  # rounds in which nodes turn their tangents to what both their spans would rather have
_TURNED = 2  # rounds of fitting that show where a tangent would rather point
_HOPELESS = 4.0  # times too far off after one round: no further round makes such a fit good
# Least share, 1 in so many points, that a node moved to an extremum leaves on either side
_UNEVEN = 6
_SURE = 0.94  # cosine of the most a round turns a tangent by, 20 degrees
_CHUNK = 65536  # samples fitted in one go: few enough to stay in the cache
# Samples a span at the end: every point, but for spans of over a thousand
_EVERY = (32, 64, 128, 256, 1024)
_SHORT = 3  # steps of a span that is given up as smooth if it still breaks the tolerance


def fit_runs(runs: Runs) -> tuple[Runs, Spans]:
    """Return the spans of cubics that follow ``runs`` within their tolerance.

    The runs come back too: where no smooth cubic serves, points have become corners.
    """
    axis = find_extrema(runs)
    nodes = _first_nodes(runs, _marked(axis))
    # Points made corners because a few steps would not be fitted may still be passed over
    # once the tangents about them have settled.
    firm = runs.fixed
    real = ~np.isin(nodes[:-1], runs.last)
    runs, spans = _split(runs, _fresh(runs, nodes[:-1][real], nodes[1:][real]))
    axis[runs.fixed] = 0.0
    extreme = _marked(axis)
    spans = _turn_tangents(runs, spans, axis)
    spans = _join(runs, spans, firm, extreme)
    for _ in range(_POLISH):
        spans = _turn_tangents(runs, spans, axis)
    spans = _join(runs, spans, firm, extreme)
    for odd in (0, 1):
        spans = _slide(runs, spans, axis, odd)
    return _hold(runs, spans)


def _hold(runs: Runs, spans: Spans) -> tuple[Runs, Spans]:
    """Fit once more to every point, and split what one of them shows to be broken."""
    long = np.flatnonzero(spans.last - spans.first >= SAMPLES)
    while True:
        asked = spans.take(long)
        finer = _measure(runs, asked.first, asked.last, asked.start, asked.end, counts=_EVERY)
        # The samples were asked for a share of the tolerance; the points may use all of it.
        finer = replace(finer, worst=finer.worst * np.float32(_CHECKED))
        spans = put(spans, long, finer)
        if not (finer.worst > 1.0).any():
            return runs, spans
        before = spans
        runs, spans = _split(runs, spans)
        # What is as it was has been looked at.
        old = np.minimum(np.searchsorted(before.first, spans.first), before.first.size - 1)
        same = (before.first[old] == spans.first) & (before.last[old] == spans.last)
        same &= (before.inner[old] == spans.inner).all(axis=1)
        long = np.flatnonzero(~same & (spans.last - spans.first >= SAMPLES))


def _marked(axis: F32) -> Bool:
    return np.asarray((axis[:, 0] != 0.0) | (axis[:, 1] != 0.0))


def _first_nodes(runs: Runs, extreme: Bool) -> I64:
    index = np.arange(runs.fixed.size)
    length = np.maximum(runs.high - runs.low, 1)
    pieces = np.maximum(np.rint(length / _APART), 1).astype(np.int64)
    along = (index - runs.low) * pieces
    regular = along // length > (along - pieces) // length
    nodes = np.flatnonzero(~runs.fixed & regular)
    nodes = snap(nodes, nodes - _APART // 3, nodes + _APART // 3, extreme)
    return np.union1d(nodes, np.flatnonzero(runs.fixed))


def _fresh(
    runs: Runs,
    first: I64,
    last: I64,
    start: F32 | None = None,
    end: F32 | None = None,
    renewed: Bool | None = None,
    near: Bool | None = None,
) -> Spans:
    """Fit spans between ``first`` and ``last``.

    Tangents come from the points where none is given (nan) or where the node has just been
    ``renewed``; those given stay, for the neighbours have them too. Where the node is ``near``
    they come from the next points alone.
    """
    if start is None or end is None or renewed is None or near is None:
        start, end = (np.full((first.size, 2), np.nan, np.float32) for _ in range(2))
        renewed, near = runs.corner, np.zeros_like(runs.corner)
    for nodes, way, side in ((first, start, 1), (last, end, 0)):
        open_ = np.flatnonzero(np.isnan(way[:, 0]) | renewed[nodes])
        reach = np.where(near[nodes[open_]], 1, _REACH)
        way[open_] = tangents(runs, nodes[open_], reach)[side]
    return _measure(runs, first, last, start, end)


def _measure(
    runs: Runs,
    first: I64,
    last: I64,
    start: F32,
    end: F32,
    *,
    turn: bool = False,
    counts: tuple[int, ...] = (FEW_SAMPLES, SAMPLES),
) -> Spans:
    """Fit spans with the tangents given; with ``turn``, put the tangents they would rather
    have (not of unit length) in their place.
    """
    inner = np.empty((first.size, 2), np.float32)
    worst, at = np.empty(first.size, np.float32), np.empty(first.size, np.float32)
    if turn:
        start, end = start.copy(), end.copy()
    kind = np.searchsorted(counts[:-1], last - first, side="right")
    parts = []
    for nth, count in enumerate(counts):
        rows = np.flatnonzero(kind == nth)
        chunks = np.array_split(rows, max(rows.size * count // _CHUNK, 1))
        parts += [(count, chunk) for chunk in chunks if chunk.size]

    def work(part: tuple[int, I64]) -> None:
        count, chunk = part
        fit = fit_spans(
            runs.points,
            runs.tolerance,
            first[chunk],
            last[chunk],
            start.take(chunk, axis=0),
            end.take(chunk, axis=0),
            count,
            rounds=_TURNED if turn else ROUNDS,
            hopeless=np.inf if turn else _HOPELESS,
            freed=turn,
            share=_CHECKED,
        )
        inner[chunk], worst[chunk], at[chunk] = fit.inner, fit.worst, fit.at
        if turn:
            start[chunk], end[chunk] = fit.start, fit.end

    side_by_side(work, parts)
    single = np.flatnonzero(last - first == 1)
    chord = runs.points[last[single]] - runs.points[first[single]]
    ahead = np.minimum(dot(chord, start[single]), dot(chord, end[single]))
    worst[single] = np.where(ahead < 0.0, np.inf, 0.0)
    inner[single] = _between_two(runs, first[single], last[single], start[single], end[single])
    return Spans(first, last, start, end, inner, worst, at)


def _between_two(runs: Runs, first: I64, last: I64, start: F32, end: F32) -> F32:
    """Handle lengths (S, 2) of spans from one point to the next: no bulge over the tolerance.

    Two handles of length h at a slant to one side lift the cubic by 3/4 of h times its sine.
    """
    chord = (runs.points[last] - runs.points[first]).astype(np.float32)
    length = np.maximum(np.hypot(chord[:, 0], chord[:, 1]), 1e-6)
    tolerance = np.minimum(runs.tolerance[first], runs.tolerance[last])
    inner = np.empty((first.size, 2), np.float32)
    for side, way in enumerate((start, end)):
        size = np.maximum(np.hypot(way[:, 0], way[:, 1]), 1e-6)
        sine = np.abs(chord[:, 0] * way[:, 1] - chord[:, 1] * way[:, 0]) / (length * size)
        inner[:, side] = np.minimum(length / 3.0, tolerance / np.maximum(0.75 * sine, 1e-3))
    return inner


def _split(runs: Runs, spans: Spans) -> tuple[Runs, Spans]:
    """Split what breaks the tolerance until nothing does.

    Where few steps are left, their tangents are taken from the nearest points alone; then they
    may lie as far off as was promised; only then is the edge broken there.
    """
    good = [spans.take(spans.worst <= 1.0)]
    bad = spans.take(spans.worst > 1.0)
    near = np.zeros(runs.fixed.size, np.bool_)
    while bad.first.size:
        short = bad.last - bad.first <= _SHORT
        wide = short & ~(near[bad.first] & near[bad.last])
        tight = short & ~wide & _held_close(runs, bad)
        stuck = short & ~wide & ~tight
        renewed = _ends_of(runs, bad.take(wide))
        near |= renewed
        if tight.any():
            runs = ease(runs, bad.first[tight], bad.last[tight])
        before = runs.corner
        touched = renewed.copy()
        if stuck.any():
            runs = loosen(runs, bad.first[stuck], bad.last[stuck])
            touched[bad.first[stuck]] = touched[bad.last[stuck]] = True
        again = [touched[part.first] | touched[part.last] for part in good]
        whole = [bad.take(wide | tight)]
        whole += [part.take(which) for part, which in zip(good, again, strict=True)]
        good = [part.take(~which) for part, which in zip(good, again, strict=True)]
        part, rest = bad.take(~short), end_to_end(whole)
        middle = part.first + np.rint(
            (part.last - part.first) * np.clip(part.at, 0.25, 0.75)
        ).astype(np.int64)
        middle = np.clip(middle, part.first + 1, part.last - 1)
        singles = _singles(bad, stuck)
        unknown = np.full((singles.size, 2), np.nan, np.float32)
        open_ = np.full((middle.size, 2), np.nan, np.float32)
        fresh = _fresh(
            runs,
            np.concatenate((part.first, middle, singles, rest.first)),
            np.concatenate((middle, part.last, singles + 1, rest.last)),
            np.concatenate((part.start, open_, unknown, rest.start)),
            np.concatenate((open_, part.end, unknown, rest.end)),
            renewed | (runs.corner & ~before),
            near,
        )
        good.append(fresh.take(fresh.worst <= 1.0))
        bad = fresh.take(fresh.worst > 1.0)
    return runs, sort_spans(end_to_end(good))


def _held_close(runs: Runs, spans: Spans) -> Bool:
    """Which short spans (S,) lie at points that are asked to be kept closer than was promised."""
    tight = np.zeros(spans.first.size, np.bool_)
    for step in range(_SHORT + 1):
        at = np.minimum(spans.first + step, spans.last)
        tight |= runs.tolerance[at] < runs.most[at]
    return tight


def _ends_of(runs: Runs, spans: Spans) -> Bool:
    """Which points (M,) are ends of ``spans``; a seam's two ends are one."""
    ends = np.zeros(runs.fixed.size, np.bool_)
    ends[spans.first] = ends[spans.last] = True
    ends[runs.first] = ends[runs.last] = ends[runs.first] | ends[runs.last]
    return ends


def _singles(spans: Spans, which: Bool) -> I64:
    """First points of all single steps within the spans ``which``."""
    first, steps = spans.first[which], (spans.last - spans.first)[which]
    total = np.cumsum(steps)
    return np.repeat(first - total + steps, steps) + np.arange(int(steps.sum()))


def _join(runs: Runs, spans: Spans, firm: Bool, extreme: Bool) -> Spans:
    """Join neighbours where one cubic keeps the tolerance, the best served first.

    Nodes at ``firm`` points stay; those at ``extreme`` ones only go when no other can.
    """
    empty = spans.take(np.zeros(0, np.int64))
    stale = np.arange(spans.first.size - 1)
    cost = np.full(spans.first.size, np.inf, np.float32)
    joined = spans
    while True:
        stale = stale[(spans.last[stale] == spans.first[stale + 1]) & ~firm[spans.last[stale]]]
        tried = (
            _measure(
                runs,
                spans.first[stale],
                spans.last[stale + 1],
                spans.start[stale],
                spans.end[stale + 1],
            )
            if stale.size
            else empty
        )
        cost[stale] = np.where(tried.worst <= 1.0, tried.worst + extreme[spans.last[stale]], np.inf)
        joined = put(joined, stale, tried)
        before = np.concatenate(([np.inf], cost[:-1]))
        after = np.concatenate((cost[1:], [np.inf]))
        chosen = np.flatnonzero(np.isfinite(cost) & (cost < before) & (cost <= after))
        if chosen.size == 0:
            return spans
        spans = put(spans, chosen, joined.take(chosen))
        keep = np.ones(spans.first.size, np.bool_)
        keep[chosen + 1] = False
        fresh = np.zeros(spans.first.size, np.bool_)
        fresh[chosen] = True
        cost[chosen] = np.inf
        cost[np.maximum(chosen - 1, 0)] = np.inf
        cost[chosen + 1] = np.inf
        spans, joined, cost, fresh = spans.take(keep), joined.take(keep), cost[keep], fresh[keep]
        near = fresh.copy()
        near[:-1] |= fresh[1:]
        near[-1:] = False
        stale = np.flatnonzero(near)


def _slide(runs: Runs, spans: Spans, axis: F32, odd: int) -> Spans:
    """Move every other smooth node to the nearest extremum between its neighbours, where both
    its spans keep the tolerance.
    """
    extreme = _marked(axis)
    one = np.arange(odd, spans.first.size - 1, 2)
    node = spans.last[one]
    one = one[(node == spans.first[one + 1]) & ~runs.fixed[node] & ~extreme[node]]
    node, low, high = spans.last[one], spans.first[one], spans.last[one + 1]
    margin = np.maximum((high - low) // _UNEVEN, 1)
    place = snap(node, low + margin, high - margin, extreme)
    moved = np.flatnonzero(place != node)
    one, place, low, high = one[moved], place[moved], low[moved], high[moved]
    if one.size == 0:
        return spans
    way = axis[place]
    two = _measure(
        runs,
        np.concatenate((low, place)),
        np.concatenate((place, high)),
        np.concatenate((spans.start[one], way)),
        np.concatenate((way, spans.end[one + 1])),
    )
    good = np.flatnonzero((two.worst <= 1.0).reshape(2, -1).all(axis=0))
    rows = np.concatenate((one[good], one[good] + 1))
    return put(spans, rows, two.take(np.concatenate((good, one.size + good))))


def _turn_tangents(runs: Runs, spans: Spans, axis: F32) -> Spans:
    """Turn each node's tangent to the mean of what its two spans would rather have.

    A corner's two sides turn each on its own; beside an exact line nothing turns; a node at an
    extremum turns to its ``axis`` (M, 2). Where a span would break the tolerance by it, its
    nodes turn back.
    """
    free = _measure(runs, spans.first, spans.last, spans.start, spans.end, turn=True)
    size = runs.fixed.size
    wanted = np.zeros((2, size, 2), np.float32)
    wanted[0][spans.last] = free.end
    wanted[1][spans.first] = free.start
    seam = runs.around[runs.first]
    first, last = runs.first[seam], runs.last[seam]
    wanted[0][first], wanted[1][last] = wanted[0][last], wanted[1][first]
    marked = _marked(axis)

    def settled(side: int, nodes: I64) -> F32:
        both = wanted[0].take(nodes, axis=0) + wanted[1].take(nodes, axis=0)
        own = wanted[side].take(nodes, axis=0)
        both = np.where(marked[nodes, None], axis.take(nodes, axis=0), both)
        return _unit(np.where(runs.corner[nodes, None], own, both))

    held = runs.fixed & ~runs.corner & ~runs.around
    old = spans
    start, end = settled(1, spans.first), settled(0, spans.last)
    stay = held[spans.first] | (dot(start, old.start) < _SURE)
    start = np.where(stay[:, None], old.start, start)
    stay = held[spans.last] | (dot(end, old.end) < _SURE)
    end = np.where(stay[:, None], old.end, end)
    back = np.zeros(size, np.bool_)
    new = _measure(runs, spans.first, spans.last, start, end)
    while True:
        back_start, back_end = back[spans.first], back[spans.last]
        broken = (new.worst > 1.0) & ~(back_start & back_end)
        if not broken.any():
            return new
        back[spans.first[broken]] = back[spans.last[broken]] = True
        seam = back[runs.first] | back[runs.last]
        back[runs.first] = back[runs.last] = seam
        turned = (back[spans.first] & ~back_start) | (back[spans.last] & ~back_end)
        again = old.take(turned)
        at_first, at_last = back[again.first], back[again.last]
        again = _measure(
            runs,
            again.first,
            again.last,
            np.where(at_first[:, None], again.start, new.start[turned]),
            np.where(at_last[:, None], again.end, new.end[turned]),
        )
        new = put(new, np.flatnonzero(turned), again)


def _unit(vector: F32) -> F32:
    unit: F32 = vector / np.maximum(np.sqrt(dot(vector, vector)), np.float32(1e-9))[:, None]
    return unit
