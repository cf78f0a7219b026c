"""Many shapes are worked on a part at a time: what a step holds beside its results is bounded."""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable

import numpy as np
import pytest

from inkclean.base.arrays import F32
from inkclean.base.tiles import BLOCK
from inkclean.curves.outlines.outline import InkOutline, lay_runs
from inkclean.curves.outlines.ovals import find_ovals
from inkclean.curves.outlines.settle import settle

_ROUND = 24  # points of a ring


def _rings(count: int) -> tuple[InkOutline, F32]:
    """Rings of ``_ROUND`` points about 3 px wide, every fourth one with a corner; a tolerance."""
    rng = np.random.default_rng(3)
    angle = 2.0 * np.pi * np.arange(_ROUND) / _ROUND
    middle = 12.0 * np.stack(np.divmod(np.arange(count), 64), axis=1)
    ring = 3.0 * np.stack((np.cos(angle), np.sin(angle)), axis=1)
    points = (middle[:, None] + ring + rng.normal(0, 0.05, (count, _ROUND, 2))).reshape(-1, 2)
    corner = np.zeros(len(points), np.bool_)
    corner[:: 4 * _ROUND] = True
    outline = InkOutline(
        points,
        np.arange(count + 1) * _ROUND,
        corner,
        np.full(len(points), 5.0, np.float32),
        np.arange(count, dtype=np.int32),
        np.zeros(count, np.bool_),
    )
    return outline, np.full(len(points), 0.2, np.float32)


@pytest.mark.parametrize(
    ("step", "most"),
    [
        (lambda outline, tolerance: settle(outline, 0.05, 0.5, 0.1), 100),
        (find_ovals, 75),
        (lambda outline, tolerance: lay_runs(outline, tolerance, tolerance), 75),
    ],
    ids=["settle", "ovals", "runs"],
)
def test_more_points_take_no_more_than_their_results(
    step: Callable[[InkOutline, F32], object], most: float
) -> None:
    peaks = []
    for count in (4 * BLOCK // _ROUND, 8 * BLOCK // _ROUND):
        outline, tolerance = _rings(count)
        tracemalloc.start()
        try:
            step(outline, tolerance)
            peaks.append(tracemalloc.get_traced_memory()[1] / (count * _ROUND))
        finally:
            tracemalloc.stop()
    few, many = (peak * count for peak, count in zip(peaks, (4, 8), strict=True))
    assert (many - few) / 4 < most  # bytes a point


def test_a_ring_is_worked_on_alike_whatever_lies_beside_it() -> None:
    outline, tolerance = _rings(3 * BLOCK // _ROUND)
    some = slice(5000, 5040)
    alone, own = outline.only(some), tolerance[: 40 * _ROUND]
    all_ = slice(some.start * _ROUND, some.stop * _ROUND)
    whole, part = settle(outline, 0.05, 0.5, 0.1)[0], settle(alone, 0.05, 0.5, 0.1)[0]
    assert np.allclose(whole.points[all_], part.points, atol=1e-6)
    found, few = find_ovals(outline, tolerance), find_ovals(alone, own)
    assert np.array_equal(found.which[some], few.which)
    before = int(found.counts[: np.count_nonzero(found.which[: some.start])].sum())
    assert np.allclose(found.cubics[before : before + len(few.cubics)], few.cubics, atol=1e-9)
    runs, short = lay_runs(outline, tolerance, tolerance), lay_runs(alone, own, own)
    laid = slice(runs.first[some.start], runs.last[some.stop - 1] + 1)
    for name in ("points", "fixed", "corner", "around"):
        assert np.array_equal(getattr(runs, name)[laid], getattr(short, name)), name
    assert np.array_equal(runs.low[laid] - laid.start, short.low)
    assert np.array_equal(runs.high[laid] - laid.start, short.high)
