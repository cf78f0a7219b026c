"""Spans of points, each to become one cubic."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inkclean.base.arrays import F32, I64, Bool
from inkclean.curves.plane import put_rows


@dataclass(frozen=True)
class Spans:
    """Spans of points, each to become one cubic.

    ``first`` and ``last`` (S,) index the runs; ``start`` and ``end`` (S, 2) float32 are unit
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
        if index.dtype == np.bool_:
            index = np.flatnonzero(index)
        return Spans(
            self.first.take(index),
            self.last.take(index),
            self.start.take(index, axis=0),
            self.end.take(index, axis=0),
            self.inner.take(index, axis=0),
            self.worst.take(index),
            self.at.take(index),
        )


def end_to_end(parts: list[Spans]) -> Spans:
    """Return all spans of ``parts``, one part after another."""
    return Spans(
        np.concatenate([part.first for part in parts]),
        np.concatenate([part.last for part in parts]),
        np.concatenate([part.start for part in parts]),
        np.concatenate([part.end for part in parts]),
        np.concatenate([part.inner for part in parts]),
        np.concatenate([part.worst for part in parts]),
        np.concatenate([part.at for part in parts]),
    )


def sort_spans(spans: Spans) -> Spans:
    """Return ``spans`` in the order of their first points."""
    return spans.take(np.argsort(spans.first, kind="stable"))


def put(spans: Spans, at: I64, values: Spans) -> Spans:
    """Return ``spans`` with those ``at`` replaced."""
    first, last = spans.first.copy(), spans.last.copy()
    start, end, inner = (part.copy("C") for part in (spans.start, spans.end, spans.inner))
    worst, where = spans.worst.copy(), spans.at.copy()
    first[at], last[at] = values.first, values.last
    for rows, fresh in ((start, values.start), (end, values.end), (inner, values.inner)):
        put_rows(rows, at, fresh)
    worst[at], where[at] = values.worst, values.at
    return Spans(first, last, start, end, inner, worst, where)
