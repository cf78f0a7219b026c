"""Gaps in the line: every way it may go on, with the odds that a person would see it."""

from __future__ import annotations

from dataclasses import dataclass, fields

import cv2
import numpy as np
from scipy.spatial import cKDTree

from inkclean.base.arrays import F32, F64, I64, Bool
from inkclean.flats.lines.ends import Ends
from inkclean.flats.rasters import square

KEPT_PER_END = 4  # joins to other ends that are looked at, best first
FAN = np.radians(np.array([-75, -62, -50, -37, -25, -15, -7, 0, 7, 15, 25, 37, 50, 62, 75]))
WIDEST_TURN = np.radians(80.0)  # most that a line turns at its end to go on
SEEN_TURN = np.radians(125.0)  # most that it turns where a seam is seen
LIKELY = -1.0  # mean log-odds from which a seam is seen
SAMPLES = 24
BESIDE_PX = 5  # a seam this far beside the way counts as on it
CORNER_MM = 3.0  # a corner further ahead of an end is not seen as one
SPECK_MM = 1.0  # ink smaller than this stops no line


@dataclass(frozen=True)
class Joins:
    """Ways a line may go on, N of them, in px of the working raster.

    ``cubic`` (N, 4, 2) control points from ink to ink; ``first`` and ``second`` (N,) the ends
    they start and stop at (second −1: a line, not an end); ``features`` (N, F), see
    ``FEATURES``; ``odds`` (N,) log-odds that a person would see the line go on here; ``ridge``
    (N,) the number of the ridge it is, 0 if it goes out from an end (``ridges.py``).
    """

    cubic: F64
    first: I64
    second: I64
    features: F64
    odds: F64
    ridge: I64

    def __len__(self) -> int:
        """Return how many joins there are."""
        return len(self.cubic)

    @classmethod
    def of(cls, cubic: F64, first: I64, second: I64, features: F64) -> Joins:
        """Return joins with the odds that their features give; a first of −1: a ridge."""
        ridge = np.where(first < 0, np.arange(1, len(first) + 1), 0)
        return cls(cubic, first, second, features, features @ WEIGHTS, ridge)

    def and_also(self, other: Joins) -> Joins:
        """Return these joins and after them the others."""
        pairs = ((getattr(self, f.name), getattr(other, f.name)) for f in fields(self))
        return Joins(*(np.concatenate(pair) for pair in pairs))

    def chosen(self, keep: Bool) -> Joins:
        """Return some of the joins."""
        return Joins(*(getattr(self, f.name)[keep] for f in fields(self)))


FEATURES = (
    "one",
    "gap",  # log of the gap, mm
    "gap_long",  # gap beyond 2 mm
    "bend",  # bending of the smoothest curve, rad²
    "turn",  # the larger turn at an end, rad
    "turn_short",  # the same where the gap is small
    "to_line",  # stops at a line, not at an end
    "to_line_gap",
    "to_line_turn",
    "stump",  # how far what it meets stands out towards it, mm
    "behind",  # length of the shorter stroke, share of what counts
    "extent",  # log of the smaller piece of ink, mm
    "near",  # nearer the smaller the gap: fades within a millimetre
    "near_behind",
    "near_line",
    "corner",  # the lines meet in a corner close ahead of both ends
    "mutual",  # each end's best
    "best",  # the best of one of the ends
    "same_piece",
    "seen",  # log-odds of a seam along the way, mean
    "least",  # and least
    "ridge",  # no end of a stroke: where two basins of paper meet
    "ridge_gap",
    "ridge_seen",
)


def find_joins(ink: Bool, ends: Ends, seam: F32, px_per_mm: float, gap_mm: float) -> Joins:
    """Propose joins from every end to the ends and lines before it, no further than the gap."""
    ink = _without_specks(ink, px_per_mm)
    beside = np.asarray(cv2.dilate(seam, square(BESIDE_PX)), np.float32)
    between = _end_to_end(ink, ends, beside, px_per_mm, gap_mm)
    onto = _end_to_line(ink, ends, beside, px_per_mm, gap_mm)
    stump = np.concatenate([np.zeros(len(between[0])), onto[2]]) / px_per_mm
    first = np.concatenate([between[0], onto[0]])
    second = np.concatenate([between[1], np.full(len(onto[0]), -1)])
    cubic = np.concatenate([between[2], onto[1]])
    features = _features(ends, first, second, cubic, stump, px_per_mm)
    seen = FEATURES.index("seen")
    features[:, seen : seen + 2] = _seen(ink, beside, cubic)
    odds = features @ WEIGHTS
    features = _with_ranks(features, odds, first, second, len(ends))
    return Joins.of(cubic, first, second, features)


