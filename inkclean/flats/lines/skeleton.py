"""The ink thinned to lines one pixel wide, its ends, and walks along it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, I32, I64, U8, Bool
from inkclean.flats.rasters import depth, dilated, square

# Neighbours clockwise from north, as (row, column); bit k of a code is neighbour k.
RING = ((-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1))

# A branch shorter than this many radii of the line it grows from is a horn of the thinning.
HORN_RADII = 1.6
STUMP_PX = 1.5  # one that stands out of the line's edge by more is the stump of a stroke
HORN_ROUNDS = 3


def _ring_bits() -> Bool:
    return np.asarray((np.arange(256)[:, None] >> np.arange(8)) & 1 == 1)


def _crossings() -> U8:
    bits = _ring_bits()
    return np.asarray((~bits & np.roll(bits, -1, axis=1)).sum(axis=1), np.uint8)


def _deletable() -> tuple[Bool, Bool]:
    bits = _ring_bits()
    count, crossings = bits.sum(axis=1), _crossings()
    north, east, south, west = bits[:, 0], bits[:, 2], bits[:, 4], bits[:, 6]
    common = (count >= 2) & (count <= 6) & (crossings == 1)
    first = common & ~(north & east & south) & ~(east & south & west)
    second = common & ~(north & east & west) & ~(north & south & west)
    return first, second


CROSSINGS = _crossings()
COUNTS = _ring_bits().sum(axis=1).astype(np.uint8)
_PASSES = _deletable()


@dataclass(frozen=True)
class Lines:
    """The ink as lines.

    ``on`` is (H, W) uint8, 1 on the thinned line, with an empty border one pixel wide, so that
    ``flat`` positions (row · W + column) have all eight neighbours; ``radius`` is (H, W)
    float32: distance in pixels from each pixel of ink to the nearest paper.
    """

    on: U8
    radius: F32

    @property
    def steps(self) -> I64:
        """Offsets of the eight neighbours in flat positions, in the order of RING."""
        width = self.on.shape[1]
        return np.array([dy * width + dx for dy, dx in RING], np.int64)

    def codes(self, at: I64) -> U8:
        """Return which neighbours of the flat positions ``at`` are on the line, as bits."""
        return codes(self.on.ravel(), at, self.steps)


def codes(on: U8, at: I64, steps: I64) -> U8:
    """Return for each flat position the byte of its eight neighbours in ``on`` (0 or 1)."""
    code = np.zeros(len(at), np.uint8)
    for bit, step in enumerate(steps):
        code |= on[at + step] << np.uint8(bit)
    return code


def thin(ink: Bool) -> U8:
    """Return the ink thinned to lines one pixel wide, 0 or 1; the outermost pixels are empty.

    Zhang and Suen, "A fast parallel algorithm for thinning digital patterns", CACM 27(3),
    1984, on the list of border pixels alone, so that the cost follows the ink's outline;
    then the corners of staircases are removed, so that a plain line has no false branch.
    scikit-image's takes three times as long (tests/benchmarks/RESULTS.md, Libraries).
    """
    on = ink.astype(np.uint8)
    on[[0, -1]] = 0
    on[:, [0, -1]] = 0
    width = on.shape[1]
    steps = np.array([dy * width + dx for dy, dx in RING], np.int64)
    flat = on.ravel()
    inner = np.asarray(cv2.erode(on, cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3))), np.uint8)
    active = np.flatnonzero(flat > inner.ravel())
    seen = np.zeros(len(flat), bool)
    while len(active):
        gone_any = []
        for table in _PASSES:
            gone = active[table[codes(flat, active, steps)]]
            flat[gone] = 0
            gone_any.append(gone)
            active = active[flat[active] == 1]
            if len(gone):
                active = np.concatenate([active, *_laid_bare(flat, seen, active, gone, steps)])
        gone_now = np.concatenate(gone_any)
        if not len(gone_now):
            break
        near = (gone_now[:, None] + steps).ravel()
        near = near[flat[near] == 1]
        seen[near] = True
        touched = active[seen[active]]
        seen[near] = False
        active = touched
    _take_off_stairs(flat, steps)
    return on


def _laid_bare(flat: U8, seen: Bool, active: I64, gone: I64, steps: I64) -> list[I64]:
    """Return the pixels beside those gone that are not active yet, each once.

    ``seen`` is all false, before and after.
    """
    seen[active] = True
    found = []
    for step in steps[::2]:  # no pixel twice in any one of these
        near = gone + step
        near = near[flat[near] > seen[near]]
        seen[near] = True
        found.append(near)
    for near in (active, *found):
        seen[near] = False
    return found


def _on(flat: U8) -> I64:
    """Return where a map of 0 and 1 is 1."""
    return np.flatnonzero(flat.view(np.bool_))


def _take_off_stairs(flat: U8, steps: I64) -> None:
    bits = _ring_bits()
    at = _on(flat)
    for corner in (0, 2, 4, 6):  # two neighbours at a right angle, nothing across
        a, b = corner, (corner + 2) % 8
        across = [(corner + k) % 8 for k in (4, 5, 6)]
        table = bits[:, a] & bits[:, b] & ~bits[:, across].any(axis=1) & (CROSSINGS <= 2)
        taken = table[codes(flat, at, steps)]
        flat[at[taken]] = 0
        at = at[~taken]


def lines_of(ink: Bool) -> Lines:
    """Thin the ink and remove the horns that thinning leaves at blunt ends and bulges."""
    lines = Lines(thin(ink), depth(ink))
    for _ in range(HORN_ROUNDS):
        if not _take_off_horns(lines):
            break
    return lines


def _take_off_horns(lines: Lines) -> int:
    flat, radius = lines.on.ravel(), lines.radius.ravel()
    at = _on(flat)
    code = lines.codes(at)
    ends = at[_ending(code)]
    if not len(ends):
        return 0
    longest = int(min(60, HORN_RADII * float(radius.max()) + 2))
    path, length, stopped = walk(lines, ends, longest, stop_at_junctions=True)
    last = path[np.arange(len(ends)), length - 1]
    short = stopped & (length - 1 < HORN_RADII * radius[last])
    # two at one junction are a blunt end; one alone may be the stump of a stroke that broke off
    knots = np.zeros(lines.on.shape, np.uint8)
    knots.ravel()[at[CROSSINGS[code] >= 3]] = 1
    knot = cv2.connectedComponents(cv2.dilate(knots, np.ones((5, 5), np.uint8)))[1].ravel()
    forked = np.bincount(knot[last[short]], minlength=int(knot.max()) + 1) >= 2
    horn = short & (forked[knot[last]] | (length - 1 < radius[last] + STUMP_PX))
    if not horn.any():
        return 0
    steps = np.arange(path.shape[1])
    flat[path[horn][steps[None] < (length[horn] - 1)[:, None]]] = 0
    _take_off_stairs(flat, lines.steps)
    return int(horn.sum())


def end_points(lines: Lines) -> I64:
    """Return the flat positions where a line ends."""
    at = _on(lines.on.ravel())
    return np.asarray(at[_ending(lines.codes(at))])


def _ending(code: U8) -> Bool:
    return np.asarray((CROSSINGS[code] == 1) & (COUNTS[code] <= 2))


def junctions(lines: Lines) -> I64:
    """Return the flat positions where three or more lines meet."""
    at = _on(lines.on.ravel())
    return np.asarray(at[CROSSINGS[lines.codes(at)] >= 3])


def walk(
    lines: Lines, starts: I64, longest: int, stop_at_junctions: bool = False
) -> tuple[I64, I64, Bool]:
    """Walk along the line from each start, all at once.

    Returns (N, longest) flat positions (the last one repeated once a walk is over), (N,) how
    many of them count, and (N,) bool: the walk met a junction. At a junction it goes straight
    on unless told to stop there.
    """
    flat, steps = lines.on.ravel(), lines.steps
    n = len(starts)
    path = np.repeat(starts[:, None], longest, axis=1)
    length = np.ones(n, np.int64)
    met = np.zeros(n, bool)
    alive = np.arange(n)
    heading = np.full(n, -1)
    order = np.array([0, 2, 4, 6, 1, 3, 5, 7])
    turn_cost = np.array([0, 1, 2, 9, 9, 9, 2, 1])
    for k in range(1, longest):
        here = path[alive, k - 1]
        near = here[:, None] + steps[order]
        open_ = flat[near] == 1
        fresh = heading[alive] < 0
        turn = (order[None] - heading[alive][:, None]) % 8
        cost = np.where(
            fresh[:, None], np.arange(8)[None] * 0.01, turn_cost[turn] + (order % 2) * 0.5
        )
        cost = np.where(open_ & (cost < 9), cost, 99.0)
        best = cost.argmin(axis=1)
        go = cost[np.arange(len(alive)), best] < 99
        alive, best = alive[go], best[go]
        if not len(alive):
            break
        there = path[alive, k - 1] + steps[order[best]]
        heading[alive] = order[best]
        path[alive, k:] = there[:, None]
        length[alive] = k + 1
        code = codes(flat, there, steps)
        at_junction = CROSSINGS[code] >= 3
        met[alive[at_junction]] = True
        if stop_at_junctions:
            alive = alive[~at_junction]
    return path, length, met


def xy(at: I64, width: int) -> F32:
    """Return flat positions as (N, 2) pixel centres, x then y, continuous coordinates."""
    return np.stack([at % width + 0.5, at // width + 0.5], axis=-1).astype(np.float32)


def label_branches(lines: Lines) -> tuple[I32, int]:
    """Return a map of the lines cut at their junctions, each piece with a number, and how many.

    The pixels within one of a junction belong to no piece (0).
    """
    knots = np.zeros(lines.on.shape, np.uint8)
    knots.ravel()[junctions(lines)] = 1
    knots = dilated(knots, square(3))
    count, label = cv2.connectedComponents(lines.on & (1 - knots), connectivity=8)
    return np.asarray(label, np.int32), count - 1
