"""Where the edge lies on the grid line it crosses, from the profile of coverage along it.

Linear interpolation of area coverage misplaces an upright edge by up to 0.086 px. What area
does keep, under any even blur, is the sum along the profile: where the profile runs from full
ink to bare paper, or out of paper through a thin line into paper again, the sums give the
edge exactly.

A picture's profile is seldom so even: what lifts faint grey to bare paper, or takes noise off
it, takes from the sum but leaves the middle of the slope where it was. Where edges are blurred
enough for cubic interpolation to follow them, the half-way level is therefore truer (Keys, IEEE
TASSP 29, 1981, doi:10.1109/TASSP.1981.1163711).
"""

from __future__ import annotations

import numpy as np

from inkclean.base.arrays import F32, F64, I64, Bool, median
from inkclean.base.compiled import compiled

_loops = compiled("inkclean.curves.outlines._loops")

PAD = 6  # px of paper laid around the picture: the profiles reach so far
# Share of the step over 2 px from the edge: its sum is trusted from not at all to wholly
_FULL = (0.85, 0.95)
_BARE = (0.10, 0.04)  # the same for the paper on both sides of a thin line
_SOLID = (0.1, 0.3)  # lesser of the two fullest px of a thin line: below, no solid ink lies between
# Median step astride an edge: from level alone to sums alone (bare coverage 0.75, blurred 0.556)
_SHARP = (0.58, 0.65)
# Slope of the cubic's ends, share of their neighbours' step: OpenCV's own, as the bitmap has
_CUBIC = 0.75
_ROUNDS = 3  # Newton steps to the level: a fourth moves nothing by more than 0.001 px
# Slope against its grid line from which an edge is left to the crossings the other way
_ASLANT = 1.1