def _without_specks(ink: Bool, px_per_mm: float) -> Bool:
    """Return the ink without dots: lines go on past stipple and the crumbs of a dry stroke."""
    _, label, stats, _ = cv2.connectedComponentsWithStats(ink.astype(np.uint8), connectivity=8)
    extent = stats[:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]].max(axis=1)
    keep = extent >= SPECK_MM * px_per_mm
    keep[0] = False
    return np.asarray(keep[label])


def hermite(start: F64, start_heading: F64, stop: F64, stop_heading: F64) -> F64:
    """Return cubics (N, 4, 2) that leave along one heading and arrive against the other."""
    reach = np.hypot(*(stop - start).T)[:, None] / 3
    return np.stack(
        [start, start + start_heading * reach, stop + stop_heading * reach, stop], axis=1
    )


def on_cubic(cubic: F64, samples: int) -> F64:
    """Return (N, samples, 2) points on cubics (N, 4, 2), ends included."""
    t = np.linspace(0, 1, samples)
    basis = np.stack([(1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t**2 * (1 - t), t**3], axis=1)
    return np.asarray(np.einsum("sk,nkc->nsc", basis, cubic))


def _turns(heading: F64, chord: F64) -> F64:
    """Return signed angles from headings to chords."""
    cross = heading[:, 0] * chord[:, 1] - heading[:, 1] * chord[:, 0]
    return np.asarray(np.arctan2(cross, (heading * chord).sum(axis=1)))


def _end_to_end(
    ink: Bool, ends: Ends, beside: F32, px_per_mm: float, gap_mm: float
) -> tuple[I64, I64, F64]:
    empty = np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros((0, 4, 2))
    if len(ends) < 2:
        return empty
    pairs = cKDTree(ends.tip).query_pairs(gap_mm * px_per_mm, output_type="ndarray")
    if not len(pairs):
        return empty
    i, j = pairs.T.astype(np.int64)
    chord = ends.tip[j] - ends.tip[i]
    length = np.hypot(*chord.T)
    a, b = _turns(ends.heading[i], chord), _turns(ends.heading[j], -chord)
    close = length < 1.5 * (ends.radius[i] + ends.radius[j])  # headings say little there
    slack = np.where(close, np.radians(35), 0.0)
    turn = np.maximum(np.abs(a), np.abs(b)) - slack
    ok = turn < SEEN_TURN
    i, j, length, a, b, turn = i[ok], j[ok], length[ok], a[ok], b[ok], turn[ok]
    cubic = hermite(ends.tip[i], ends.heading[i], ends.tip[j], ends.heading[j])
    seen = _seen(ink, beside, cubic)[:, 0]
    ok = (turn < WIDEST_TURN) | (seen > LIKELY)
    i, j, length, a, b, seen = i[ok], j[ok], length[ok], a[ok], b[ok], seen[ok]
    rough = length / px_per_mm + 4 * (a**2 + b**2 + a * b) - seen
    keep = _best_of_each(i, j, rough, len(ends))
    i, j = i[keep], j[keep]
    cubic = hermite(ends.tip[i], ends.heading[i], ends.tip[j], ends.heading[j])
    to_i, to_j = _corner(ends, i, j)
    corner = np.maximum(to_i, to_j) < CORNER_MM * px_per_mm
    for handle, end, far in ((1, i[corner], to_i[corner]), (2, j[corner], to_j[corner])):
        cubic[corner, handle] = ends.tip[end] + ends.heading[end] * 0.75 * far[:, None]
    clear = ~_blocked(ink, cubic)
    return i[clear], j[clear], cubic[clear]


def _corner(ends: Ends, i: I64, j: I64) -> tuple[F64, F64]:
    """Return how far ahead of each of two ends their lines cross; infinite if not ahead."""
    a, b = ends.heading[i], ends.heading[j]
    chord = ends.tip[j] - ends.tip[i]
    cross = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    steep = np.abs(cross) > np.sin(np.radians(25.0))
    safe = np.where(steep, cross, 1.0)
    to_i = (chord[:, 0] * b[:, 1] - chord[:, 1] * b[:, 0]) / safe
    to_j = (chord[:, 0] * a[:, 1] - chord[:, 1] * a[:, 0]) / safe
    ahead = steep & (to_i > 0) & (to_j > 0)
    return np.where(ahead, to_i, np.inf), np.where(ahead, to_j, np.inf)


def _best_of_each(i: I64, j: I64, cost: F64, n: int) -> Bool:
    """Return which pairs are among the best few of one of their ends."""
    keep = np.zeros(len(i), bool)
    both = np.concatenate([i, j])
    order = np.lexsort([np.concatenate([cost, cost]), both])
    start = np.searchsorted(both[order], np.arange(n))
    rank = np.arange(len(order)) - start[both[order]]
    keep[order[rank < KEPT_PER_END] % max(1, len(i))] = True
    return keep


def _blocked(ink: Bool, cubic: F64) -> Bool:
    """Return which cubics cross ink between their ends."""
    points = on_cubic(cubic, SAMPLES)[:, 3:-3]
    height, width = ink.shape
    column = np.clip(points[..., 0].astype(int), 0, width - 1)
    row = np.clip(points[..., 1].astype(int), 0, height - 1)
    return np.asarray(ink[row, column].sum(axis=1) >= 2)


def _seen(ink: Bool, beside: F32, cubic: F64) -> F64:
    """Return the mean and the least log-odds of a seam (N, 2) along cubics, off the ink.

    ``beside`` (H, W) are the largest odds within a few px.
    """
    points = on_cubic(cubic, SAMPLES)
    column = np.clip(points[..., 0].astype(int), 0, ink.shape[1] - 1)
    row = np.clip(points[..., 1].astype(int), 0, ink.shape[0] - 1)
    odds, bare = beside[row, column].astype(np.float64), ~ink[row, column]
    bare[:, SAMPLES // 2] = True
    mean = (odds * bare).sum(axis=1) / bare.sum(axis=1)
    return np.stack([mean, np.where(bare, odds, np.inf).min(axis=1)], axis=1)


def _end_to_line(
    ink: Bool, ends: Ends, beside: F32, px_per_mm: float, gap_mm: float
) -> tuple[I64, F64, F64]:
    """Look ahead from every end, in a fan, for the ink it would run into."""
    n = len(ends)
    if not n:
        return np.zeros(0, np.int64), np.zeros((0, 4, 2)), np.zeros(0)
    cos, sin = np.cos(FAN), np.sin(FAN)
    hx, hy = ends.heading.T
    ray = np.stack(
        [hx[:, None] * cos - hy[:, None] * sin, hx[:, None] * sin + hy[:, None] * cos], -1
    )
    reach = np.full((n, len(FAN)), np.inf)
    seen, steps = np.zeros((n, len(FAN))), np.zeros((n, len(FAN)))
    height, width = ink.shape
    who, which = [a.ravel() for a in np.mgrid[:n, : len(FAN)]]
    left = np.zeros(len(who), bool)  # the ray has left the ink it starts in
    for step in np.arange(1.0, gap_mm * px_per_mm, 0.7):
        spot = ends.tip[who] + ray[who, which] * step
        column, row = np.floor(spot).astype(int).T
        inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
        row, column = np.clip(row, 0, height - 1), np.clip(column, 0, width - 1)
        hit = inside & ink[row, column]
        stop = hit & left
        reach[who[stop], which[stop]] = step
        left |= ~hit
        seen[who, which] += left * beside[row, column]
        steps[who, which] += left
        alive = inside & ~stop & (left | (step < 4))
        who, which, left = who[alive], which[alive], left[alive]
        if not len(who):
            break
    cost = reach * (1 + 1.5 * (np.abs(FAN) / np.radians(30)) ** 2)[None]
    ahead = np.where(np.abs(FAN) <= np.radians(10), cost, np.inf)
    usual = np.where(np.abs(FAN) <= np.radians(50), cost, np.inf)
    odds = np.where(np.isfinite(reach), seen / np.maximum(steps, 1), -np.inf)
    firsts, cubics, stumps = [], [], []
    chosen = np.stack([ahead.argmin(axis=1), usual.argmin(axis=1), odds.argmax(axis=1)])
    for pick in (0, 1, 2):
        ray_at = chosen[pick]
        good = np.isfinite(reach[np.arange(n), ray_at])
        good &= (chosen[:pick] != ray_at).all(axis=0)
        if pick == 2:
            good &= odds[np.arange(n), ray_at] > LIKELY
        i = np.flatnonzero(good)
        out = ray[i, ray_at[i]]
        stop = ends.tip[i] + out * (reach[i, ray_at[i]])[:, None]
        firsts.append(i)
        cubics.append(hermite(ends.tip[i], ends.heading[i], stop, -out))
        stumps.append(_standing_out(ends.tip[i], ray[i], reach[i], ray_at[i]))
    return np.concatenate(firsts), np.concatenate(cubics), np.concatenate(stumps)


def _standing_out(tip: F64, ray: F64, reach: F64, at: I64) -> F64:
    """Return how far, in px, the ink met stands out before what the rays beside meet.

    A plain line stands out by nothing; the stump of a stroke or a corner does.
    """
    row = np.arange(len(at))
    sides = []
    for shift in (-2, 2):
        beside = np.clip(at + shift, 0, ray.shape[1] - 1)
        far = np.minimum(reach[row, beside], 3 * reach[row, at])
        sides.append(tip + ray[row, beside] * far[:, None])
    here = tip + ray[row, at] * reach[row, at][:, None]
    along = sides[1] - sides[0]
    length = np.maximum(np.hypot(*along.T), 1e-6)
    off, own = here - sides[0], tip - sides[0]
    cross_here = (along[:, 0] * off[:, 1] - along[:, 1] * off[:, 0]) / length
    cross_own = along[:, 0] * own[:, 1] - along[:, 1] * own[:, 0]
    return np.asarray(np.maximum(0.0, cross_here * np.sign(cross_own)))


def _features(ends: Ends, first: I64, second: I64, cubic: F64, stump: F64, px_per_mm: float) -> F64:
    chord = cubic[:, 3] - cubic[:, 0]
    gap = np.hypot(*chord.T) / px_per_mm
    line = second < 0
    other = np.where(line, first, second)
    a = _turns(ends.heading[first], chord)
    b = np.where(line, -a, _turns(ends.heading[other], -chord))
    bend = np.where(line, a**2, a**2 + b**2 + a * b)
    turn = np.where(line, np.abs(a), np.maximum(np.abs(a), np.abs(b)))
    behind = np.minimum(ends.behind[first], ends.behind[other]) / px_per_mm / 6.0
    extent = np.log(np.minimum(ends.extent[first], ends.extent[other]) / px_per_mm + 0.1)
    columns = {
        "one": np.ones(len(first)),
        "gap": np.log(gap + 0.2),
        "gap_long": np.maximum(0, gap - 2),
        "bend": np.minimum(bend, 3.0),
        "turn": turn,
        "turn_short": turn * np.exp(-gap / 0.6),
        "to_line": line.astype(float),
        "to_line_gap": line * np.log(gap + 0.2),
        "to_line_turn": line * turn,
        "stump": np.minimum(stump, 1.0),
        "behind": behind,
        "extent": np.minimum(extent, np.log(30)),
        "near": np.exp(-gap / 0.7),
        "near_behind": np.exp(-gap / 0.7) * behind,
        "near_line": np.exp(-gap / 0.7) * line,
        "corner": np.where(
            line, 0.0, np.exp(-np.maximum(*_corner(ends, first, other)) / px_per_mm)
        ),
        "mutual": np.zeros(len(first)),
        "best": np.zeros(len(first)),
        **dict.fromkeys(
            ("seen", "least", "ridge", "ridge_gap", "ridge_seen"), np.zeros(len(first))
        ),
        "same_piece": (~line & (ends.piece[first] == ends.piece[other])).astype(float),
    }
    return np.stack([columns[name] for name in FEATURES], axis=1)


def features_of_ridges(length_mm: F64, mean: F64, least: F64) -> F64:
    """Return the features of walls where basins meet, of the mean and least odds along them."""
    features = np.zeros((len(length_mm), len(FEATURES)))
    gap = np.log(length_mm + 0.2)
    one = np.ones(len(gap))
    columns = {"seen": mean, "least": least, "ridge": one, "ridge_gap": gap, "ridge_seen": mean}
    for name, value in columns.items():
        features[:, FEATURES.index(name)] = value
    return features


def _with_ranks(features: F64, odds: F64, first: I64, second: I64, n: int) -> F64:
    best = np.full(n, -np.inf)
    np.maximum.at(best, first, odds)
    real = second >= 0
    np.maximum.at(best, second[real], odds[real])
    of_first = odds >= best[first] - 1e-9
    of_second = np.where(real, odds >= best[np.where(real, second, 0)] - 1e-9, of_first)
    features = features.copy()
    features[:, FEATURES.index("mutual")] = of_first & of_second
    features[:, FEATURES.index("best")] = of_first | of_second
    return features


WEIGHTS = np.array(
    [
        -0.319,
        -0.314,
        -0.081,
        -0.016,
        -0.943,
        0.548,
        -0.730,
        0.142,
        -0.054,
        0.893,
        0.541,
        0.113,
        -0.142,
        -0.563,
        -0.642,
        0.385,
        -0.354,
        -0.087,
        0.347,
        -0.334,
        0.985,
        -1.328,
        0.992,
        0.107,
    ]
)
