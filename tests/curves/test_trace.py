from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from inkclean.base.arrays import F32, F64
from inkclean.curves.outlines.edges import find_edges
from inkclean.curves.trace import trace
from inkclean.curves.values import Curves
from tests.curves import shapes
from tests.curves.raster import circle, coverage_of, distance_to_outline, flatten

PX_PER_MM = 12.0
WITHIN = 0.02


def _strays(curves: Curves, coverage: F32) -> tuple[F64, F64]:
    """Distance in px of samples of the curves to the sub-pixel edge, and to the next corner."""
    samples = np.vstack([shapes.evenly(loop, 0.2) for loop in shapes.loops_px(curves, PX_PER_MM)])
    edges = find_edges(coverage)
    polylines = [edges.points[a:b] for a, b in zip(edges.loops[:-1], edges.loops[1:], strict=True)]
    edge = cKDTree(np.vstack([shapes.evenly(line, 0.02) for line in polylines]))
    corners = curves.cubics[curves.corner, 0] * PX_PER_MM
    far = cKDTree(corners).query(samples)[0] if len(corners) else np.full(len(samples), np.inf)
    return edge.query(samples)[0], far


waves = st.lists(st.tuples(st.floats(0.0, 0.07), st.floats(0.0, 6.28)), min_size=0, max_size=4)


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(st.floats(9.0, 45.0), waves, st.floats(0.0, 1.0), st.sampled_from([0.01, 0.02, 0.05]))
def test_the_tolerance_is_kept_on_smooth_shapes(
    radius: float, ripples: list[tuple[float, float]], shift: float, within: float
) -> None:
    truth = shapes.blob(radius, ripples, 64 + shift)
    # A bend tighter than that is a corner to the pixels, and restored as one.
    assume(shapes.tightest(truth) > 3.5)
    coverage = coverage_of([truth], 128, 128)
    curves = trace(coverage, PX_PER_MM, within)
    shapes.check_form(curves)
    stray, far = _strays(curves, coverage)
    # A polyline of px-long chords lies up to 0.05 px inside the edge it samples.
    assert stray[far > 3.0].max() <= within * PX_PER_MM + 0.05
    samples = shapes.evenly(shapes.loops_px(curves, PX_PER_MM)[0], 0.5)
    assert distance_to_outline(samples, truth).max() <= within * PX_PER_MM + 0.05


@settings(max_examples=30, deadline=None)
@given(st.integers(3, 8), st.floats(14.0, 45.0), st.floats(0.0, 6.28), st.floats(0.0, 1.0))
@example(4, 14.0, 0.0, 0.0)  # a tip between two pixels is no blunt end
def test_polygons_come_back_with_their_corners_and_exact_lines(
    sides: int, radius: float, turn: float, shift: float
) -> None:
    truth = shapes.polygon(sides, radius, turn, (64 + shift, 63.4))
    curves = trace(coverage_of([truth], 128, 128), PX_PER_MM, WITHIN)
    shapes.check_form(curves)
    assert len(curves.cubics) == sides
    assert curves.corner.all() and curves.straight.all()
    found = curves.cubics[:, 0] * PX_PER_MM
    assert cKDTree(found).query(truth)[0].max() < 0.05


def test_a_square_keeps_its_corners_and_sides() -> None:
    truth = np.array([[10.3, 12.7], [50.1, 12.7], [50.1, 44.2], [10.3, 44.2]])
    curves = trace(coverage_of([truth], 64, 64), PX_PER_MM, WITHIN)
    assert len(curves.cubics) == 4 and curves.corner.all() and curves.straight.all()
    found = curves.cubics[:, 0] * PX_PER_MM
    assert cKDTree(found).query(truth)[0].max() < 0.01


def test_a_star_keeps_ten_corners() -> None:
    truth = shapes.star(5, 28, 11, (32.2, 31.7))
    curves = trace(coverage_of([truth], 64, 64), PX_PER_MM, WITHIN)
    assert len(curves.cubics) == 10 and curves.corner.all() and curves.straight.all()
    assert cKDTree(curves.cubics[:, 0] * PX_PER_MM).query(truth)[0].max() < 0.05


