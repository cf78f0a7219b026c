"""The fewest cubics that keep a promise: no point of the edge further off than the tolerance.

Spans are fitted all at once; those that break the tolerance are split, then neighbours are
joined again where one cubic serves for two, cheapest first, until none can be joined.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from inkclean.arrays import F32, I64, Bool
from inkclean.curves.bezier import Fit, fit_spans, sample
from inkclean.curves.outline import Runs, loosen, tangents

_APART = 16
"""Points between the first nodes: a cubic seldom spans fewer, and few points need more."""
_REACH = 2
"""Points to either side that a tangent is taken from."""
_CHECKED = 0.9
"""Share of the tolerance asked of the samples; the rest is for the points between them."""
_SHORT = 3
"""A span of so few steps that still breaks the tolerance is given up as smooth."""


@dataclass(frozen=True)
class Spans:
    """Spans of points, each to become one cubic.

    ``first`` and ``last`` (S,) index the runs; ``start`` and ``end`` (2, S) float32 are unit
    tangents, pointing onward; ``inner`` (S, 2) handle lengths, ``worst`` (S,) distance over
    tolerance, ``at`` (S,) how far along (0..1) the worst sample lies.
    """

    first: I64
    last: I64
    start: F32
    end: F32
    inner: F32
    worst: F32
    at: F32

    def take(self, index: I64 | Bool) -> Spans:
        """Return the spans of ``index``."""
        return Spans(
            self.first[index],
            self.last[index],
            self.start[:, index],
            self.end[:, index],
            self.inner[index],
            self.worst[index],
            self.at[index],
        )


def merge_sorted(one: Spans, other: Spans) -> Spans:
    """Return both sets of spans in the order of their first points."""
    order = np.argsort(np.concatenate((one.first, other.first)), kind="stable")
    return Spans(
        np.concatenate((one.first, other.first))[order],
        np.concatenate((one.last, other.last))[order],
        np.concatenate((one.start, other.start), axis=1)[:, order],
        np.concatenate((one.end, other.end), axis=1)[:, order],
        np.concatenate((one.inner, other.inner))[order],
        np.concatenate((one.worst, other.worst))[order],
        np.concatenate((one.at, other.at))[order],
    )


def fit_runs(runs: Runs) -> tuple[Runs, Spans]:
    """Return the spans of cubics that follow ``runs`` within their tolerance.

    The runs come back too: where no smooth cubic serves, points have become corners.
    """
    nodes = _first_nodes(runs)
    real = ~np.isin(nodes[:-1], runs.last)
    runs, spans = _split(runs, _measure(runs, nodes[:-1][real], nodes[1:][real]))
    return runs, _join(runs, spans)


def _first_nodes(runs: Runs) -> I64:
    index = np.arange(runs.fixed.size)
    length = np.maximum(runs.high - runs.low, 1)
    pieces = np.maximum(np.rint(length / _APART), 1).astype(np.int64)
    along = (index - runs.low) * pieces
    regular = along // length > (along - pieces) // length
    return np.flatnonzero((~runs.fixed & regular) | runs.fixed)


def _measure(runs: Runs, first: I64, last: I64) -> Spans:
    start = tangents(runs, first, _REACH)[1].astype(np.float32)
    end = tangents(runs, last, _REACH)[0].astype(np.float32)
    q, tolerance = sample(runs.points, runs.tolerance, first, last)
    fit: Fit = fit_spans(q, _CHECKED * tolerance, start, end)
    exact = runs.line[first] & (last - first == 1)
    worst = np.where(exact, np.float32(0.0), fit.worst)
    return Spans(first, last, start, end, fit.inner, worst, fit.at.astype(np.float32))


def _split(runs: Runs, spans: Spans) -> tuple[Runs, Spans]:
    """Split what breaks the tolerance until nothing does."""
    good = spans.take(spans.worst <= 1.0)
    bad = spans.take(spans.worst > 1.0)
    while bad.first.size:
        steps = bad.last - bad.first
        stuck = steps <= _SHORT
        if stuck.any():
            runs = loosen(runs, bad.first[stuck], bad.last[stuck])
            loose = np.isin(good.first, _ends(bad, stuck)) | np.isin(good.last, _ends(bad, stuck))
            again = good.take(loose)
            good = good.take(~loose)
        else:
            again = good.take(np.zeros(good.first.size, np.bool_))
        middle = bad.first + np.rint(steps * np.clip(bad.at, 0.25, 0.75)).astype(np.int64)
        middle = np.clip(middle, bad.first + 1, np.maximum(bad.last - 1, bad.first + 1))
        halves = ~stuck
        singles = _singles(bad, stuck)
        first = np.concatenate((bad.first[halves], middle[halves], singles, again.first))
        last = np.concatenate((middle[halves], bad.last[halves], singles + 1, again.last))
        fresh = _measure(runs, first, last)
        single = fresh.last - fresh.first == 1
        fresh = replace(fresh, worst=np.where(single, np.float32(0.0), fresh.worst))
        good = merge_sorted(good, fresh.take(fresh.worst <= 1.0))
        bad = fresh.take(fresh.worst > 1.0)
    return runs, good


def _ends(spans: Spans, which: Bool) -> I64:
    return np.concatenate((spans.first[which], spans.last[which]))


def _singles(spans: Spans, which: Bool) -> I64:
    """First points of all single steps within the spans ``which``."""
    first, steps = spans.first[which], (spans.last - spans.first)[which]
    total = np.cumsum(steps)
    return np.repeat(first - total + steps, steps) + np.arange(int(steps.sum()))


def _join(runs: Runs, spans: Spans) -> Spans:
    """Join neighbours where one cubic keeps the tolerance, the best served first."""
    empty = spans.take(np.zeros(0, np.int64))
    stale = np.arange(spans.first.size - 1)
    cost = np.full(spans.first.size, np.inf, np.float32)
    joined = spans
    while True:
        stale = stale[
            (spans.last[stale] == spans.first[stale + 1]) & ~runs.fixed[spans.last[stale]]
        ]
        tried = _measure(runs, spans.first[stale], spans.last[stale + 1]) if stale.size else empty
        cost[stale] = tried.worst
        joined = _put(joined, stale, tried)
        before = np.concatenate(([np.inf], cost[:-1]))
        after = np.concatenate((cost[1:], [np.inf]))
        chosen = np.flatnonzero((cost <= 1.0) & (cost < before) & (cost <= after))
        if chosen.size == 0:
            return spans
        spans = _put(spans, chosen, joined.take(chosen))
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


def _put(spans: Spans, at: I64, values: Spans) -> Spans:
    """Return ``spans`` with those ``at`` replaced."""
    first, last = spans.first.copy(), spans.last.copy()
    start, end = spans.start.copy(), spans.end.copy()
    inner, worst, where = spans.inner.copy(), spans.worst.copy(), spans.at.copy()
    first[at], last[at] = values.first, values.last
    start[:, at], end[:, at] = values.start, values.end
    inner[at], worst[at], where[at] = values.inner, values.worst, values.at
    return Spans(first, last, start, end, inner, worst, where)
