"""The same ink as centrelines with widths, and what is too broad to be a line."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I64, U8, Bool, distance_to_paper, median, offsets_of
from inkclean.base.pieces import HIGH, WIDE, pieces_of
from inkclean.curves.centrelines.crossing import merge_crossings
from inkclean.curves.centrelines.joining import Middle, run_through
from inkclean.curves.centrelines.meeting import meet
from inkclean.curves.centrelines.skeleton import Graph, skeleton_graph
from inkclean.curves.fit import fit_runs
from inkclean.curves.outlines.outline import Runs, around_fixed
from inkclean.curves.seen import seen_at
from inkclean.curves.trace import control_points, trace
from inkclean.curves.values import Strokes

_BROAD = 3.0  # width of a spot black, times the page's middling line
_BROAD_MM = 1.2  # mm that a spot black is broad at least: brush lines swell so far
_DOT = 1.2  # longest dot, its own widths: it stays a filled shape
_ACROSS = 33  # samples across a line: eight a px on a line 2 px wide
_LEVEL = 8  # of 25 samples toward a line's end, those that lie well within it
_BESIDE_PX = 1.25  # px past the skeleton's distance to the paper that a line's edge may lie
# Half widths about a junction within which a line's sides belong to others too
_NEAR_JUNCTION = 1.3
# Points of the shortest stroke, widths of its own: a shorter one counts as evenly broad
_BRIEF = 3.0
# px within which a centreline is known: asking for less costs nodes and shows nothing
_FIXED_PX = 0.15


def centrelines(coverage: F32, px_per_mm: float, within_mm: float = 0.02) -> Strokes:
    """Return the lines of ``coverage`` (H, W) as centrelines with widths.

    Strokes run through their crossings, with a node in each that all who meet there share. No
    centreline strays further than ``within_mm`` (or 0.15 px) from the middle of its ink.
    Spot blacks and dots come back as filled outlines in ``blacks``.
    """
    from skimage.morphology import skeletonize

    coverage = np.ascontiguousarray(coverage, np.float32)
    ink = (coverage > 0.5).astype(np.uint8)
    radius = distance_to_paper(ink)
    black = _spot_blacks(ink, radius, px_per_mm)
    lines = (ink > 0) & ~black
    thin: Callable[[Bool], Bool] = skeletonize
    skeleton = np.asarray(thin(lines), np.bool_)
    dots = _dots(lines, skeleton, radius)
    graph = skeleton_graph(skeleton & ~dots, np.where(lines, radius, np.float32(0.0)))
    filled = np.where(_widen(black | dots), coverage, np.float32(0.0))
    blacks = trace(filled, px_per_mm, within_mm)
    if graph.points.shape[0] == 0:
        none = np.zeros(0, np.bool_)
        return Strokes(
            np.zeros((0, 4, 2)),
            np.zeros(1, np.int64),
            none,
            np.zeros((0, 2), np.float32),
            blacks,
        )
    middle = _refine(merge_crossings(graph, radius), coverage, radius)
    runs = _runs(middle, max(within_mm * px_per_mm, _FIXED_PX))
    runs, spans = fit_runs(runs)
    cubics, _ = control_points(runs, spans)
    ends = np.searchsorted(spans.first, runs.last)
    widths = np.stack((middle.width[spans.first], middle.width[spans.last]), axis=1)
    return Strokes(
        cubics=cubics / px_per_mm,
        strokes=np.concatenate(([0], ends)).astype(np.int64),
        closed=middle.closed,
        widths_mm=(widths / px_per_mm).astype(np.float32),
        blacks=blacks,
    )


def _spot_blacks(ink: U8, radius: F32, px_per_mm: float) -> Bool:
    """Ink too broad to be drawn by a line: opened by a disc of that breadth."""
    ridge = (radius > 0.9) & (radius >= cv2.dilate(radius, np.ones((3, 3), np.uint8)))
    middling = float(median(radius[ridge])) if ridge.any() else 0.0
    half = max(_BROAD * middling, _BROAD_MM * px_per_mm / 2.0)
    core = (radius > half).astype(np.uint8)
    if not core.any():
        return np.zeros(ink.shape, np.bool_)
    away = distance_to_paper(1 - core)
    return np.asarray((away <= half + 1.0) & (ink > 0))


def _dots(lines: Bool, skeleton: Bool, radius: F32) -> Bool:
    """Pieces of line ink no longer than they are wide."""
    label, told = pieces_of(lines)
    broad = np.zeros(len(told))
    at = label[skeleton]
    np.maximum.at(broad, at, radius[skeleton])
    longest = np.hypot(told[:, WIDE], told[:, HIGH])
    dot = longest <= (1.0 + _DOT) * 2.0 * np.maximum(broad, 1.0)
    dot[0] = False
    return np.asarray(dot[label])


def _widen(mask: Bool) -> Bool:
    return np.asarray(cv2.dilate(mask.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0)


def _refine(graph: Graph, coverage: F32, radius: F32) -> Middle:
    """Move skeleton pixels to the middle of the ink, found by the ink across the line."""
    lengths = np.diff(graph.ends)
    own = np.repeat(np.arange(lengths.size), lengths)
    points = _smooth(graph, graph.points, own, 2)
    pixel = graph.points.astype(np.int64)
    near = radius[pixel[:, 1], pixel[:, 0]].astype(np.float64)
    width = 2.0 * near
    for _ in range(2):
        way = _directions(graph, points, own)
        shift, width = _across(coverage, points, way, near)
        normal = np.stack((-way[:, 1], way[:, 0]), axis=1)
        points = _smooth(graph, points + np.clip(shift, -1.0, 1.0)[:, None] * normal, own, 2)
    # A stroke hardly longer than broad lies between junctions that widen it: its waist is true.
    waist = np.minimum.reduceat(width, graph.ends[:-1])
    brief = lengths < _BRIEF * waist
    width = np.where(brief[own], waist[own], width)
    return _close_up(graph, points, width, own, coverage, radius)


def _shift(graph: Graph, own: I64, by: int) -> I64:
    """Index of the point ``by`` further along each stroke, held at its ends."""
    begin, end = graph.ends[own], graph.ends[own + 1]
    index = np.arange(own.size)
    around = begin + (index - begin + by) % (end - begin)
    return np.where(graph.closed[own], around, np.clip(index + by, begin, end - 1))


def _smooth(graph: Graph, points: F64, own: I64, half: int) -> F64:
    """Fit parabolas over ``2 half + 1`` points; near open ends, over fewer."""
    index = np.arange(own.size)
    room = np.minimum(index - graph.ends[own], graph.ends[own + 1] - 1 - index)
    room = np.where(graph.closed[own], half, np.minimum(room, half))
    smoothed = points.copy()
    for reach in range(1, half + 1):
        rows = room == reach
        steps = np.arange(-reach, reach + 1)
        weights = np.linalg.pinv(np.vander(steps, 2 if reach < 2 else 3))[-1]
        total = sum(
            weight * points[_shift(graph, own, int(step))[rows]]
            for weight, step in zip(weights, steps, strict=True)
        )
        smoothed[rows] = total
    return smoothed


def _directions(graph: Graph, points: F64, own: I64) -> F64:
    chord = points[_shift(graph, own, 3)] - points[_shift(graph, own, -3)]
    way: F64 = chord / np.maximum(np.hypot(chord[:, 0], chord[:, 1]), 1e-9)[:, None]
    return way


def _across(coverage: F32, points: F64, way: F64, near: F64) -> tuple[F64, F64]:
    """Where the ink's middle lies across each point, and how wide the ink is there."""
    step = np.linspace(-1.0, 1.0, _ACROSS)
    reach = near + _BESIDE_PX
    out = reach[:, None] * step
    x = points[:, :1] - way[:, 1:] * out - 0.5
    y = points[:, 1:] + way[:, :1] * out - 0.5
    seen = seen_at(coverage, x, y)
    # Outward from the middle ink only thins: what swells again is the next line's.
    half = _ACROSS // 2
    seen[:, half:] = np.minimum.accumulate(seen[:, half:], axis=1)
    seen[:, half::-1] = np.minimum.accumulate(seen[:, half::-1], axis=1)
    total = np.maximum(seen.sum(axis=1), 1e-6)
    middle = (seen * out).sum(axis=1) / total
    return middle.astype(np.float64), (total * reach * 2.0 / (_ACROSS - 1)).astype(np.float64)


