"""True corners found and restored before anything is fitted.

A raster rounds every corner within about a px. Whether there is one a small network tells
(``judge.py``), and about where. If its two sides run on undisturbed and meet near there, the
corner is the place where they meet; it is single and sharp. Perceived corners:
Hoshyari et al., Perception-driven semi-structured boundary vectorization, ACM TOG 37(4),
2018, doi:10.1145/3197517.3201312; the measures here are our own.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from inkclean.base.arrays import F32, F64, I64, Bool
from inkclean.base.tiles import side_by_side, strips
from inkclean.curves.outlines.edges import InkEdges
from inkclean.curves.outlines.judge import judge
from inkclean.curves.outlines.outline import InkOutline, parts_of
from inkclean.curves.outlines.placing import (
    Corners,
    draw_back,
    keep_clear,
    place_corners,
    same_size,
    take_in_specks,
)
from inkclean.curves.outlines.surroundings import REACH, look_around
from inkclean.curves.plane import as_complex, as_points, cross, length, rows_of, turn, unit

# where a corner may be
_TURN = 0.25  # tangent of the least turn within the points that give way to a corner
_DOT = 40  # points of the longest loop that may be a dot, which has no corner
_DOT_PX = 0.12  # px off an ellipse that a dot's points lie at most, beside the noise twice
_PART = 16_384  # points of the loops worked on at once, or more
_AT_ONCE = 1024  # points looked at together: what lies about them stays in the cache
# log-odds from which on it is one; round ends 2.8 px wide have -1.0 at most, square -0.5 at least
_ODDS = -0.75
_ODDS_BLUR = 1.5  # more of them for each px of blur
_ODDS_LINES = -3.0  # log-odds that are enough between two exact lines
_ODDS_TIP = -2.5  # log-odds that are enough at a tip: where pixels broke one up, little is seen
_ODDS_LEAST = 0.01  # strength of a corner that is one by its sides alone
# exact lines and tips
_LINES_TURN = np.deg2rad((35.0, 60.0))  # turn of two lines whose corner shows but little
_LINE_PX = 0.015  # px that an exact line leaves its chord by at most
_TOLD_PX = 0.4  # px from the network's corner within which two lines must meet
_TIP_TURN = np.deg2rad(150.0)  # turn of two sides that close in on each other
# ends of lines: where edges are blurred, round and square ones look alike, and a pen leaves round
_ROUND_BLUR = 0.3  # px of blur from which on they do
_END_STEPS = 7  # points between the two corners of an end, at most
_END_TURN = np.deg2rad(150.0)  # turn of the edge, which runs back beside itself
# one corner, and one place for it
_BESIDE = 3  # points along the edge within which two may tell of one corner
_SAME_PX = 1.7  # px between the places that they tell of
_TRUST = 0.15  # px from the network's corner within which the sides' meeting is believed
_TRUST_SHARE = 0.1  # more of them for each px from the corner to the edge
_BLUNT_PX = 0.70  # px that the new outline may run off the edge, across the corner
_BLUNT_BLUR = 0.45  # more of them for each px of blur
_NARROW = 0.12  # cosine of half the turn at the sharpest tip, 14 degrees: finer ones count as this
# sides
_STRAY_PX = 0.07  # px off its chord, beside the noise twice: beyond, less of a side is looked at
_CLEAN = 3.0  # weight of a side's px off its chord against the corner found from it
_FEW = 0.1  # px off its chord that a side looked at over two points alone counts as
_BEND = 0.12  # tightest curvature along which a side is carried on to its corner, 1/px


@dataclass(frozen=True)
class _Side:
    """One side of every point: its middle and its way onto (or off) the point, (C, 2) px, its
    curvature, how far it leaves its chord, and how far over the part that is ``used``.
    """

    middle: F64
    way: F64
    bend: F64
    bow: F64
    used: F64


def restore_corners(edges: InkEdges, coverage: F32) -> InkOutline:
    """Return the outline of ``edges`` of ``coverage`` with its corners where their sides meet."""
    return find_corners(edges, coverage).restored()


def find_corners(edges: InkEdges, coverage: F32) -> Corners:
    """Return the corners of ``edges``, found in ``coverage`` (H, W)."""
    skip = _skip(edges)
    if edges.loops.size == 1:
        return Corners(edges, np.zeros(0, np.int64), edges.points.copy(), skip)
    parts = parts_of(edges.loops, _PART)
    found = side_by_side(lambda part: _found(edges.only(part), coverage, skip), parts)
    corner = np.concatenate(
        [at + edges.loops[part.start] for part, (at, _) in zip(parts, found, strict=True)]
    )
    apex = np.concatenate([places for _, places in found])
    edges, corner, apex, tips = take_in_specks(edges, corner, apex, skip)
    corner = draw_back(edges, corner, apex, skip, tips)
    outline, keep, kept = place_corners(edges, corner, apex, skip)
    spoilt = ~same_size(edges, outline[keep], kept)
    loop = np.searchsorted(edges.loops, corner, side="right") - 1
    return Corners(edges, corner[~spoilt[loop]], apex, skip)


def _found(edges: InkEdges, coverage: F32, skip: int) -> tuple[I64, F64]:
    """Return the corners (C,) of some loops, and where all points (N, 2) belong then."""
    apex = edges.points.copy()
    strength = np.zeros(edges.points.shape[0])
    worst = np.zeros(strength.size)
    told = apex.copy()
    points, core, at = turning(edges)
    odds, told[at] = _judge_turns(edges, coverage, points, core[at])
    strength[at] = np.maximum(odds - _ODDS - _ODDS_BLUR * edges.blur, 0.0)
    unsure = np.flatnonzero((odds > _ODDS_LINES) & (strength[at] == 0.0))
    doubtful = at[unsure]
    lines, pointed = _between_sides(edges, points, core[doubtful], rows_of(told, doubtful), skip)
    pointed &= odds[unsure] > _ODDS_TIP + _ODDS_BLUR * edges.blur
    strength[doubtful[lines | pointed]] = _ODDS_LEAST
    corner = _strongest(strength, told, edges.loops)
    if edges.blur > _ROUND_BLUR:
        corner = corner[~_ends(edges, corner)]
    apex[corner], worst[corner] = _places(edges, points, core[corner], rows_of(told, corner), skip)
    # Nothing is drawn beyond the page.
    height, width = coverage.shape
    apex = np.clip(apex, 0, (width, height))
    return _faithful(corner, apex, worst, edges, strength, skip), apex


def _judge_turns(edges: InkEdges, coverage: F32, points: F64, here: I64) -> tuple[F32, F64]:
    """Log-odds (C,) that those ``here`` (C,) of ``points`` are a corner's, its places (C, 2) px."""
    odds, told = np.empty(here.size, np.float32), np.empty((here.size, 2))

    def ask(some: slice) -> None:
        about = look_around(points, here[some], coverage, edges.blur, edges.noise)
        verdict = judge(about.values)
        odds[some] = verdict[:, 0]
        told[some] = points.take(here[some], axis=0) + about.from_frame(
            verdict[:, 1:].astype(np.float64)
        )

    for some in strips(here.size, _AT_ONCE):
        ask(some)
    return odds, told