@pytest.mark.parametrize("degrees", [15, 20, 30, 60])
def test_the_tip_of_a_tapering_stroke_is_neither_blunted_nor_grown(degrees: float) -> None:
    rng = np.random.default_rng(3)
    half = np.radians(degrees) / 2
    for _ in range(6):
        way = rng.uniform(0, 2 * np.pi)
        back = -np.array([np.cos(way), np.sin(way)])
        side = np.array([-back[1], back[0]])
        tip = 64 - 20 * back + rng.uniform(-0.5, 0.5, 2)
        wedge = np.array([tip, tip + 50 * (back + np.tan(half) * side),
                          tip + 50 * (back - np.tan(half) * side)])  # fmt: skip
        curves = trace(coverage_of([shapes.clockwise(wedge)], 128, 128), PX_PER_MM, WITHIN)
        outline = np.vstack(shapes.loops_px(curves, PX_PER_MM))
        reach = ((outline - tip) @ -back).max()
        assert abs(reach) < 0.1


def test_a_blunt_end_is_not_drawn_out_to_a_tip() -> None:
    # A wedge of 12 degrees cut off where it is 2.5 px wide: its sides would meet 12 px further.
    middle = np.stack((np.linspace(20, 100, 200), np.full(200, 40.3)), axis=1)
    half = (2.5 + np.linspace(0, 80, 200) * 2 * np.tan(np.radians(6))) / 2
    outline = np.vstack((middle + np.stack((0 * half, half), 1),
                         (middle - np.stack((0 * half, half), 1))[::-1]))  # fmt: skip
    curves = trace(coverage_of([shapes.clockwise(outline)], 80, 120), PX_PER_MM, WITHIN)
    assert curves.cubics[..., 0].min() * PX_PER_MM > 19.0


def test_two_sides_of_a_thin_line_do_not_cross() -> None:
    turns = np.linspace(0, 4 * np.pi, 4000)
    middle = np.stack(
        (64 + (6 + 4 * turns) * np.cos(turns), 64 + (6 + 4 * turns) * np.sin(turns)), 1
    )
    curves = trace(coverage_of([shapes.band(middle, 1.5)], 128, 128), PX_PER_MM, 0.1)
    shapes.check_form(curves)
    assert len(curves.hole) == 1
    outline = shapes.evenly(shapes.loops_px(curves, PX_PER_MM)[0], 0.5)
    off = cKDTree(middle).query(outline)[0]
    # An Archimedean spiral 1.5 px wide: every point of the outline is 0.75 px off its middle.
    away = np.hypot(*(outline - middle[0]).T) > 4
    away &= np.hypot(*(outline - middle[-1]).T) > 4
    assert abs(off[away].mean() - 0.75) < 0.02
    assert off[away].min() > 0.4 and off[away].max() < 1.1


def test_an_annulus_is_one_shape_with_one_hole() -> None:
    rings = [circle(50.3, 49.8, 40), circle(50.3, 49.8, 33, hole=True)]
    curves = trace(coverage_of(rings, 100, 100), PX_PER_MM, WITHIN)
    shapes.check_form(curves)
    assert curves.hole.tolist() == [False, True] and curves.shape.tolist() == [0, 0]
    for loop, radius in zip(shapes.loops_px(curves, PX_PER_MM), (40, 33), strict=True):
        assert np.abs(np.hypot(*(loop - [50.3, 49.8]).T) - radius).max() < 0.01


def test_crossing_lines_keep_four_square_corners_in_the_crossing() -> None:
    across = np.array([[8, 30], [56, 30], [56, 34.5], [8, 34.5]], float)
    down = np.array([[28, 8], [33, 8], [33, 56], [28, 56]], float)
    coverage = np.maximum(coverage_of([across], 64, 64), coverage_of([down], 64, 64))
    curves = trace(coverage, PX_PER_MM, WITHIN)
    assert len(curves.cubics) == 12 and curves.straight.all()
    inner = np.array([[28, 30], [33, 30], [33, 34.5], [28, 34.5]])
    assert cKDTree(curves.cubics[:, 0] * PX_PER_MM).query(inner)[0].max() < 0.05