def _close_up(
    graph: Graph, points: F64, width: F64, own: I64, coverage: F32, radius: F32
) -> Middle:
    """Trim what junctions have bent, join the strokes in each junction, set the open ends."""
    degree = np.append(graph.degree, 0)
    pixel = graph.points.astype(np.int64)
    near = radius[pixel[:, 1], pixel[:, 0]]
    index = np.arange(own.size)
    keep = np.ones(own.size, np.bool_)
    tips = []
    for side in (0, 1):
        tip = np.where(side == 0, graph.ends[:-1], graph.ends[1:] - 1)
        tips.append(tip)
        joined = (degree[graph.node[:, side]] >= 3)[own]
        along = np.abs(index - tip[own])
        limit = np.where(joined, _NEAR_JUNCTION * near[tip][own], 0.0)
        # Never more than a third of the stroke, nor its tip.
        limit = np.minimum(limit, (graph.ends[own + 1] - graph.ends[own]) / 3.0)
        keep &= (along > limit) | (along == 0) | graph.closed[own]
    inner = [_next_kept(keep, tip, 1 if side == 0 else -1) for side, tip in enumerate(tips)]
    points, width = points.copy(), width.copy()
    meet(graph, points, width, tips, inner, coverage)
    _reach_ends(graph, points, width, tips, coverage)
    take = np.flatnonzero(keep)
    lengths = np.bincount(own[take], minlength=graph.closed.size)
    ends = offsets_of(lengths)
    take = np.insert(take, ends[1:][graph.closed], graph.ends[:-1][graph.closed])
    ends = ends + offsets_of(graph.closed)
    junction = np.zeros(points.shape[0], np.bool_)
    for side, tip in enumerate(tips):
        junction[tip] = degree[graph.node[:, side]] >= 3
    branches = Middle(points[take], width[take], ends, graph.closed, junction[take])
    return run_through(branches, graph)