def edge_places(flat: F32, width: int, rows: I64, columns: I64) -> tuple[Bool, F64, F32, float]:
    """Measure each crossing: between pixel ``rows`` and the next along the row, and likewise.

    Returns:
        ``aslant`` (N,): the edge runs more along this grid line than across it; ``place`` (N,)
        px from the first pixel's centre; ``room`` (N,) px to the nearest other crossing on the
        grid line, foreshortened; the median step between the pixels astride
        the edge where it is not aslant.
    """
    ways = ((rows, 1, width), (columns, width, 1))
    aslant, facing, astride = (
        np.concatenate(part) for part in zip(*(_lie(flat, *way) for way in ways), strict=True)
    )
    steep = float(median(astride[~aslant])) if not aslant.all() else 1.0
    sharp = float(np.clip((steep - _SHARP[0]) / (_SHARP[1] - _SHARP[0]), 0.0, 1.0))
    along = [_place(flat, first, step, sharp) for first, step, _ in ways]
    upright = np.argsort(columns % width * (flat.size // width) + columns // width)
    rooms = [
        _room(rows + along[0]),
        np.empty(columns.size),
    ]
    by_column = columns % width * (flat.size // width + PAD) + columns // width + along[1]
    rooms[1][upright] = _room(by_column[upright])
    room = np.concatenate(rooms) * facing
    return aslant, np.concatenate(along), room.astype(np.float32), steep


def _room(position: F64) -> F64:
    gaps = np.diff(position, prepend=-np.inf, append=np.inf)
    nearest: F64 = np.minimum(gaps[1:], gaps[:-1])
    return np.minimum(nearest, 1e6)


def _lie(flat: F32, first: I64, step: int, across: int) -> tuple[Bool, F32, F32]:
    """Whether each edge runs aslant, the cosine of its slant, and the step astride it (N,)."""
    if _loops is None:
        return lie_by_numpy(flat, first, step, across)
    facing, astride, slant = (np.empty(first.size, np.float32) for _ in range(3))
    _loops.lie(flat, first, facing, astride, slant, step, across)
    return slant > np.float32(_ASLANT), facing, astride


def lie_by_numpy(flat: F32, first: I64, step: int, across: int) -> tuple[Bool, F32, F32]:
    """Return what ``_lie`` does."""
    inward = np.where(flat[first] > 0.5, -step, step)
    base = np.where(inward < 0, first, first + step)
    astride = flat[base] - flat[base - inward]
    beyond = flat[base + inward] - flat[base - 2 * inward]
    other = flat[first + across] - flat[first - across]
    other += flat[first + step + across] - flat[first + step - across]
    slant = np.abs(other) / np.maximum(np.maximum(astride + beyond, 2.0 * astride), 1e-6)
    facing = 1.0 / np.sqrt(1.0 + slant * slant)
    return slant > _ASLANT, facing.astype(np.float32), astride


def _place(flat: F32, first: I64, step: int, sharp: float) -> F64:
    """Px from each ``first`` pixel's centre to the edge; ``sharp`` is the weight of the sums."""
    if sharp == 0.0:
        return _level(flat, first, step).astype(np.float64)
    ink_first = flat[first] > 0.5
    base = np.where(ink_first, first, first + step)
    inward = np.where(ink_first, -step, step)
    into = [flat[base + inward * k] for k in range(2)]
    out = [flat[base - inward * k] for k in (1, 2)]
    place = (into[0] - 0.5) / (into[0] - out[0])
    trust = _ramp(np.minimum(into[1], 1.0 - out[1]), *_FULL)
    place += trust * (into[1] + into[0] + out[0] + out[1] - 1.5 - place)
    rest = np.flatnonzero(trust < 1.0)
    place[rest] = _thin(flat, base[rest], inward[rest], place[rest])
    found: F64 = np.where(ink_first, place, 1.0 - place).astype(np.float64)
    if sharp < 1.0:
        found += (1.0 - sharp) * (_level(flat, first, step) - found)
    return found


def _level(flat: F32, first: I64, step: int) -> F32:
    """Px from each ``first`` pixel's centre to where the cubic through the profile is 0.5 (N,)."""
    if _loops is None:
        return level_by_numpy(flat, first, step)
    place = np.empty(first.size, np.float32)
    _loops.level(flat, first, place, step, _CUBIC, _ROUNDS)
    return place


def level_by_numpy(flat: F32, first: I64, step: int) -> F32:
    """Return what ``_level`` does."""
    before, near, far, after = (flat[first + step * k] - np.float32(0.5) for k in (-1, 0, 1, 2))
    rise = far - near
    start, end = (far - before) * np.float32(_CUBIC), (after - near) * np.float32(_CUBIC)
    square = 3.0 * rise - 2.0 * start - end
    cube = start + end - 2.0 * rise
    place = np.asarray(-near / rise, np.float32)
    for _ in range(_ROUNDS):
        value = ((cube * place + square) * place + start) * place + near
        slope = (3.0 * cube * place + 2.0 * square) * place + start
        # Beside a ridge the cubic may run flat: there the straight slope leads.
        slope = np.where(slope * rise > np.float32(0.3) * rise * rise, slope, rise)
        place = np.clip(place - value / slope, np.float32(0.0), np.float32(1.0))
    return place


def _thin(flat: F32, base: I64, inward: I64, place: F32) -> F32:
    """Move ``place`` to where the whole profile of a thin line, or a thin gap, puts it.

    Inside a thin line the two neighbouring pixels that are fullest have solid ink along their
    common side: what lies outward of that side is the way to the edge. A line within a single
    pixel is put evenly about its centre.
    """
    line = [flat[base + inward * k] for k in range(-2, 5)]
    for sign in (1, -1):
        total = line[0] + line[1] + line[2]
        moment = 2.0 * line[0] + line[1]
        bare = _ramp(line[0], *_BARE)
        fullest = line[1] + line[2]
        solid = np.minimum(line[1], line[2])
        edge = line[0] + line[1] + np.float32(0.5)
        over = line[2] < 0
        for k in (1, 2, 3, 4):
            value = np.where(over, 0.0, line[k + 2]).astype(np.float32)
            pair = line[k + 1] + value
            better = ~over & (pair > fullest)
            edge = np.where(better, total - (k - 0.5), edge)
            solid = np.where(better, np.minimum(line[k + 1], value), solid)
            fullest = np.where(better, pair, fullest)
            total += value
            moment -= k * value
            ends = ~over & (value < _BARE[0])
            trust = np.where(ends, bare * _ramp(value, *_BARE), 0.0)
            middle = moment / np.maximum(total, 1e-6) + total / 2.0
            found = middle + _ramp(solid, *_SOLID) * (edge - middle)
            place = place + trust * ((found if sign > 0 else 1.0 - found) - place)
            over |= ends
        line = [1.0 - flat[base - inward * k] for k in range(-1, 6)]
    return place


def _ramp(value: F32, low: float, high: float) -> F32:
    """Return 0 at ``low``, 1 at ``high``, straight between, held outside."""
    ramp: F32 = np.clip((value - np.float32(low)) / np.float32(high - low), 0.0, 1.0)
    return ramp