def _between_sides(
    edges: InkEdges, points: F64, here: I64, told: F64, skip: int
) -> tuple[Bool, Bool]:
    """Whether the sides of those ``here`` (C,) of ``points`` meet where these are ``told`` to have
    a corner: two exact lines at a blunt angle, which half-way between two points of the edge
    shows but little; and two that run to a tip.
    """
    reach = _reach(edges)
    left, right = (_side(points, here, sign, skip, reach, _STRAY_PX) for sign in (-1, 1))
    by = np.abs(turn(left.way, right.way))
    off = length(_meeting(left, right) - told)
    bow = np.maximum(left.bow, right.bow)
    lines = (bow < _LINE_PX) & (by > _LINES_TURN[0]) & (by < _LINES_TURN[1])
    far = _TRUST + _TRUST_SHARE * length(told - points.take(here, axis=0))
    tips = (bow < _STRAY_PX) & (by > _TIP_TURN) & (off < far)
    return np.asarray(lines & (off < _TOLD_PX)), np.asarray(tips)


def _ends(edges: InkEdges, corner: I64) -> Bool:
    """Whether each ``corner`` (C,), in the order of the points, is one of two at a line's end."""
    if corner.size == 0:
        return np.zeros(0, np.bool_)
    points = edges.points
    own = np.searchsorted(edges.loops, corner, side="right") - 1
    begin, size = edges.loops[own], np.diff(edges.loops)[own]
    # The next one on the same loop: after the last comes the first.
    last = np.append(own[1:] != own[:-1], True)
    first = np.flatnonzero(np.append(True, last[:-1]))
    after = np.where(
        last, np.repeat(first, np.diff(np.append(first, own.size))), np.arange(own.size) + 1
    )
    steps = (corner[after] - corner) % size

    def at(place: I64, step: int) -> F64:
        return points.take(begin + (place - begin + step) % size, axis=0)

    into = at(corner, -3) - at(corner, -7)
    out = at(corner[after], 7) - at(corner[after], 3)
    end = (steps > 0) & (steps <= _END_STEPS) & (size > 4 * _END_STEPS)
    end &= np.abs(turn(into, out)) > _END_TURN
    end &= cross(into, points[corner[after]] - points[corner]) > 0.0  # of ink, not of paper
    ends = end.copy()
    ends[after[end]] = True
    return ends


