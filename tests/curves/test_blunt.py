"""Ends of thin lines: square ones keep both corners, round ones get none."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree

from inkclean.base.arrays import F64
from inkclean.curves.outlines.corners import find_corners
from inkclean.curves.outlines.edges import find_edges
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


def _crescent(rng: np.random.Generator) -> F64:
    """Outline of a bowed stroke whose narrow ends bulge to one side."""
    turn = np.linspace(-1.0, 1.0, 60) * rng.uniform(0.6, 1.6)
    along = np.linspace(0.0, 1.0, 60)
    half = np.interp(along, [0.0, 1.0], rng.uniform(0.6, 1.3, 2))
    half += rng.uniform(1.5, 3.0) * np.sin(np.pi * along) ** 0.8
    way = np.stack((np.cos(turn), np.sin(turn)), 1)
    radius = rng.uniform(8.0, 20.0)
    outer, inner = (way * (radius + side * half)[:, None] for side in (1.0, -1.0))
    t = np.linspace(0.0, 1.0, 20)[:, None]
    bulge = np.sqrt(t * (1.0 - t)) * t ** rng.uniform(0.0, 1.0)
    ends = []
    for first, last in ((outer[-1], inner[-1]), (inner[0], outer[0])):
        step = last - first
        away = np.array([step[1], -step[0]])
        away *= -np.sign(away @ (outer[30] - first)) * rng.uniform(0.4, 1.2)
        ends.append((first + step * t + away * bulge)[1:-1])
    outline = np.vstack((outer, ends[0], inner[::-1], ends[1]))
    a = rng.uniform(0.0, 2.0 * np.pi)
    outline = outline @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    return shapes.clockwise(outline - outline.mean(axis=0) + 30.0 + rng.random(2))


def test_tight_bends_are_fitted_not_broken() -> None:
    """Invented strokes: the fit adds corners to hardly any, for all that end in tight bends."""
    broken = 0
    for seed in range(60):
        coverage = coverage_of([_crescent(np.random.default_rng(seed))], 60, 60)
        found = find_corners(find_edges(coverage), coverage).at.size
        broken += trace(coverage, PX_PER_MM).corner.sum() > found
    assert broken <= 1  # with tangents from afar 17 are


def _reach(rng: np.random.Generator, form: F64) -> float:
    """How far along +x the curves of ``form`` (N, 2) px come, put on a page at random."""
    a = rng.uniform(0.0, 2.0 * np.pi)
    way = np.array([np.cos(a), np.sin(a)])
    place = 64.0 + 20.0 * way + rng.uniform(-0.5, 0.5, 2)
    outline = shapes.clockwise(form @ np.array([way, [-way[1], way[0]]]) + place)
    curves = trace(coverage_of([outline], 128, 128), PX_PER_MM)
    return float(((np.vstack(shapes.loops_px(curves, PX_PER_MM)) - place) @ way).max())


@pytest.mark.parametrize("degrees", [20.0, 25.0])
def test_tips_that_pixels_broke_up_are_whole(degrees: float) -> None:
    rng = np.random.default_rng(5)
    side = 50.0 * np.tan(np.radians(degrees) / 2.0)
    wedge = np.array([[0.0, 0.0], [-50.0, side], [-50.0, -side]])
    for _ in range(24):
        assert abs(_reach(rng, wedge)) < 0.1


@pytest.mark.parametrize("degrees", [4.0, 12.0, 22.0])
def test_round_ends_of_tapering_lines_are_not_drawn_out(degrees: float) -> None:
    half = np.radians(degrees) / 2.0
    turn = np.linspace(half - np.pi / 2.0, np.pi / 2.0 - half, 40)
    arc = 1.2 * np.stack((np.cos(turn), np.sin(turn)), 1)
    back = 40.0 * np.array([[-np.cos(half), np.sin(half)], [-np.cos(half), -np.sin(half)]])
    line = np.vstack((arc, back + arc[[-1, 0]])) - [5.0, 0.0]
    for seed in range(12):
        assert abs(_reach(np.random.default_rng(seed), line) + 5.0 - 1.2) < 0.4