def _next_kept(keep: Bool, tip: I64, step: int) -> I64:
    """Index of the first kept point after each tip, going by ``step``."""
    at = np.flatnonzero(keep)
    place = np.searchsorted(at, tip) + step
    return at[np.clip(place, 0, at.size - 1)]


def _reach_ends(graph: Graph, points: F64, width: F64, tips: list[I64], coverage: F32) -> None:
    """Set open ends half a width short of where their ink ends: a round cap fills the rest."""
    degree = np.append(graph.degree, 0)
    for side, step in ((0, 1), (1, -1)):
        rows = (graph.node[:, side] >= 0) & (degree[graph.node[:, side]] == 1)
        tip = tips[side][rows]
        low, high = graph.ends[:-1][rows], graph.ends[1:][rows] - 1
        back = np.clip(tip + 3 * step, low, high)
        far = np.clip(tip + 9 * step, low, high)
        way = points[back] - points[far]
        size = np.hypot(way[:, 0], way[:, 1])
        # A brief tail leaves its joint as its tip lies.
        other = np.where(tip == low, high, low)
        brief = (size <= 2.0) & (degree[graph.node[rows, 1 - side]] >= 3)
        back = np.where(brief, other, back)
        way = np.where(brief[:, None], points[tip] - points[other], way)
        length = np.hypot(way[:, 0], way[:, 1])
        way = way / np.maximum(length, 1e-9)[:, None]
        half = width[back] / 2.0
        most = half + 6.0 + np.where(brief, length, 0.0)
        out = np.linspace(0.0, 1.0, 25) * most[:, None]
        x = points[back, :1] + way[:, :1] * out - 0.5
        y = points[back, 1:] + way[:, 1:] * out - 0.5
        seen = seen_at(coverage, x, y)
        # Lines thinner than a pixel's diagonal are nowhere all ink.
        whole = np.clip(seen[:, :_LEVEL].mean(axis=1, keepdims=True), 0.5, 1.0)
        seen = np.minimum.accumulate(np.minimum(seen / whole, 1.0), axis=1)
        ink = seen.sum(axis=1) * most / 24.0
        place = points[back] + way * (ink - half)[:, None]
        good = (size > 2.0) | (brief & (ink - half > length) & (length > 0.7))
        points[tip[good]] = place[good]
        width[tip[good]] = width[back[good]]
        # What lay between gives way: the last points follow the line to the new end.
        for nth in (1, 2):
            inner = good & (high - low > nth)
            at, share = (tip + nth * step)[inner], nth / 3.0
            points[at] = place[inner] * (1.0 - share) + points[back[inner]] * share
            width[at] = width[back[inner]]


def _runs(middle: Middle, tolerance: float) -> Runs:
    count = middle.points.shape[0]
    first, last = middle.ends[:-1], middle.ends[1:] - 1
    ends = np.zeros(count, np.bool_)
    ends[first] = ends[last] = True
    fixed = middle.junction | ends
    corner = ends
    corner[first[middle.closed]] = corner[last[middle.closed]] = False
    low, high = around_fixed(fixed)
    crossed = np.logical_or.reduceat(middle.junction, first)
    return Runs(
        points=middle.points,
        tolerance=np.full(count, tolerance, np.float32),
        most=np.full(count, tolerance, np.float32),
        first=first,
        last=last,
        fixed=fixed,
        corner=corner,
        line=np.zeros(count, np.bool_),
        low=low,
        high=high,
        around=np.repeat(middle.closed & ~crossed, np.diff(middle.ends)),
    )