def _places(edges: InkEdges, points: F64, corner: I64, told: F64, skip: int) -> tuple[F64, F64]:
    """Where each ``corner`` (C,) of ``points`` lies, (C, 2) px: where its sides meet, if that is
    about the place ``told``; and how far from the edge the new outline may run, px.
    """
    reach = _reach(edges)
    stray = _STRAY_PX + 2.0 * edges.noise
    apex, least = told.copy(), np.full(corner.size, np.inf)
    narrow = np.ones(corner.size)
    # Of the points beside a corner, one may have both its sides free of the rounding.
    for step in (0, -1, 1):
        here = corner + step
        left, right = (_side(points, here, sign, skip, reach, stray) for sign in (-1, 1))
        meeting = _meeting(left, right)
        away = length(meeting - told)
        off = away + _CLEAN * (left.used + right.used)
        trusted = away < _TRUST + _TRUST_SHARE * length(told - points.take(corner, axis=0))
        better = trusted & (off < least)
        apex[better], least[better] = meeting[better], off[better]
        if step == 0:
            by = np.abs(turn(left.way, right.way))
            narrow = np.maximum(np.cos(by / 2.0), _NARROW)
    return apex, (_BLUNT_PX + _BLUNT_BLUR * edges.blur) / narrow


def turning(edges: InkEdges) -> tuple[F64, I64, I64]:
    """Points (P, 2) px, each loop run on at both ends; where each point went; those points at
    which the edge turns enough for a corner.
    """
    skip = _skip(edges)
    points, core = _wrapped(edges, max(REACH, skip + 2 * _reach(edges) + 3))
    turns = _turns(points, skip)[core]
    return points, core, np.flatnonzero(turns & np.repeat(~_dots(edges), np.diff(edges.loops)))


def _dots(edges: InkEdges) -> Bool:
    """Which loops (L,) are small and follow an ellipse of their own second moments: they have
    no corner.
    """
    count, begin = np.diff(edges.loops), edges.loops[:-1]
    points = edges.points.astype(np.float32)

    def mean(values: F32) -> F32:
        return np.asarray(np.add.reduceat(values, begin) / count, np.float32)

    x, y = (points[:, axis] - np.repeat(mean(points[:, axis]), count) for axis in (0, 1))
    xx, xy, yy = (np.repeat(mean(product), count) for product in (x * x, x * y, y * y))
    area = np.maximum(xx * yy - xy * xy, np.float32(1e-6))
    size = np.sqrt((yy * x * x - 2.0 * xy * x * y + xx * y * y) / (2.0 * area))
    off = np.abs(size - 1.0) * np.hypot(x, y)
    near = _DOT_PX + 2.0 * edges.noise
    dots: Bool = (np.maximum.reduceat(off, begin) < near) & (count <= _DOT)
    return dots


def _skip(edges: InkEdges) -> int:
    """How many points to either side of a corner are rounded by it."""
    return 2 + round(0.8 * edges.blur)


def _reach(edges: InkEdges) -> int:
    """Over how many points a side is looked along."""
    return 4 + round(edges.blur)


def _turns(points: F64, skip: int) -> Bool:
    """Where the turn within ``skip`` points could make a corner at all."""
    z = as_complex(points)
    step = z[skip:] - z[:-skip]
    product = step[skip:] * np.conj(step[:-skip])
    turns = np.zeros(z.size, np.bool_)
    turns[skip:-skip] = np.abs(product.imag) > _TURN * product.real
    return turns


def _wrapped(edges: InkEdges, margin: int) -> tuple[F64, I64]:
    """Points (P, 2) px, each loop run on at both ends; where each point went."""
    size = np.diff(edges.loops)
    padded = size + 2 * margin
    begin = np.cumsum(padded) - padded
    owner = np.repeat(np.arange(size.size), padded)
    within = np.arange(owner.size) - begin[owner] - margin
    own = np.repeat(np.arange(size.size), size)
    core = begin[own] + margin + np.arange(own.size) - edges.loops[own]
    return edges.points.take(edges.loops[owner] + within % size[owner], axis=0), core


