"""True corners found and restored before anything is fitted.

A raster rounds every corner within about a px. Where both sides run on undisturbed beyond
that, the corner is the place where they meet, and it is single and sharp. Perceived corners:
Hoshyari et al., Perception-driven semi-structured boundary vectorization, ACM TOG 37(4),
2018, doi:10.1145/3197517.3201312; the measures here are our own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from inkclean.arrays import F32, F64, I64, Bool
from inkclean.curves.blunt import SHARP_BLUR, blunt_ends, like_corners
from inkclean.curves.edges import Edges
from inkclean.curves.outline import Outline
from inkclean.curves.placing import Corners, clear, drawn_back, placed, same_size, whole_tips

C128: TypeAlias = NDArray[np.complex128]

_TURN = np.deg2rad(26.0)
"""A gentler bend reads as a curve, and costs a cubic nothing."""
_SUDDEN = 0.62
"""Share of the turn within two steps of the corner: 0.67 to 0.91 at a true one, 0.58 where
the radius is 2 px at a right angle."""
_SUDDEN_TIP = 0.54
"""The same at tips of a tapering line, where the two sides' roundings meet:"""
_TIP_TURN = np.deg2rad((105.0, 120.0))
"""from not at all at 75 degrees to wholly at 60."""
_BLUNT_PX = 0.70
"""How far the sides' meeting lies off the edge, across the corner: under 0.55 px at a true
corner at any angle, over 0.7 px where a cap of 1 px radius turns."""
_BLUNT_BLUR = 0.45
"""Blur of one px adds so much to that."""
_NARROW = 0.12
"""Cosine of half the turn at the sharpest tip, 14 degrees wide: finer ones count as this."""
_TIP_PX = 6.0
"""No tip is carried further than this beyond the edge."""
_TIP_SHARE = 0.6
"""A tip is left whole when so much of the ink it asks for is there: pixels cut it unevenly."""
_BLUNT_LOOP = 16
"""A loop of fewer points has no room for a blunt end and two sides."""
_CLEAN = 15.0
"""How much a side that leaves its chord, in px, speaks against taking the corner from there."""
_BEND = 0.12
"""The tightest curvature, in 1/px, along which a side is carried on to its corner."""
_STRAY_PX = 0.07
"""A side may leave its chord by this much and the edge's noise twice; else it is looked at
over a shorter way."""


@dataclass(frozen=True)
class _Side:
    """One side of every point: its middle, its way onto (or off) the point, its curvature, and
    how far it leaves its chord.
    """

    middle: C128
    way: C128
    bend: F64
    bow: F64


def restore_corners(edges: Edges, coverage: F32) -> Outline:
    """Return the outline of ``edges`` of ``coverage`` with its corners where their sides meet."""
    return find_corners(edges, coverage).restored()


def find_corners(edges: Edges, coverage: F32) -> Corners:
    """Return the corners of ``edges``, found in ``coverage`` (H, W)."""
    apex = edges.points[:, 0] + 1j * edges.points[:, 1]
    skip = 2 + round(0.8 * edges.blur)
    if edges.loops.size == 1:
        return Corners(edges, np.zeros(0, np.int64), apex, skip)
    limit = _BLUNT_PX + _BLUNT_BLUR * edges.blur
    bends = _bends(edges, coverage, skip, limit)
    strength = np.zeros(edges.points.shape[0])
    strength[bends.at] = bends.strength
    # Nothing is drawn beyond the page.
    height, width = coverage.shape
    apex[bends.at] = np.clip(bends.apex.real, 0, width) + 1j * np.clip(bends.apex.imag, 0, height)
    worst = np.full(strength.size, limit)
    worst[bends.at] = limit / bends.narrow
    # one bit says nothing of how far into a pixel an end goes
    grey = bool(((coverage > 0.0) & (coverage < 1.0)).any())
    sharp = edges.blur < SHARP_BLUR and grey
    at, place = _pairs(edges, coverage, skip) if sharp else (np.zeros(0, np.int64), apex[:0])
    for step in range(-skip, skip + 1):
        strength[_along(edges.loops, at.reshape(-1), step)] = 0.0
    single = _strongest(strength, edges.loops, skip)
    if sharp:
        nth = np.searchsorted(bends.at, single)
        into, out = bends.into[nth], bends.out[nth]
        # A rounded one keeps its corner, half-way out to where its sides would meet.
        round_ = single[~like_corners(apex[single], into, out, coverage)]
        edge = edges.points[round_, 0] + 1j * edges.points[round_, 1]
        apex[round_] = (apex[round_] + edge) / 2.0
    corner = np.union1d(single, at)
    apex[at], worst[at], strength[at] = place, limit / _NARROW, np.pi
    corner = _faithful(corner, apex, worst, edges, strength, skip)
    edges, corner, apex, tips = whole_tips(edges, corner, apex, skip)
    corner = drawn_back(edges, corner, apex, skip, tips)
    points, keep, kept = placed(edges, corner, apex, skip)
    spoilt = ~same_size(edges, points[keep], kept)
    loop = np.searchsorted(edges.loops, corner, side="right") - 1
    return Corners(edges, corner[~spoilt[loop]], apex, skip)


