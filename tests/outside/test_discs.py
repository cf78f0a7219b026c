"""Discs and circles against figures that anyone can compute.

Radial errors of cubic circles: Mortensen, Geometric Modeling, and computed: four cubics with
handles of 0.551915024494 leave the unit circle by 1.9608e-4, with 0.5522847498 by 2.7253e-4;
for any arc θ with handles of 4/3·tan(θ/4) the excess of x² + y² over 1 is at most
(4/27)·sin⁶(θ/4)/cos²(θ/4), half of which is the radial error: 4.246e-6 for eight of them.
A disc of radius r under Gaussian blur σ has its half level σ²/2r further in (second order,
computed: 0.2035 px at r 10, σ 2; 0.1017 px at r 5, σ 1).
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from inkclean.curves.outlines.edges import find_edges
from inkclean.curves.trace import trace
from tests.curves.raster import circle, coverage_of, flatten


def _radial(radius: float, blur: float = 0.0, undo: float = 0.0) -> tuple[int, float, float]:
    side = int(2 * radius + 14)
    centre = np.array([side / 2 + 0.31, side / 2 - 0.13])
    coverage = coverage_of([circle(centre[0], centre[1], radius)], side, side)
    if blur:
        coverage = np.asarray(cv2.GaussianBlur(coverage, (0, 0), blur))
    curves = trace(coverage, 12.0, 0.02, undo)
    off = np.hypot(*(flatten(curves.cubics * 12.0, 64) - centre).T) - radius
    return len(curves.cubics), float(off.mean()), float(np.abs(off).max())


@pytest.mark.parametrize("radius", [5.0, 7.3, 10.0, 20.0, 39.0, 50.0, 120.0])
def test_a_disc_keeps_its_radius(radius: float) -> None:
    segments, mean, worst = _radial(radius)
    assert segments <= 8
    assert abs(mean) < 0.002
    assert worst < 0.01


def test_four_and_eight_cubics_leave_the_circle_as_computed() -> None:
    for radius, segments, relative in ((30.0, 4, 1.9608e-4), (120.0, 8, 4.246e-6)):
        side = int(2 * radius + 14)
        coverage = coverage_of([circle(side / 2, side / 2, radius)], side, side)
        curves = trace(coverage, 12.0, 0.02)
        assert len(curves.cubics) == segments
        off = np.hypot(*(flatten(curves.cubics * 12.0, 200) - side / 2).T)
        spread = float(np.ptp(off)) / radius
        # The handles 0.551915 lie evenly inside and out; the eight lie only outside.
        expected = 2 * relative if segments == 4 else relative
        assert spread == pytest.approx(expected, rel=0.25, abs=1.5e-6)


@pytest.mark.parametrize(("radius", "blur", "inward"), [(10.0, 2.0, 0.2035), (5.0, 1.0, 0.1017)])
def test_blur_moves_the_edge_inward_as_computed_and_is_undone(
    radius: float, blur: float, inward: float
) -> None:
    centre = np.array([32.0, 32.0])
    coverage = np.asarray(
        cv2.GaussianBlur(coverage_of([circle(centre[0], centre[1], radius)], 64, 64), (0, 0), blur),
        np.float32,
    )
    off = radius - np.hypot(*(find_edges(coverage).points - centre).T).mean()
    # The pixel's own width adds about 1/(24 r).
    assert off == pytest.approx(inward + 1 / (24 * radius), abs=0.01)
    assert abs(_radial(radius, blur, undo=blur)[1]) < 0.015