def test_ruled_lines_out_of_true_by_less_than_the_tolerance_are_squared_up() -> None:
    # A frame whose right side leans by 0.05 px over 180 px.
    frame = np.array([[10.2, 10.4], [210.0, 10.4], [210.05, 190.3], [10.2, 190.3]])
    curves = trace(coverage_of([frame], 220, 220), PX_PER_MM, 0.04)
    assert curves.straight.all()
    way = curves.cubics[:, 3] - curves.cubics[:, 0]
    angle = np.degrees(np.arctan2(way[:, 1], way[:, 0])) % 90
    assert np.ptp((angle + 45) % 90) < 1e-6


def _letters(size: float, seed: int) -> dict[str, float]:
    rng = np.random.default_rng(seed)
    there, back, turning = [], [], []
    nodes = true_nodes = corners = found = right = kept = 0
    for character in shapes.LETTERS:
        place = (size * 0.5 + rng.uniform(0, 1), size * 1.3 + rng.uniform(0, 1))
        truth = shapes.letter(character, size, rng.uniform(-0.3, 0.3), place)
        side = int(size * 1.9)
        lines = [flatten(loop, 16) for loop in truth]
        curves = trace(coverage_of(lines, side, side), PX_PER_MM, WITHIN)
        shapes.check_form(curves)
        loops = shapes.loops_px(curves, PX_PER_MM)
        samples = np.vstack([shapes.evenly(loop, 0.5) for loop in loops])
        true_samples = np.vstack([shapes.evenly(line, 0.5) for line in lines])
        there.append(np.min([distance_to_outline(samples, line) for line in lines], axis=0))
        back.append(np.min([distance_to_outline(true_samples, loop) for loop in loops], axis=0))
        nodes += len(curves.cubics)
        true_nodes += sum(map(len, truth))
        bends = np.concatenate([shapes.turns(loop) for loop in truth])
        vertices = np.vstack([loop[:, 3] for loop in truth])
        sharp, any_bend = vertices[bends > 20], vertices[bends > 8]
        mine = curves.cubics[curves.corner, 0] * PX_PER_MM
        corners += len(sharp)
        kept += int((cKDTree(mine).query(sharp)[0] < 1.5).sum()) if len(mine) else 0
        found += len(mine)
        right += int((cKDTree(any_bend).query(mine)[0] < 1.5).sum()) if len(mine) else 0
        turning.append(
            sum(_turning(loop) for loop in loops) / sum(_turning(line) for line in lines)
        )
    forth, reverse = np.concatenate(there), np.concatenate(back)
    return {
        "mean": float(forth.mean()),
        "p99": float(np.percentile(forth, 99)),
        "back mean": float(reverse.mean()),
        "back p99": float(np.percentile(reverse, 99)),
        "nodes": nodes / true_nodes,
        "recall": kept / corners,
        "precision": right / found,
        "turning": float(np.mean(turning)),
    }


def _turning(outline: F64) -> float:
    """Sum of the angles that the outline turns by, left and right alike."""
    step = np.diff(np.vstack((outline, outline[:1])), axis=0)
    z = step[:, 0] + 1j * step[:, 1]
    z = z[np.abs(z) > 1e-9]
    return float(np.abs(np.angle(np.roll(z, -1) * np.conj(z))).sum())


@pytest.mark.slow
@pytest.mark.parametrize("size", [90, 150])
def test_letters_come_back(size: float) -> None:
    score = _letters(size, 1)
    assert score["mean"] <= 0.03 and score["back mean"] <= 0.03
    assert score["p99"] <= 0.25 and score["back p99"] <= 0.25
    assert score["nodes"] <= 1.5
    assert score["recall"] >= 0.97 and score["precision"] >= 0.97
    # No steps: the outline turns no more than the letter's own does.
    assert score["turning"] == pytest.approx(1.0, abs=0.03)


@pytest.mark.slow
@pytest.mark.parametrize("within", [0.01, 0.02, 0.05])
def test_the_tolerance_is_kept_on_letters_away_from_their_corners(within: float) -> None:
    for character in shapes.LETTERS:
        loops = shapes.letter(character, 80, 0.1, (40.3, 104.6))
        coverage = coverage_of([flatten(loop, 16) for loop in loops], 150, 150)
        stray, far = _strays(trace(coverage, PX_PER_MM, within), coverage)
        # A polyline of px-long chords lies up to 0.05 px inside the edge it samples.
        assert stray[far > 4.0].max(initial=0.0) <= within * PX_PER_MM + 0.05


