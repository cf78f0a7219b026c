from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inkclean.curves.outlines.edges import find_edges
from inkclean.curves.outlines.linking import link_loops
from tests.curves.raster import circle, coverage_of
from tests.curves.shapes import area


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 300), st.randoms(use_true_random=False))
def test_loops_of_any_permutation_are_followed(count: int, random: np.random.Generator) -> None:
    successor = np.arange(count, dtype=np.int32)
    random.shuffle(successor)
    order, loops = link_loops(successor)
    assert sorted(order) == list(range(count))
    for a, b in pairwise(loops):
        np.testing.assert_array_equal(successor[order[a:b]], np.roll(order[a:b], -1))


@pytest.mark.parametrize("angle", [0, 3, 20, 45, 77])
@pytest.mark.parametrize("width", [1.5, 2.0, 4.0, 40.0])
def test_a_straight_band_is_found_where_it_is(angle: float, width: float) -> None:
    # A band of exact area coverage: wide ones to a hundredth of a px, thin ones to a twentieth.
    way = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
    normal = np.array([-way[1], way[0]])
    centre = np.array([60.13, 59.71])
    ends = [centre + 45 * way, centre - 45 * way]
    corners = np.array([ends[0] + normal * width / 2, ends[1] + normal * width / 2,
                        ends[1] - normal * width / 2, ends[0] - normal * width / 2])  # fmt: skip
    edges = find_edges(coverage_of([corners if area(corners) > 0 else corners[::-1]], 120, 120))
    along = (edges.points - centre) @ way
    middle = np.abs(along) < 30
    off = np.abs(np.abs((edges.points - centre) @ normal) - width / 2)[middle]
    assert middle.sum() > 60
    assert off.mean() < (0.012 if width < 3 else 0.002)
    assert off.max() < (0.10 if width < 3 else 0.01)


def test_orientation_nesting_and_room() -> None:
    rings = [
        circle(60, 60, 50), circle(60, 60, 40, hole=True),
        circle(60, 60, 20), circle(55, 60, 5, hole=True), circle(68, 60, 4, hole=True),
    ]  # fmt: skip
    edges = find_edges(coverage_of(rings, 120, 120))
    sizes = [
        area(edges.points[a:b]) for a, b in zip(edges.loops[:-1], edges.loops[1:], strict=True)
    ]
    assert list(edges.hole) == [size < 0 for size in sizes]
    of_shape = {shape: [s for s, t in zip(sizes, edges.shape, strict=True) if t == shape]
                for shape in set(edges.shape.tolist())}  # fmt: skip
    outers = {round(loops[0], -2): len(loops) for loops in of_shape.values()}
    assert outers == {round(np.pi * 2500, -2): 2, round(np.pi * 400, -2): 3}
    assert edges.room.min() > 3.0


def test_ink_at_the_border_is_closed_along_it() -> None:
    edges = find_edges(np.ones((9, 7), np.float32))
    assert edges.loops.size == 2
    low, high = edges.points.min(axis=0), edges.points.max(axis=0)
    np.testing.assert_allclose([*low, *high], [0, 0, 7, 9], atol=1e-6)


def test_a_saddle_is_joined_by_its_middle() -> None:
    joined = np.array([[0.9, 0.3], [0.3, 0.9]], np.float32)
    parted = np.array([[0.7, 0.1], [0.1, 0.7]], np.float32)
    assert find_edges(joined).loops.size == 2
    assert find_edges(parted).loops.size == 3


def test_blur_and_noise_are_measured_on_the_edge() -> None:
    import cv2

    disc = coverage_of([circle(64, 64, 50)], 128, 128)
    assert find_edges(disc).blur == 0.0
    assert find_edges(disc).noise < 0.005
    soft = cv2.GaussianBlur(disc, (0, 0), 1.0)
    assert find_edges(np.asarray(soft)).blur == pytest.approx(1.0, abs=0.15)
    rng = np.random.default_rng(0)
    rough = np.clip(soft + rng.normal(0, 0.04, soft.shape), 0, 1).astype(np.float32)
    # 0.04 of coverage over a slope of 0.38 a px.
    assert find_edges(rough).noise == pytest.approx(0.04 / 0.38, rel=0.35)


@pytest.mark.parametrize("shape", [(1, 1), (1, 9), (9, 1), (4, 4)])
def test_nothing_comes_of_paper(shape: tuple[int, int]) -> None:
    edges = find_edges(np.zeros(shape, np.float32))
    assert edges.points.shape == (0, 2) and edges.loops.tolist() == [0]
