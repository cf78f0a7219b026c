"""From coverage to curves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inkclean.base.arrays import F32, F64, I32, I64, Bool, any_within, distinct, offsets_of
from inkclean.base.tiles import blocks, both, side_by_side
from inkclean.curves.bezier import along_cubics
from inkclean.curves.fit import fit_runs
from inkclean.curves.outlines.corners import find_corners
from inkclean.curves.outlines.edges import find_edges
from inkclean.curves.outlines.outline import InkOutline, Runs, lay_runs, leave_out
from inkclean.curves.outlines.ovals import Ovals, find_ovals
from inkclean.curves.outlines.placing import Corners
from inkclean.curves.outlines.settle import settle
from inkclean.curves.outlines.straights import rule_lines
from inkclean.curves.outlines.tips import all_crossings, do_cross, pieces_of
from inkclean.curves.plane import put_rows, rows_of, turn
from inkclean.curves.spans import Spans
from inkclean.curves.values import Curves

# Of the width of a line or gap that both its sides may stray by and still not meet
_ROOM_SHARE = 0.4
_FINE_PX = 0.08  # px within which the edge is known: looser curves cost more than they save
# Of what was asked, which stays the closest: who asks for less wants fewer nodes
_FINE_SHARE = 0.33
_NOISES = 4.0  # deviations of the edge's own noise that are not worth a node
_SETTLED = 0.35  # share of the tolerance that smoothing may use
# px for loops that cross however drawn: every point of the edge becomes a node
_TOUCHING_PX = 0.0005
_CARRIED_PX = 9.0  # px about a corner carried out to its tip within which it can cross something
_SPECK_PX = 2.5  # px of the longest quarter of an oval that may lie outside the speck it stands for
_ABOUT_PX = 6.0  # px about a crossing within which curves are drawn closer to the edge
_NARROW_PX = 1.5  # px to other edges: curves cross only nearer, or where a corner was carried far
_STEPS = 8  # samples a cubic, to see whether it crosses another, or more
_STEP_PX = 1.5  # px a sample, on cubics that are longer
_CHORD_PX = 0.0005  # px that chords may lie off cubics that may cross: too little to be seen
_TIP_TURN = np.deg2rad(150.0)  # turn of two sides that may cross within a step of their tip
_LEAST_PX = 0.05  # px: no curve is asked to lie closer than the edge itself is known


def trace(coverage: F32, px_per_mm: float, within_mm: float = 0.02, blur_px: float = 0.0) -> Curves:
    """Return the outlines of the ink as the fewest cubics that stay close to its edge.

    ``coverage`` is (H, W), 0..1. No curve strays further than ``within_mm`` from the edge at
    its sub-pixel place, smoothed by no more than the promise leaves, and blur undone; beside
    thin lines and gaps less. Within 4 px of a corner the rule is another: there the curves run
    to where the corner's two sides meet, which pixels had rounded, and specks broken off a
    tip's end are taken in by it. No curve crosses itself or another; where only a tip could,
    it is drawn back.
    """
    height, width = coverage.shape
    coverage = np.ascontiguousarray(coverage, np.float32)
    edges = find_edges(coverage)
    within = within_mm * px_per_mm
    corners = find_corners(edges, coverage)
    outline, moved = settle(corners.restored(), edges.noise, blur_px, _SETTLED * within)
    closest = max(_FINE_PX + _NOISES * edges.noise, _FINE_SHARE * within)
    # Smoothing is part of the promise; what blur had moved, and is put back, is not.
    most = _room_limits(outline, within - moved)
    del moved
    pieces = _draw_loops(outline, np.minimum(most, np.float32(closest)), most, edges.noise)
    if pieces.counts.size:
        pieces = _uncross(outline, corners, most, pieces)
    return Curves(
        cubics=pieces.cubics / px_per_mm,
        loops=offsets_of(pieces.counts),
        shape=outline.shape,
        hole=outline.hole,
        corner=pieces.corner,
        straight=pieces.straight,
        width_mm=width / px_per_mm,
        height_mm=height / px_per_mm,
    )


@dataclass(frozen=True)
class _Pieces:
    """Cubics (S, 4, 2) px, how many each loop has (L,), flags (S,)."""

    cubics: F64
    counts: I64
    corner: Bool
    straight: Bool


def _merge(which: Bool, one: _Pieces, other: _Pieces) -> _Pieces:
    """Return the pieces of all loops: of ``one`` where ``which`` (L,), else of ``other``."""
    counts = np.empty(which.size, np.int64)
    counts[which], counts[~which] = one.counts, other.counts
    first = np.repeat(which, counts)
    cubics = np.empty((first.size, 4, 2))
    corner, straight = np.empty(first.size, np.bool_), np.empty(first.size, np.bool_)
    cubics[first], cubics[~first] = one.cubics, other.cubics
    corner[first], corner[~first] = one.corner, other.corner
    straight[first], straight[~first] = one.straight, other.straight
    return _Pieces(cubics, counts, corner, straight)


def _draw_loops(
    outline: InkOutline, tolerance: F32, most: F32, noise: float, ovals_too: bool = True
) -> _Pieces:
    """Fit all loops: ovals where they are, cubics elsewhere."""
    ovals = find_ovals(outline, tolerance)
    if not ovals_too:
        ovals = Ovals(np.zeros_like(ovals.which), ovals.cubics[:0], ovals.counts[:0])
    none = np.zeros(ovals.cubics.shape[0], np.bool_)
    round_ones = _Pieces(ovals.cubics, ovals.counts, none, none)
    if ovals.which.all():
        none = none[:0]
        empty = _Pieces(np.zeros((0, 4, 2)), np.zeros(0, np.int64), none, none)
        return _merge(ovals.which, round_ones, empty)
    runs, spans = fit_runs(rule_lines(_laid(outline, ovals.which, tolerance, most), noise))
    cubics, straight = control_points(runs, spans)
    ends = np.searchsorted(spans.first, runs.last)
    fitted = _Pieces(cubics, np.diff(ends, prepend=0), runs.corner[spans.first], straight)
    return _merge(ovals.which, round_ones, fitted)


def _laid(outline: InkOutline, without: Bool, tolerance: F32, most: F32) -> Runs:
    """Lay out the loops that are not ``without`` (L,)."""
    rest, keep = leave_out(outline, without)
    return lay_runs(rest, tolerance[keep], most[keep])


def _uncross(outline: InkOutline, corners: Corners, most: F32, pieces: _Pieces) -> _Pieces:
    """Draw loops that cross again, closer to their points about the place; those that still do
    from the edge as it was found, without the corners that were drawn out to cross something.
    """
    again = np.ones(pieces.counts.size, np.bool_)
    for closer in (_LEAST_PX, _TOUCHING_PX):
        loop, place = _crossings(outline, pieces, again)
        if loop.size == 0:
            break
        again = np.zeros(pieces.counts.size, np.bool_)
        again[loop] = True
        if closer == _TOUCHING_PX:
            outline = corners.but(place, _ABOUT_PX).restored()
            most = _room_limits(outline, float(most.max()))
        part, keep = leave_out(outline, ~again)
        near = any_within(part.points, place, _ABOUT_PX)
        allowed = np.where(near, np.minimum(most[keep], np.float32(closer)), most[keep])
        tolerance = np.minimum(allowed, np.float32(_FINE_PX))
        fresh = _draw_loops(part, tolerance, allowed, corners.edges.noise, ovals_too=False)
        pieces = _merge(again, fresh, _of(pieces, ~again))
    return pieces


def _room_limits(outline: InkOutline, within: F64 | float) -> F32:
    """How far curves may lie off their points, px: both sides of a line leave each other room."""
    limits = np.maximum(_ROOM_SHARE * outline.room, _LEAST_PX)
    limits = np.minimum(limits, within).astype(np.float32)
    return np.asarray(limits, np.float32)


def _of(pieces: _Pieces, which: Bool) -> _Pieces:
    keep = np.repeat(which, pieces.counts)
    return _Pieces(
        rows_of(pieces.cubics, keep),
        pieces.counts[which],
        pieces.corner[keep],
        pieces.straight[keep],
    )


def _crossings(outline: InkOutline, pieces: _Pieces, asked: Bool) -> tuple[I64, F64]:
    """Loops that cross one of those ``asked``, and where (K, 2): only near other edges and
    beside corners can they.
    """
    steps = np.ceil(_lengths(pieces.cubics) / _STEP_PX).astype(np.int64)
    steps = np.maximum(steps, np.where(pieces.straight, 1, _STEPS))
    points, own = _samples(pieces.cubics, steps)
    loops = offsets_of(np.add.reduceat(steps, np.cumsum(pieces.counts) - pieces.counts))
    asked = np.repeat(asked, pieces.counts)
    suspect = _suspects(outline, pieces, np.flatnonzero(asked.take(own)), points, own)
    # Chords lie inside a bend: those of two cubics that bulge into each other by less than that
    # do not meet. So where they come this near, the cubics are looked at more closely.
    off = (_bends(pieces.cubics) / steps**2).take(own)
    edges = pieces_of(points, loops)
    (one, two), tips = both(
        lambda: all_crossings(edges, suspect, off), lambda: _crossed_tips(pieces)
    )
    plain = do_cross(edges, one, two)
    tips = tips[asked[tips]]
    found = np.concatenate((one[plain], two[plain], (np.cumsum(steps) - steps)[tips]))
    loop = np.searchsorted(loops, found, side="right") - 1
    unsure = np.searchsorted(np.cumsum(steps), np.concatenate((one[~plain], two[~plain])), "right")
    grazing, place = _grazes(pieces, distinct(unsure))
    return distinct(np.append(loop, grazing)), np.concatenate((points[found], place))


def _suspects(outline: InkOutline, pieces: _Pieces, some: I64, points: F64, own: I32) -> I64:
    """Return those of ``some`` samples that may cross something: of ``points`` (N, 2), each on its
    ``own`` (N,) cubic.
    """
    squares = (np.array([points[:, 0].max(), points[:, 1].max()]) / _NARROW_PX).astype(np.int64) + 2

    def square(places: F64) -> I64:
        x, y = (
            np.clip(along / _NARROW_PX, 0, most - 1).astype(np.int64)
            for along, most in zip(places.T, squares.tolist(), strict=True)
        )
        return np.asarray(x * squares[1] + y)

    narrow = np.zeros(squares.prod(), np.bool_)
    narrow[square(rows_of(outline.points, outline.room < _NARROW_PX))] = True
    small = _lengths(pieces.cubics) < _SPECK_PX

    def suspected(part: slice) -> I64:
        on, near = own.take(some[part]), points.take(some[part], axis=0)
        suspect = small.take(on) | narrow.take(square(near))
        # A corner's own place may lie far from the points that it was found by.
        for end, sharp in ((0, pieces.corner), (3, np.roll(pieces.corner, -1))):
            beside = np.flatnonzero(sharp.take(on) & ~suspect)
            away = near.take(beside, axis=0)
            away -= pieces.cubics[:, end].take(on.take(beside), axis=0)
            suspect[beside] = np.hypot(away[:, 0], away[:, 1]) < _CARRIED_PX
        return some[part][suspect]

    return np.concatenate([some[:0], *side_by_side(suspected, blocks(some.size))])


def _lengths(cubics: F64) -> F64:
    """Return how far the ends of cubics (S, 4, 2) are apart."""
    chord = cubics[:, 3] - cubics[:, 0]
    return np.asarray(np.hypot(chord[:, 0], chord[:, 1]))


def _grazes(pieces: _Pieces, some: I64) -> tuple[I64, F64]:
    """Loops whose cubics ``some`` cross others of these, however little, and where (K, 2)."""
    owner = np.repeat(np.arange(pieces.counts.size), pieces.counts)
    which = np.zeros(pieces.counts.size, np.bool_)
    which[owner[some]] = True
    near = np.zeros(owner.size, np.bool_)
    near[some] = True
    near, part = near[which[owner]], _of(pieces, which)
    fine = np.ceil(np.sqrt(_bends(part.cubics) / _CHORD_PX)).astype(np.int64)
    points, own = _samples(part.cubics, np.where(near, np.maximum(fine, 1), 1))
    ends = np.searchsorted(own, np.append(0, np.cumsum(part.counts)))
    # The loops' other cubics only close them here, by a chord each.
    one, two = all_crossings(pieces_of(points, ends), np.flatnonzero(near[own]))
    both = near[own[one]] & near[own[two]]
    found = np.concatenate((one[both], two[both]))
    return owner[which[owner]][own[found]], points[found]


def _bends(cubics: F64) -> F64:
    """How far off a cubic its chord may lie, px (S,): with n samples, n² times less."""
    bend = cubics[:, 2:] - 2.0 * cubics[:, 1:3] + cubics[:, :2]
    # An eighth of the second derivative, which is six times as much.
    return np.asarray(0.75 * np.hypot(bend[..., 0], bend[..., 1]).max(axis=1))


def _crossed_tips(pieces: _Pieces) -> I64:
    """The pieces that begin at a sharp tip whose two sides cross on their last step to it.

    There they leave the tip the other way round than they come apart further off.
    """
    first = np.cumsum(pieces.counts) - pieces.counts
    before = np.arange(-1, pieces.corner.size - 1)
    before[first[pieces.counts > 0]] = (first + pieces.counts - 1)[pieces.counts > 0]
    tip = np.flatnonzero(pieces.corner)
    into, out = pieces.cubics[before[tip]], pieces.cubics[tip]
    near = turn(into[:, 3] - into[:, 2], out[:, 1] - out[:, 0])
    weights = np.array([27.0, 27.0, 9.0, 1.0]) / 64.0  # a quarter of the way
    ahead, behind = weights @ out - out[:, 0], into[:, 3] - weights @ into[:, ::-1]
    far = turn(behind, ahead)
    sharp = np.minimum(np.abs(near), np.abs(far)) > _TIP_TURN
    return np.asarray(tip[sharp & (near * far < 0.0)])


def _samples(cubics: F64, steps: I64) -> tuple[F64, I32]:
    """Points (N, 2) on each cubic, as many as it has ``steps`` (S,), and the cubic of each."""
    own = np.repeat(np.arange(steps.size, dtype=np.int32), steps)
    begin = np.cumsum(steps) - steps
    points = np.empty((own.size, 2))
    few = np.flatnonzero(steps == _STEPS)
    t = np.arange(_STEPS)[:, None] / _STEPS
    weights = np.hstack(((1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t * t * (1 - t), t**3))

    def put_few(part: slice) -> None:
        places = (begin.take(few[part])[:, None] + np.arange(_STEPS)).ravel()
        put_rows(points, places, (weights @ cubics.take(few[part], axis=0)).reshape(-1, 2))

    side_by_side(put_few, blocks(few.size))
    along_cubics(cubics, steps, points, _STEPS)
    return points, own


def control_points(runs: Runs, spans: Spans) -> tuple[F64, Bool]:
    """Cubics (S, 4, 2) in px, and which of them are exact lines."""
    p0 = runs.points.take(spans.first, axis=0)
    p3 = runs.points.take(spans.last, axis=0)
    p1 = p0 + spans.inner[:, :1] * spans.start
    p2 = p3 - spans.inner[:, 1:] * spans.end
    straight = spans.last - spans.first == 1
    straight &= runs.line[spans.first] | (runs.corner[spans.first] & runs.corner[spans.last])
    third = (p3 - p0) / 3.0
    p1 = np.where(straight[:, None], p0 + third, p1)
    p2 = np.where(straight[:, None], p3 - third, p2)
    return np.stack((p0, p1, p2, p3), axis=1), straight