def _pairs(edges: Edges, coverage: F32, skip: int) -> tuple[I64, C128]:
    """Points (K, 2) of blunt ends' corners and their places, no point in two of them."""
    z, core, length = _wrapped(edges, 16)
    bends = _turns(z, skip)
    turns = bends.copy()
    for step in (1, 2):
        turns[step:] |= bends[:-step]
        turns[:-step] |= bends[step:]
    ends = blunt_ends(z, core, turns[core] & (length >= _BLUNT_LOOP), coverage)
    # Of ends that overlap, the one most like its pixels is taken.
    steps = np.arange(ends.step.min(initial=0), ends.step.max(initial=0) + 1)
    steps = np.clip(steps, ends.step[:, :1], ends.step[:, 1:])
    taken = _along(edges.loops, ends.between[:, None], steps)
    best = np.full(core.size, taken.shape[0])
    np.minimum.at(best, taken, np.arange(taken.shape[0])[:, None])
    first = (best[taken] == np.arange(taken.shape[0])[:, None]).all(axis=1)
    return _along(edges.loops, ends.between[:, None], ends.step)[first], ends.apex[first]


def _along(loops: I64, at: I64, step: I64 | int) -> I64:
    """The points ``step`` on from those ``at``, each in its loop."""
    own = np.searchsorted(loops, at, side="right") - 1
    return loops[own] + (at - loops[own] + step) % np.diff(loops)[own]


@dataclass(frozen=True)
class _Bends:
    """Points ``at`` (C,) that may be corners, where their sides meet, how sudden the turn is,
    how far the meeting may lie off the edge, as a share of that across a flat corner, and the
    ways in which the sides run into the corner and out of it.
    """

    at: I64
    apex: C128
    strength: F64
    narrow: F64
    into: C128
    out: C128


def _bends(edges: Edges, coverage: F32, skip: int, limit: float) -> _Bends:
    reach = 4 + round(edges.blur)
    z, core, length = _wrapped(edges, skip + 2 * reach + 2)
    at = np.flatnonzero(_turns(z, skip)[core] & (length >= 6 * skip))
    here = core[at]
    stray = _STRAY_PX + 2.0 * edges.noise
    left, right = (_side(z, here, sign, skip, reach, stray) for sign in (-1, 1))
    turn = np.angle(right.way * np.conj(left.way))
    sudden = np.angle((z[here + skip] - z[here]) * np.conj(z[here] - z[here - skip]))
    apex, into, out = _meeting(left, right)
    sharp = np.angle(out * np.conj(into))
    # Between two points the rounding reaches one further on the nearer side: where both sides
    # run on, they are taken from there.
    further = [_side(z, here, sign, skip + 1, reach, stray) for sign in (-1, 1)]
    other, *_ = _meeting(*further)
    steady = further[0].bow + further[1].bow < 0.5 * stray
    apex = np.where(steady & (np.abs(other - apex) < 1.0), other, apex)
    gap = _off_edge(apex, z, here, skip)
    narrow = np.maximum(np.cos(np.abs(turn) / 2.0), _NARROW)
    likely = (np.abs(turn) > _TURN) & (sharp * np.sign(turn) > _TURN)
    least = np.interp(np.abs(turn), _TIP_TURN, (_SUDDEN, _SUDDEN_TIP))
    likely &= np.abs(sudden) > least * np.abs(turn)
    likely &= (gap * narrow < limit) & (gap < _TIP_PX)
    ahead = left.way / np.maximum(np.abs(left.way), 1e-9)
    ahead -= right.way / np.maximum(np.abs(right.way), 1e-9)
    foot = apex - gap * ahead / np.maximum(np.abs(ahead), 1e-9)
    apex = _as_long_as_inked(apex[likely], foot[likely], turn[likely], coverage)
    # Of the points beside one corner, the best has both its sides free of the rounding.
    strength = np.abs(sudden[likely])
    strength /= 1.0 + _CLEAN * (left.bow + right.bow)[likely]
    return _Bends(at[likely], apex, strength, narrow[likely], into[likely], out[likely])


