"""Ruled lines made exact: found between corners and within smooth runs, squared up together.

A stretch is straight when its points lie about one line no further than noise throws them and
show no bow. Directions that nearly agree, or nearly make a right angle, are made to agree as
long as no end of a line moves by more than a share of the tolerance.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from inkclean.base.arrays import F64, I64, Bool, count_up, offsets_of
from inkclean.base.tiles import side_by_side
from inkclean.curves.outlines.outline import Runs, around_fixed, members, parts_of
from inkclean.curves.plane import as_complex, as_points, cross, length, unit

_PART = 16_384  # points of the stretches looked at side by side, or more
_CHUNK = 8  # points looked at together
# Chunks of a straight within a smooth run, 45 px: the curve draws a shorter one as well
_CHUNKS = 5
# px off its line that a straight's points may lie, beside three deviations of the noise
_OFF_PX = 0.07
_OFF_SHARE = 0.65  # and the share of the tolerance: squaring up uses the rest
_CORNER_PX = 0.45  # px more for a corner: the lines that meet there place it better
_BOW_PX = 0.05  # px that a straight may bow, beside two deviations of what noise makes of that
_SNAP_SHARE = 0.3  # of the tolerance that squaring up may move the end of a line by
_LIKE = np.deg2rad(0.4)  # directions further apart than this are meant to differ
_SQUARED_PX = 20.0  # px of the shortest line whose direction pulls others


@dataclass(frozen=True)
class _Straights:
    """Stretches from ``first`` to ``last`` (K,) and the lines through them: a point ``middle``
    and unit direction ``way``, both (K, 2).
    """

    first: I64
    last: I64
    middle: F64
    way: F64


def rule_lines(runs: Runs, noise: float) -> Runs:
    """Return ``runs`` with straight stretches reduced to their two ends, on an exact line."""
    fixed = np.flatnonzero(runs.fixed)
    real = ~np.isin(fixed[:-1], runs.last)
    first, last = fixed[:-1][real], fixed[1:][real]
    good, lines = _between_corners(runs, first, last, noise)
    first, last = first[~good], last[~good]
    # stretches are looked at each by itself: parts of them side by side
    shares = parts_of(offsets_of(last - first), _PART) if first.size else []
    inner = side_by_side(lambda some: _within(runs, first[some], last[some], noise), shares)
    lines = _Straights(
        *(
            np.concatenate([getattr(part, item.name) for part in (lines, *inner)])
            for item in fields(_Straights)
        )
    )
    if lines.first.size == 0:
        return runs
    lines = _square_up(lines, runs)
    return _reduce(runs, _place_ends(lines, runs), lines)


def _between_corners(runs: Runs, first: I64, last: I64, noise: float) -> tuple[Bool, _Straights]:
    """Which stretches from ``first`` to ``last`` are straight, and their lines."""
    points = runs.points
    # A sliver that runs out and back again is no line, however narrow.
    good = (length(points[last] - points[first]) > 0.5 * (last - first)) & (last - first >= 2)
    # Nor is what leaves its chord half-way: few are left to be looked at point by point.
    chords = _chords(points, first + 1, last - 1)
    good &= np.abs(_off(points[(first + last) // 2], chords)) < 3.0 * (_OFF_PX + 3.0 * noise)
    rows = np.flatnonzero(good)
    first, last = first[rows], last[rows]
    sides = _fit(points, first + 1, last - 1)
    limit = _limit(runs, sides, noise)
    fits = (last - first >= 4) & _is_straight(points, sides, limit, noise)
    for end in (first, last):
        fits &= np.abs(_off(points[end], sides)) < _OFF_PX + 3.0 * noise + _CORNER_PX
    chords = _chords(points, first, last)
    brief = (last - first < 4) & runs.corner[first] & runs.corner[last]
    for point in (points[first + 1], points[last - 1]):
        brief &= np.abs(_off(point, chords)) < limit
    middle = np.where(brief[:, None], chords.middle, sides.middle)
    way = np.where(brief[:, None], chords.way, sides.way)
    fits |= brief
    good[rows] = fits
    return good, _Straights(first[fits], last[fits], middle[fits], way[fits])


def _limit(runs: Runs, lines: _Straights, noise: float) -> F64:
    """How far the points of each of ``lines`` may lie off it, px."""
    if lines.first.size == 0:
        return np.zeros(0)
    place, owner = members(lines.first, lines.last)
    begin = np.flatnonzero(np.diff(owner, prepend=-1))
    least = np.minimum.reduceat(runs.most[place], begin)
    limit: F64 = np.minimum(_OFF_SHARE * least, _OFF_PX + 3.0 * noise)
    return limit


def _off(points: F64, lines: _Straights) -> F64:
    return cross(lines.way, points - lines.middle)


def _fit(points: F64, first: I64, last: I64) -> _Straights:
    """Least-squares lines through the points from ``first`` to ``last`` inclusive."""
    last = np.maximum(last, first)
    z = as_complex(points)
    place, owner = members(first, last)
    count = (last - first + 1).astype(np.float64)
    begin = np.cumsum(last - first + 1) - (last - first + 1)
    local = z[place] - z[first][owner]
    if place.size == 0:
        return _Straights(first, last, points[first], points[first])
    mean = np.add.reduceat(local, begin) / count
    local = local - mean[owner]
    # The square of a complex direction has twice its angle: its sum points along the line.
    doubled = np.add.reduceat(local * local, begin)
    way = np.exp(0.5j * np.angle(doubled))
    onward = z[last] - z[first]
    way = np.where((np.conj(way) * onward).real < 0.0, -way, way)
    return _Straights(first, last, as_points(mean + z[first]), as_points(way))


def _chords(points: F64, first: I64, last: I64) -> _Straights:
    start, end = points.take(first, axis=0), points.take(last, axis=0)
    return _Straights(first, last, (start + end) / 2.0, unit(end - start))


def _is_straight(points: F64, lines: _Straights, limit: F64, noise: float) -> Bool:
    if lines.first.size == 0:
        return np.zeros(0, np.bool_)
    place, owner = members(lines.first, lines.last)
    begin = np.flatnonzero(np.diff(owner, prepend=-1))
    local = np.conj(as_complex(lines.way)[owner]) * (
        as_complex(points)[place] - as_complex(lines.middle)[owner]
    )
    count = np.bincount(owner)
    worst = np.maximum.reduceat(np.abs(local.imag), begin)
    half = np.maximum(np.maximum.reduceat(np.abs(local.real), begin), 1e-9)
    # Second Legendre polynomial: what is left of it is the bow, the rise over half the length.
    along = local.real / half[owner]
    shape = 1.5 * along * along - 0.5
    weight = np.maximum(np.add.reduceat(shape * shape, begin), 1e-9)
    bow = 1.5 * np.abs(np.add.reduceat(shape * local.imag, begin)) / weight
    straight: Bool = worst < limit
    return straight & (bow < _BOW_PX + 2.0 * 1.5 * noise * np.sqrt(5.0 / np.maximum(count, 1)))


def _within(runs: Runs, first: I64, last: I64, noise: float) -> _Straights:
    """Straights inside the smooth stretches given: flat windows, put together and lengthened."""
    points = runs.points
    pieces = np.maximum((last - first - 3) // _CHUNK, 0)
    owner = np.repeat(np.arange(first.size), pieces)
    nth = count_up(pieces)
    start = first[owner] + 2 + nth * _CHUNK
    if start.size < _CHUNKS:
        return _fit(points, start[:0], start[:0])
    head = start[: start.size - _CHUNKS + 1]

    def straight(lines: _Straights) -> Bool:
        return _is_straight(points, lines, _limit(runs, lines, noise), noise)

    single = straight(_fit(points, start, start + _CHUNK))
    runs_on = np.convolve(single, np.ones(_CHUNKS, np.int64), "valid") == _CHUNKS
    whole = (owner[: head.size] == owner[_CHUNKS - 1 :]) & runs_on
    windows = head[whole]
    flat = np.zeros(start.size, np.bool_)
    flat[np.flatnonzero(whole)] = straight(_fit(points, windows, windows + _CHUNK * _CHUNKS))
    # Windows that overlap make one stretch.
    begins = flat & ~(np.concatenate(([False], flat[:-1])) & (np.diff(owner, prepend=-1) == 0))
    ends = flat & ~(np.concatenate((flat[1:], [False])) & (np.diff(owner, append=-1) == 0))
    low, high = start[begins], start[ends] + _CHUNK * _CHUNKS
    lines = _fit(points, low, high)
    good = straight(lines)
    if not good.any():
        return _fit(points, start[:0], start[:0])
    low, high, own = low[good], high[good], owner[begins][good]
    lines = _fit(points, low, high)
    for _ in range(_CHUNK):
        further = np.maximum(low - 1, first[own] + 1)
        low = np.where(np.abs(_off(points[further], lines)) < _OFF_PX, further, low)
        further = np.minimum(high + 1, last[own] - 1)
        high = np.where(np.abs(_off(points[further], lines)) < _OFF_PX, further, high)
    apart = np.concatenate(([True], low[1:] > high[:-1]))
    return _Straights(low[apart], high[apart], lines.middle[apart], lines.way[apart])


def _square_up(lines: _Straights, runs: Runs) -> _Straights:
    """Turn lines about their middles to the directions they share, right angles included."""
    size = length(runs.points[lines.last] - runs.points[lines.first])
    angle = np.angle(as_complex(lines.way))
    quarter = np.pi / 2.0
    residue = np.mod(angle, quarter)
    shared = residue.copy()
    # Each line moves to the weighted mean of those like it, until they meet (mean shift:
    # Cheng, IEEE TPAMI 17(8), 1995).
    order = np.argsort(residue)
    base = np.concatenate((residue[order] - quarter, residue[order], residue[order] + quarter))
    weight = np.tile(np.where(size > _SQUARED_PX, size, 0.0)[order], 3)
    sums = np.concatenate(([0.0], np.cumsum(weight)))
    moments = np.concatenate(([0.0], np.cumsum(weight * base)))
    for _ in range(6):
        low = np.searchsorted(base, shared - _LIKE)
        high = np.searchsorted(base, shared + _LIKE, side="right")
        total = sums[high] - sums[low]
        mean = (moments[high] - moments[low]) / np.maximum(total, 1e-12)
        shared = np.where(total > 0.0, mean, shared)
    turn = shared - residue
    allowed = _SNAP_SHARE * np.minimum(runs.most[lines.first], runs.most[lines.last])
    turn = np.where(np.abs(turn) * size / 2.0 <= allowed, turn, 0.0)
    return replace(lines, way=as_points(np.exp(1j * (angle + turn))))


def _place_ends(lines: _Straights, runs: Runs) -> F64:
    """Put every end of a line on it; a corner between two lines where they cross."""
    z, way, middle = (as_complex(part) for part in (runs.points, lines.way, lines.middle))
    into = np.full(z.size, -1)
    out = np.full(z.size, -1)
    into[lines.last] = np.arange(lines.last.size)
    out[lines.first] = np.arange(lines.first.size)
    into[runs.first] = into[runs.last]
    out[runs.last] = out[runs.first]
    placed = z.copy()
    for which in (into, out):
        at = np.flatnonzero(which >= 0)
        line = which[at]
        placed[at] += -1j * way[line] * (np.conj(way[line]) * (z[at] - middle[line])).imag
    both = np.flatnonzero((into >= 0) & (out >= 0))
    a, b = into[both], out[both]
    area = (np.conj(way[a]) * way[b]).imag
    slanted = np.abs(area) > 0.1
    both, a, b, area = both[slanted], a[slanted], b[slanted], area[slanted]
    along = (np.conj(middle[b] - middle[a]) * way[b]).imag / area
    meeting = middle[a] + along * way[a]
    near = np.abs(meeting - z[both]) < 1.0
    placed[both[near]] = meeting[near]
    return as_points(placed)


def _reduce(runs: Runs, placed: F64, lines: _Straights) -> Runs:
    """Drop the points within lines; what is left is renumbered."""
    keep = np.ones(len(placed), np.bool_)
    inside, _ = members(lines.first + 1, lines.last - 1)
    keep[inside] = False
    fixed = runs.fixed.copy()
    fixed[lines.first] = fixed[lines.last] = True
    line = runs.line.copy()
    line[lines.first] = True
    number = np.cumsum(keep) - 1
    low, high = around_fixed(fixed[keep])
    lengths = runs.last - runs.first + 1
    touched = np.logical_or.reduceat(line, runs.first)
    return replace(
        runs,
        points=placed[keep],
        tolerance=runs.tolerance[keep],
        most=runs.most[keep],
        first=number[runs.first],
        last=number[runs.last],
        fixed=fixed[keep],
        corner=runs.corner[keep],
        line=line[keep],
        low=low,
        high=high,
        around=(runs.around & ~np.repeat(touched, lengths))[keep],
    )