def _side(points: F64, here: I64, sign: int, skip: int, reach: int, stray: float) -> _Side:
    """Look along one side over ``reach`` points, or over fewer where it does not run on."""

    z = as_complex(points)

    @cache
    def at(k: int) -> Any:
        return z.take(here + sign * k)

    near = (at(skip) + at(skip + 1)) / 2.0
    far = (at(skip + reach) + at(skip + reach - 1)) / 2.0
    way = far - near
    inner = sum((at(skip + k) for k in range(2, reach - 1)), np.zeros(here.size)) / (reach - 3)
    middle = (near + far) / 2.0
    bow = np.abs((np.conj(way) * (inner - middle)).imag) / np.maximum(np.abs(way), 1e-9)
    bowed = bow > stray
    short = at(skip + 2) - at(skip)
    off = np.abs((np.conj(short) * (at(skip + 1) - at(skip))).imag)
    off /= np.maximum(np.abs(short), 1e-9)
    bent = off > stray
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
    used = np.where(bowed, np.where(bent, _FEW, off), bow)
    return _Side(as_points(middle), as_points(sign * way), bend, bow, used)


def _meeting(left: _Side, right: _Side) -> F64:
    """Where (C, 2) the two sides meet, each carried on along its own curvature."""
    apex = _crossing(left.middle, left.way, right.middle, right.way)
    ends = []
    for side, sign in ((left, 1.0), (right, -1.0)):
        size = np.maximum(length(side.way), 1e-9)
        onward = as_complex(unit(sign * side.way))
        reach = (as_complex(apex - side.middle) * np.conj(onward)).real
        offset = side.bend * (reach * reach / 2.0 - size * size / 24.0)
        turned = onward * np.exp(1j * side.bend * np.clip(reach, 0.0, 8.0))
        carried = side.middle + as_points(onward * (reach + 1j * offset))
        ends.append((carried, as_points(turned)))
    better = _crossing(*ends[0], *ends[1])
    return np.where((length(better - apex) < 1.0)[:, None], better, apex)


def _crossing(p: F64, u: F64, q: F64, v: F64) -> F64:
    """Where (C, 2) the line through ``p`` along ``u`` meets that through ``q`` along ``v``."""
    area = cross(u, v)
    safe = np.where(np.abs(area) < 1e-9, np.inf, area)
    meeting: F64 = p + (cross(q - p, v) / safe)[:, None] * u
    return meeting


def _strongest(strength: F64, told: F64, loops: I64) -> I64:
    """Points that are the strongest of those beside them that tell of the same corner."""
    count = np.diff(loops)
    candidate = np.flatnonzero(strength > 0.0)
    own = np.searchsorted(loops, candidate, side="right") - 1
    begin, size = loops[own], count[own]
    own_told, own_strength = told.take(candidate, axis=0), strength.take(candidate)
    best = np.ones(candidate.size, np.bool_)
    for k in range(1, _BESIDE + 1):
        for sign in (-1, 1):
            there = begin + (candidate - begin + sign * k) % size
            other = length(told.take(there, axis=0) - own_told) > _SAME_PX
            best &= other | (own_strength + (1e-9 if sign < 0 else 0.0) > strength.take(there))
    return candidate[best]


def _faithful(corner: I64, apex: F64, worst: F64, edges: InkEdges, strength: F64, skip: int) -> I64:
    """Drop corners that would cut away edge: what gives way must lie beside the new outline.

    Of neighbours too close to be told apart the stronger stays.
    """
    count, points = np.diff(edges.loops), edges.points
    own = np.repeat(np.arange(count.size), count)
    while corner.size:
        keep = keep_clear(corner, edges.loops, skip)
        begin, size = edges.loops[own[corner]], count[own[corner]]
        order = np.argsort(corner)
        corner, begin, size = corner[order], begin[order], size[order]
        placed = points.copy()
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
            step = placed.take(other, axis=0) - placed.take(corner, axis=0)
            for k in range(1, skip):
                gone = points.take(begin + (corner - begin + sign * k) % size, axis=0)
                gone -= placed.take(corner, axis=0)
                t = (as_complex(gone) * np.conj(as_complex(step))).real / np.maximum(
                    length(step) ** 2, 1e-12
                )
                off = length(gone - np.clip(t, 0.0, 1.0)[:, None] * step)
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
