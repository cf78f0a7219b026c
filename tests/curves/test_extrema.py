"""Nodes at horizontal and vertical extrema: exact tangents, and no more nodes for them."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from inkclean.base.arrays import F64
from inkclean.curves.outlines.corners import restore_corners
from inkclean.curves.outlines.edges import find_edges
from inkclean.curves.outlines.extrema import find_extrema, snap
from inkclean.curves.outlines.outline import lay_runs
from inkclean.curves.trace import trace
from tests.curves import shapes
from tests.curves.raster import circle, coverage_of

PX_PER_MM = 12.0


def _blobs(side: int = 1200, cell: int = 200) -> list[F64]:
    rng = np.random.default_rng(5)
    outlines = []
    for x in range(cell // 2, side, cell):
        for y in range(cell // 2, side, cell):
            waves = [(rng.uniform(0, 0.25 / (k + 2)), rng.uniform(0, 6.28)) for k in range(7)]
            outlines.append(shapes.blob(cell * 0.3, waves, 0.0) + np.array([x + rng.random(), y]))
    return outlines


def _true_extrema(outline: F64) -> F64:
    """Points of a finely sampled smooth outline where x or y turns back."""
    step = np.roll(outline, -1, 0) - outline
    turns = (step * np.roll(step, 1, 0) < 0.0).any(axis=1)
    return np.asarray(outline[turns])


def test_a_point_lies_at_each_extremum_of_a_circle() -> None:
    coverage = coverage_of([circle(40.3, 39.8, 25.0)], 80, 80)
    edges = find_edges(coverage)
    outline = restore_corners(edges, coverage)
    tolerance = np.full(outline.points.shape[0], 0.25, np.float32)
    runs = lay_runs(outline, tolerance, tolerance)
    axis = find_extrema(runs)
    at = np.flatnonzero(axis.any(axis=1))
    true = np.array([[65.3, 39.8], [40.3, 64.8], [15.3, 39.8], [40.3, 14.8]])
    # The seam of a smooth loop is a node in any case; an extremum beside it is left.
    assert len(at) >= 3
    apart, which = cKDTree(true).query(runs.points[at])
    assert apart.max() < 0.6
    assert len(set(which)) == len(at)
    # Clockwise on the screen: down at the right, to the left at the bottom, and so on.
    ways = np.array([[0.0, 1.0], [-1.0, 0.0], [0.0, -1.0], [1.0, 0.0]])
    assert np.array_equal(axis[at], ways[which])


def test_most_extrema_of_smooth_shapes_have_a_node_with_an_exact_tangent() -> None:
    outlines = _blobs()
    curves = trace(coverage_of(outlines, 1200, 1200), PX_PER_MM)
    way = curves.cubics[:, 1] - curves.cubics[:, 0]
    way /= np.hypot(way[:, 0], way[:, 1])[:, None]
    exact = np.abs(way).min(axis=1) < 1e-4
    true = np.vstack([_true_extrema(outline) for outline in outlines])
    nodes = curves.cubics[exact, 0] * PX_PER_MM
    found = cKDTree(nodes).query(true)[0] < 1.5
    assert found.mean() > 0.6
    # Nor is a tangent made level where the outline is not.
    assert (cKDTree(true).query(nodes)[0] < 1.5).mean() > 0.95


def test_nodes_move_to_the_nearest_extremum_within_their_bounds() -> None:
    extreme = np.zeros(30, np.bool_)
    extreme[[5, 12, 20]] = True
    nodes = np.array([0, 4, 9, 16, 17, 25, 28])
    moved = snap(nodes, nodes - 4, nodes + 4, extreme)
    assert moved.tolist() == [0, 5, 12, 12, 20, 25, 28]