def _turns(z: C128, skip: int) -> Bool:
    """Where the turn within ``skip`` points could make a corner at all."""
    step = z[skip:] - z[:-skip]
    product = step[skip:] * np.conj(step[:-skip])
    turns = np.zeros(z.size, np.bool_)
    least = np.tan(_SUDDEN_TIP * _TURN)
    turns[skip:-skip] = np.abs(product.imag) > least * product.real
    return turns


def _wrapped(edges: Edges, margin: int) -> tuple[C128, I64, I64]:
    """Points as complex numbers, each loop run on at both ends; where each point went; the
    length of its loop.
    """
    length = np.diff(edges.loops)
    padded = length + 2 * margin
    begin = np.cumsum(padded) - padded
    owner = np.repeat(np.arange(length.size), padded)
    within = np.arange(owner.size) - begin[owner] - margin
    z = edges.points[:, 0] + 1j * edges.points[:, 1]
    own = np.repeat(np.arange(length.size), length)
    core = begin[own] + margin + np.arange(own.size) - edges.loops[own]
    return z[edges.loops[owner] + within % length[owner]], core, length[own]


def _side(z: C128, here: I64, sign: int, skip: int, reach: int, stray: float) -> _Side:
    """Look along one side over ``reach`` points, or over fewer where it does not run on."""

    def at(k: int) -> C128:
        return z[here + sign * k]

    near = (at(skip) + at(skip + 1)) / 2.0
    far = (at(skip + reach) + at(skip + reach - 1)) / 2.0
    way = far - near
    inner = sum((at(skip + k) for k in range(2, reach - 1)), np.zeros(here.size)) / (reach - 3)
    middle = (near + far) / 2.0
    bow = np.abs((np.conj(way) * (inner - middle)).imag) / np.maximum(np.abs(way), 1e-9)
    bowed = bow > stray
    short = at(skip + 2) - at(skip)
    bent = np.abs((np.conj(short) * (at(skip + 1) - at(skip))).imag) > stray * np.abs(short)
    shortest = at(skip + 1) - at(skip)
    way = np.where(bowed, np.where(bent, shortest, short), way)
    middle = np.where(
        bowed,
        np.where(bent, (at(skip) + at(skip + 1)) / 2.0, (at(skip) + at(skip + 2)) / 2.0),
        middle,
    )
    beyond = at(skip + 2 * reach) - at(skip + reach)
    bend = np.angle(way * np.conj(beyond)) / np.maximum(np.abs(way) + np.abs(beyond), 1e-9) * 2.0
    # A side that bends bows already: one that does not only runs into the next corner.
    bends = bow > 0.25 * np.abs(bend) * np.abs(way) ** 2 / 12.0
    bend = np.where(~bowed & bends & (np.abs(bend) < _BEND), bend, 0.0)
    # Both sides are given in the direction of travel; bend is the turn per px toward the point.
    return _Side(middle, sign * way, bend, bow)


def _meeting(left: _Side, right: _Side) -> tuple[C128, C128, C128]:
    """Where the two sides meet, each carried on along its own curvature, and their ways there."""
    apex = _cross(left.middle, left.way, right.middle, right.way)
    ends = []
    for side, sign in ((left, 1.0), (right, -1.0)):
        size = np.maximum(np.abs(side.way), 1e-9)
        unit = sign * side.way / size
        reach = ((apex - side.middle) * np.conj(unit)).real
        offset = side.bend * (reach * reach / 2.0 - size * size / 24.0)
        ends.append(
            (
                side.middle + unit * (reach + 1j * offset),
                unit * np.exp(1j * side.bend * np.clip(reach, 0.0, 8.0)),
            )
        )
    better = _cross(*ends[0], *ends[1])
    return np.where(np.abs(better - apex) < 1.0, better, apex), ends[0][1], -ends[1][1]


def _cross(p: C128, u: C128, q: C128, v: C128) -> C128:
    """Where the line through ``p`` along ``u`` meets the one through ``q`` along ``v``."""
    area = (np.conj(u) * v).imag
    safe = np.where(np.abs(area) < 1e-9, np.inf, area)
    meeting: C128 = p + (np.conj(q - p) * v).imag / safe * u
    return meeting


