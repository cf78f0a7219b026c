"""Ends of thin lines: square ones keep both corners, round ones get none."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree

from inkclean.arrays import F64
from inkclean.curves.corners import find_corners
from inkclean.curves.edges import find_edges
from inkclean.curves.trace import trace
from tests.curves import shapes
from tests.curves.raster import coverage_of

PX_PER_MM = 12.0


def _line(width: float, degrees: float, shift: float, round_: bool) -> F64:
    """Outline of a straight line 40 px long about (40, 40)."""
    half = width / 2.0
    if round_:
        angle = np.linspace(-np.pi / 2, np.pi / 2, 60)
        cap = half * np.stack((np.cos(angle), np.sin(angle)), 1) + [20.0, 0.0]
        outline = np.vstack((cap, -cap))
    else:
        outline = np.array([[20.0, -half], [20.0, half], [-20.0, half], [-20.0, -half]])
    turn = np.radians(degrees)
    way = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    return np.asarray(shapes.clockwise(outline @ way + [40.0 + shift, 40.3]))


@pytest.mark.parametrize("width", [2.8, 3.2, 3.7])
@pytest.mark.parametrize("degrees", [3.0, 17.0, 40.0, 71.0])
def test_square_ends_keep_both_corners(width: float, degrees: float) -> None:
    for shift in (0.0, 0.37, 0.71):
        truth = _line(width, degrees, shift, False)
        curves = trace(coverage_of([truth], 80, 80), PX_PER_MM)
        found = curves.cubics[curves.corner, 0] * PX_PER_MM
        assert len(found) == 4
        assert cKDTree(found).query(truth)[0].max() < 0.25


@pytest.mark.parametrize("width", [2.8, 3.2, 3.7, 4.5])
@pytest.mark.parametrize("degrees", [3.0, 17.0, 40.0, 71.0])
def test_round_ends_get_no_corner(width: float, degrees: float) -> None:
    for shift in (0.0, 0.37, 0.71):
        truth = _line(width, degrees, shift, True)
        coverage = coverage_of([truth], 80, 80)
        assert find_corners(find_edges(coverage), coverage).at.size == 0


@pytest.mark.parametrize("radius", [1.9, 3.2, 4.1, 6.0])
def test_dots_get_no_corner(radius: float) -> None:
    angle = np.linspace(0, 2 * np.pi, 100, endpoint=False)
    for shift in (0.0, 0.37, 0.71):
        disc = np.stack((np.cos(angle), np.sin(angle)), 1) * radius + [40.0 + shift, 40.3]
        coverage = coverage_of([shapes.clockwise(disc)], 80, 80)
        assert not trace(coverage, PX_PER_MM).corner.any()


@pytest.mark.parametrize("width", [2.8, 3.2, 3.7, 4.5])
@pytest.mark.parametrize("degrees", [3.0, 17.0, 40.0, 71.0])
def test_ends_on_blurred_edges_are_not_made_square(width: float, degrees: float) -> None:
    for shift in (0.0, 0.37, 0.71):
        for round_ in (True, False):
            sharp = coverage_of([_line(width, degrees, shift, round_)], 80, 80)
            coverage = np.asarray(gaussian_filter(sharp, 0.6), np.float32)
            edges = find_edges(coverage)
            corner = find_corners(edges, coverage).at
            # no two at one end
            apart = np.abs(np.diff(edges.points[corner], axis=0)).max(axis=1)
            assert (apart > 10.0).all()
