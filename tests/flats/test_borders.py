from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from inkclean.base.arrays import F64, I32
from inkclean.flats.borders import Outlines, outlines
from tests.flats.small_maps import cells


def _areas(shapes: Outlines) -> F64:
    """Return the area of each loop by the shoelace formula, positive clockwise (y down)."""
    after = np.arange(len(shapes.points)) + 1
    after[shapes.loops[1:] - 1] = shapes.loops[:-1]
    x, y = shapes.points.T
    return np.add.reduceat((x * y[after] - x[after] * y) / 2, shapes.loops[:-1])


def _edges(shapes: Outlines) -> tuple[F64, F64]:
    after = np.arange(len(shapes.points)) + 1
    after[shapes.loops[1:] - 1] = shapes.loops[:-1]
    return shapes.points, shapes.points[after]


@settings(max_examples=150, deadline=None)
@given(
    arrays(np.uint16, st.tuples(st.integers(1, 9), st.integers(1, 9)), elements=st.integers(1, 4))
)
def test_outlines_close_and_fill_the_sheet_whatever_the_map(labels: I32) -> None:
    shapes = outlines(labels.astype(np.uint16), 2.0, 0.05)
    np.testing.assert_allclose(_areas(shapes).sum(), labels.size / 4)
    assert set(shapes.label) == set(np.unique(labels))
    assert (np.diff(shapes.label) >= 0).all()
    assert (np.diff(shapes.loops) >= 3).all()


def test_neighbours_share_their_border_to_the_last_bit() -> None:
    flats = cells(80, 300, 1)
    start, end = _edges(outlines(flats.labels, 4.0, 0.05))
    forth = {(*one, *other) for one, other in zip(start.tolist(), end.tolist(), strict=True)}
    back = {(*other, *one) for one, other in zip(start.tolist(), end.tolist(), strict=True)}
    for edge in forth - back:
        # only the sheet's own edge has an area on one side alone
        x1, y1, x2, y2 = edge
        assert x1 == x2 in (0.0, 75.0) or y1 == y2 in (0.0, 75.0)


def test_outer_loops_run_clockwise_and_holes_the_other_way() -> None:
    labels = np.ones((40, 40), np.uint16)
    labels[10:30, 10:30] = 2
    shapes = outlines(labels, 1.0, 0.01)
    assert shapes.label.tolist() == [1, 1, 2]
    first, second, inner = _areas(shapes)
    assert max(first, second) == pytest.approx(1600)
    assert min(first, second) == pytest.approx(-inner)
    assert inner == pytest.approx(400, rel=0.02)  # corners are ironed a little


def test_a_disc_keeps_its_size_with_few_points() -> None:
    y, x = np.mgrid[:400, :400] + 0.5
    labels = np.where(np.hypot(x - 200, y - 200) < 150, 2, 1).astype(np.uint16)
    shapes = outlines(labels, 10.0, 0.03)
    disc = shapes.points[shapes.loops[-2] :]
    radius = np.hypot(disc[:, 0] - 20, disc[:, 1] - 20)
    assert np.abs(radius - 15).max() < 0.06
    assert _areas(shapes)[-1] == pytest.approx(np.pi * 225, rel=0.004)
    assert 20 < len(disc) < 200


def test_the_sheets_corners_stay() -> None:
    shapes = outlines(np.ones((30, 50), np.uint16), 10.0, 0.03)
    assert {tuple(point) for point in shapes.points.tolist()} == {(0, 0), (5, 0), (5, 3), (0, 3)}