def _as_long_as_inked(apex: C128, foot: C128, turn: F64, coverage: F32) -> C128:
    """Draw back tips that reach further beyond the edge than their ink does.

    A wedge thinner than a pixel still covers a share of it: the shares found on the way to
    the apex, over those a whole wedge would leave, say how much of it is there. In a notch
    paper and ink change places.
    """
    far = np.flatnonzero(np.abs(apex - foot) > 1.0)
    foot = foot[far]
    way = apex[far] - foot
    found, whole = np.zeros(far.size), np.zeros(far.size)
    slope = 2.0 / np.tan(np.maximum(np.abs(turn[far]), 0.1) / 2.0)
    for share in (0.2, 0.4, 0.6, 0.8):
        place = foot + share * way
        x = np.clip(place.real.astype(np.int64), 0, coverage.shape[1] - 1)
        y = np.clip(place.imag.astype(np.int64), 0, coverage.shape[0] - 1)
        seen = coverage[y, x]
        # Ink to the right hand: a turn to the right is a tip of ink, to the left a notch.
        found += np.where(turn[far] > 0.0, seen, 1.0 - seen)
        whole += np.minimum(slope * (1.0 - share) * np.abs(way), 1.0)
    drawn = apex.copy()
    there = found / np.maximum(whole, 1e-6)
    drawn[far] = foot + way * np.where(there > _TIP_SHARE, 1.0, np.clip(there, 0.0, 1.0))
    return drawn


def _off_edge(p: C128, z: C128, here: I64, skip: int) -> F64:
    """Distance of each ``p`` to the edge within ``skip`` points of its own point."""
    nearest = np.full(p.size, np.inf)
    for k in range(-skip, skip):
        a, b = z[here + k], z[here + k + 1]
        step = b - a
        t = ((p - a) * np.conj(step)).real / np.maximum(np.abs(step) ** 2, 1e-12)
        nearest = np.minimum(nearest, np.abs(p - a - np.clip(t, 0.0, 1.0) * step))
    return nearest


def _strongest(strength: F64, loops: I64, skip: int) -> I64:
    """Points whose strength no neighbour within reach on the same loop exceeds."""
    length = np.diff(loops)
    own = np.repeat(np.arange(length.size), length)
    within = np.arange(own.size) - loops[own]
    candidate = np.flatnonzero(strength > 0.0)
    best = np.ones(candidate.size, np.bool_)
    for k in range(1, skip + 1):
        for sign in (-1, 1):
            there = loops[own[candidate]] + (within[candidate] + sign * k) % length[own[candidate]]
            best &= strength[candidate] + (1e-9 if sign < 0 else 0.0) > strength[there]
    return candidate[best]


def _faithful(corner: I64, apex: C128, worst: F64, edges: Edges, strength: F64, skip: int) -> I64:
    """Drop corners that would cut away edge: what gives way must lie beside the new outline.

    Of neighbours too close to be told apart the stronger stays.
    """
    length = np.diff(edges.loops)
    z = edges.points[:, 0] + 1j * edges.points[:, 1]
    own = np.searchsorted(edges.loops, np.arange(z.size), side="right") - 1
    while corner.size:
        keep = clear(corner, edges.loops, skip)
        begin, size = edges.loops[own[corner]], length[own[corner]]
        order = np.argsort(corner)
        corner, begin, size = corner[order], begin[order], size[order]
        placed = z.copy()
        placed[corner] = apex[corner]
        wrong = np.zeros(corner.size, np.bool_)
        for sign in (-1, 1):
            # The nearest point that stays, on this side.
            other = corner
            open_ = np.ones(corner.size, np.bool_)
            for k in range(1, 2 * skip):
                there = begin + (corner - begin + sign * k) % size
                other = np.where(open_ & keep[there], there, other)
                open_ &= ~keep[there]
            step = placed[other] - placed[corner]
            for k in range(1, skip):
                gone = z[begin + (corner - begin + sign * k) % size] - placed[corner]
                t = (gone * np.conj(step)).real / np.maximum(np.abs(step) ** 2, 1e-12)
                off = np.abs(gone - np.clip(t, 0.0, 1.0) * step)
                wrong |= off > worst[corner] + 0.1
        if not wrong.any():
            return corner
        # A corner's fault may be its neighbour's: among neighbours only the weakest goes.
        at = np.flatnonzero(wrong)
        near = np.diff(corner[at], prepend=-(10**9)) > 2 * skip
        group = np.cumsum(near) - 1
        order = np.lexsort((strength[corner[at]], group))
        weakest = at[order[np.flatnonzero(np.diff(group[order], prepend=-1))]]
        corner = np.delete(corner, weakest)
    return corner
