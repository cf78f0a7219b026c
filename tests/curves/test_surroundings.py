"""What the network that tells corners looks at: every turn is seen the same way up."""

from __future__ import annotations

import os
import subprocess
import sys
from importlib.resources import files

import numpy as np
import pytest

from inkclean.base.arrays import F32, F64
from inkclean.curves.outlines import judge
from inkclean.curves.outlines.corners import find_corners, turning
from inkclean.curves.outlines.edges import find_edges
from inkclean.curves.outlines.surroundings import SIZE, both_sides, look_around
from tests.curves import shapes
from tests.curves.raster import coverage_of

SIDE = 64


def _form() -> F64:
    """A wedge with one side hollow and a notch: no two of its corners are alike."""
    hollow = np.linspace(0.0, np.pi, 40)[:, None]
    side = np.hstack((12.3 + 40.0 * hollow / np.pi, 50.2 - 9.0 * np.sin(hollow)))
    return shapes.clockwise(np.vstack((side, [[44.1, 14.6], [33.2, 24.9], [27.7, 17.2]])))


def _seen(coverage: F32) -> tuple[F64, F32]:
    """Places of all points that turn, and what lies about them."""
    edges = find_edges(coverage)
    points, core, at = turning(edges)
    return edges.points[at], look_around(points, core[at], coverage, 0.0, 0.0).values


def _matched(places: F64, values: F32, others: F64, theirs: F32) -> tuple[F32, F32]:
    order = np.lexsort(np.round(places, 3).T)
    by = np.lexsort(np.round(others, 3).T)
    np.testing.assert_allclose(places[order], others[by], atol=1e-3)
    return values[order], theirs[by]


def test_ink_and_paper_may_change_places() -> None:
    coverage = coverage_of([_form()], SIDE, SIDE)
    places, values = _seen(coverage)
    hole = 1.0 - coverage
    others, theirs = _seen(hole)
    # the picture's own border turns too
    inner = (np.minimum(others, SIDE - others) > 6.0).all(axis=1)
    one, other = _matched(places, values, others[inner], theirs[inner])
    # The edge runs the other way round.
    np.testing.assert_allclose(one, both_sides(other), atol=0.05)


def test_a_mirrored_picture_looks_the_same_run_the_other_way() -> None:
    coverage = coverage_of([_form()], SIDE, SIDE)
    places, values = _seen(coverage)
    others, theirs = _seen(np.ascontiguousarray(coverage[:, ::-1]))
    one, other = _matched(places, values, np.array([SIDE, 0.0]) + others * [-1.0, 1.0], theirs)
    np.testing.assert_allclose(one, both_sides(other), atol=0.05)


def test_places_go_into_the_frame_and_back() -> None:
    coverage = coverage_of([_form()], SIDE, SIDE)
    edges = find_edges(coverage)
    points, core, at = turning(edges)
    about = look_around(points, core[at], coverage, 0.0, 0.0)
    assert about.mirrored.any() and not about.mirrored.all()
    offset = np.stack((np.cos(np.arange(at.size)), np.sin(np.arange(at.size))), axis=1)
    np.testing.assert_allclose(about.from_frame(about.to_frame(offset)), offset, atol=1e-15)
    # The next point of the edge lies where the frame has it.
    after = points[core[at]] + about.from_frame(about.values[:, [10, 30]].astype(np.float64))
    np.testing.assert_allclose(after, points[core[at] + 1], atol=1e-4)


def test_the_weights_fill_the_layers() -> None:
    sizes = zip(judge.LAYERS[:-1], judge.LAYERS[1:], strict=True)
    size = (files("inkclean.curves.outlines") / judge.WEIGHTS).read_bytes()
    assert len(size) == 4 * sum((a + 1) * b for a, b in sizes)
    said = judge.judge(np.zeros((5, SIZE), np.float32))
    assert said.shape == (5, 3) and np.isfinite(said).all()


@pytest.mark.parametrize("radius", [2.2, 2.3, 2.4, 2.5])
def test_small_dots_get_no_corner(radius: float) -> None:
    angle = np.linspace(0, 2 * np.pi, 100, endpoint=False)
    disc = np.stack((np.cos(angle), np.sin(angle)), 1) * radius + 20.0
    for across in np.arange(0.0, 1.0, 0.17):
        for down in (0.0, 0.31, 0.62):
            coverage = coverage_of([shapes.clockwise(disc + np.array([across, down]))], 40, 40)
            assert find_corners(find_edges(coverage), coverage).at.size == 0


@pytest.mark.slow
def test_threads_change_nothing() -> None:
    code = (
        "import sys, numpy as np; from inkclean.curves.outlines.judge import judge; "
        "from inkclean.curves.outlines.surroundings import SIZE; "
        "some = np.random.default_rng(1).normal(0, 2, (4096, SIZE)).astype(np.float32); "
        "sys.stdout.buffer.write(judge(some).tobytes())"
    )
    said = {
        subprocess.run(
            [sys.executable, "-c", code],
            env=os.environ | {"OPENBLAS_NUM_THREADS": count, "OMP_NUM_THREADS": count},
            stdout=subprocess.PIPE,
            check=True,
        ).stdout
        for count in ("1", "2", "3")
    }
    assert len(said) == 1 and len(said.pop()) == 4096 * 3 * 4