def test_results_on_fixed_input_stay_as_they_are() -> None:
    """Segments a letter, so that any change of method shows at once; change it knowingly."""
    counts = {}
    for character in "agsBR5":
        truth = shapes.letter(character, 100, 0.1, (50.3, 130.6))
        coverage = coverage_of([flatten(loop, 16) for loop in truth], 190, 190)
        counts[character] = len(trace(coverage, PX_PER_MM, WITHIN).cubics)
    assert counts == HISTOGRAM


HISTOGRAM = {"a": 19, "g": 21, "s": 16, "B": 26, "R": 22, "5": 15}

ZOO = {
    "no pixel of ink": np.zeros((5, 4)),
    "one pixel of ink alone": np.ones((1, 1)),
    "one faint pixel": np.full((1, 1), 0.4),
    "a row": np.ones((1, 9)),
    "a column": np.ones((9, 1)),
    "all ink": np.ones((30, 40)),
    "one pixel in a page": np.pad(np.ones((1, 1)), 6),
    "two pixels corner to corner": np.pad(np.eye(2), 5),
    "exactly half": np.full((6, 6), 0.5),
    "chequers": np.indices((12, 12)).sum(axis=0) % 2,
    "stripes of one pixel": np.tile([1.0, 0.0], (12, 6)),
    "noise": np.random.default_rng(0).random((60, 60)),
}


@pytest.mark.parametrize("name", ZOO)
def test_odd_pages_are_traced(name: str) -> None:
    coverage = np.asarray(ZOO[name], np.float32)
    curves = trace(coverage, PX_PER_MM, WITHIN)
    shapes.check_form(curves)
    height, width = coverage.shape
    assert (curves.width_mm, curves.height_mm) == (width / PX_PER_MM, height / PX_PER_MM)
    assert (len(curves.cubics) > 0) == bool((coverage > 0.5).any())
    if len(curves.cubics):
        # The curves themselves; handles may reach further out.
        points = flatten(curves.cubics * PX_PER_MM, 32)
        assert points.min() > -0.3 and (points.max(axis=0) < [width + 0.3, height + 0.3]).all()


def _rough_page() -> F32:
    """Lines whose edges are rough from pixel to pixel, as dry paper leaves them."""
    rng = np.random.default_rng(8)
    coverage = np.zeros((240, 320), np.float32)
    for row in range(20, 220, 24):
        coverage[row : row + 9, 20:300] = 1.0
        coverage[row - 1, 20:300] = rng.uniform(0.2, 0.8, 280)
        coverage[row + 9, 20:300] = rng.uniform(0.2, 0.8, 280)
    return coverage


def test_a_looser_tolerance_saves_nodes_and_is_kept() -> None:
    coverage = _rough_page()
    counts = []
    for within in (0.02, 0.04, 0.08):
        curves = trace(coverage, PX_PER_MM, within)
        shapes.check_form(curves)
        stray, far = _strays(curves, coverage)
        assert stray[far > 4.0].max(initial=0.0) <= within * PX_PER_MM + 0.05
        counts.append(len(curves.cubics))
    assert counts[1] < 0.8 * counts[0] and counts[2] < counts[1]


def test_a_blurred_line_keeps_its_width_where_faint_grey_has_become_paper() -> None:
    # Cleaning lifts the foot of every slope to bare paper; the middle of the slope stays.
    turn = np.radians(17.0)
    way, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    corners = [(-50, -4), (50, -4), (50, 4), (-50, 4)]
    truth = np.array([60.3 + a * way + b * across for a, b in corners])
    soft = cv2.GaussianBlur(coverage_of([truth], 120, 120), (0, 0), 0.6)
    lifted = np.where(soft < 0.15, 0.0, soft).astype(np.float32)
    outline = np.vstack(shapes.loops_px(trace(lifted, PX_PER_MM, WITHIN), PX_PER_MM)) - 60.3
    inner = np.abs(outline @ way) < 40
    assert np.abs(outline[inner] @ across).mean() == pytest.approx(4.0, abs=0.02)
