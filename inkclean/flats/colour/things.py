"""Which areas are parts of one thing that something in front cuts: the moon behind a heron.

Where an outline passes behind something, it ends on that thing's outline in a T, and goes on from
another T on the far side. Two such ends are one edge if a smooth curve can join them: the lines
drawn on from both meet, and turn by no more than a right angle in all (Kellman and Shipley, "A
theory of visual interpolation in object perception", Cognitive Psychology 23(2), 1991,
DOI 10.1016/0010-0285(91)90009-D). Parts of a disc that black cuts are told by ``discs``.
"""

from __future__ import annotations

import weakref
from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array, csgraph

from inkclean.base.arrays import F64, I64, Bool, places
from inkclean.flats.values import FIGURE, Flats

COARSE_PX_PER_MM = 4.0  # places where three areas meet are looked for on such a map
CELL_MM = 2.0  # of one three areas those so near are one place
RADII_MM = 1.2, 1.8, 2.6, 3.6  # borders are followed to the widest circle that they cross once
STEPS = 72  # round a circle
STRAIGHT = np.radians(40.0)  # an outline in front bends by less than this at a T
AIM = np.radians(40.0)  # an edge behind leaves the line to its other end by less than this,
TURN = np.radians(90.0)  # and turns by less than this in all
REACH = 2.0  # an edge behind is no longer than this times the side of the smaller area beside it
COVERED = 0.75  # of it lies behind what its two ends lie behind
NEAR_MM = 1.0  # so near its ends what an edge passes is not asked
MOST = 1500  # ends that are looked at, those of the largest areas
ALONG = 24  # places along an edge behind
SURE = 0.79  # what the edges that two areas share must say together: one alone runs straight on
STRAIGHT_ON = 0.8  # what one without any turn says
SOFT = np.radians(45.0)  # turn at which an edge says half of that


@dataclass(frozen=True)
class _Ends:
    """Where edges end on an outline: N places in mm, and the unit way out of what is in front.

    ``left`` and ``right`` (N,) are the areas on both sides of the edge as it comes out, ``front``
    (N,) that in front.
    """

    at: F64
    way: F64
    left: I64
    right: I64
    front: I64


_latest: list[tuple[weakref.ref[Flats], I64]] = []


def things_of(flats: Flats) -> I64:
    """Return (N,) the number of the thing that each area is part of, from 0.

    Only figures that do not touch each other are parts of one thing, but for parts of a disc,
    which may meet under the black that cuts it. What was found for the latest flats is kept as
    long as these are.
    """
    known = _latest[0] if _latest else None
    if known is None or known[0]() is not flats:
        known = weakref.ref(flats), _found(flats)
        _latest[:] = [known]
    return known[1].copy()


def _found(flats: Flats) -> I64:
    count = len(flats.areas)
    ends = _ends(flats)
    one, other, weight = _edges(flats, ends)
    figure = flats.areas["kind"] == FIGURE
    fits = (one != other) & figure[one - 1] & figure[other - 1]
    low, high = np.minimum(one, other)[fits] - 1, np.maximum(one, other)[fits] - 1
    pair, which = np.unique(low * max(count, 1) + high, return_inverse=True)
    said = np.bincount(which.ravel(), weight[fits], len(pair))
    order = np.argsort(-said, kind="stable")
    pairs = [divmod(int(pair[k]), count) for k in order if said[k] >= SURE]
    return _grouped(flats, pairs)


def _grouped(flats: Flats, pairs: list[tuple[int, int]]) -> I64:
    """Return the groups that the pairs make, the surest first, without any two that touch."""
    count = len(flats.areas)
    disc = _labels(flats, flats.discs)
    disc = disc[(disc > 0).all(axis=1)] - 1
    links = coo_array((np.ones(len(disc)), (disc[:, 0], disc[:, 1])), shape=(count, count))
    thing = csgraph.connected_components(links, directed=False)[1].astype(np.int64)
    a, b = (flats.neighbours[side].astype(np.int64) - 1 for side in ("a", "b"))
    apart = thing[a] != thing[b]
    a, b = a[apart], b[apart]
    for one, other in pairs:
        if thing[one] == thing[other]:
            continue
        both = np.where(thing == thing[other], thing[one], thing)
        if not ((both[a] == both[b]) & (both[a] == thing[one])).any():
            thing = both
    return np.unique(thing, return_inverse=True)[1].ravel().astype(np.int64)


def _ends(flats: Flats) -> _Ends:
    """Return where edges end in a T on the outline of something in front."""
    at, three = _meetings(flats)
    angles = np.arange(STEPS) * 2 * np.pi / STEPS
    circle = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    way = np.zeros((len(at), 2))
    left, right, over = (np.zeros(len(at), np.int64) for _ in range(3))
    for radius in RADII_MM:
        seen = _labels(flats, at[:, None] + radius * circle)
        change = seen != np.roll(seen, -1, axis=1)
        rows = np.flatnonzero((change.sum(axis=1) == 3) & _same_three(seen, three))
        if not len(rows):
            continue
        border = np.argwhere(change[rows])[:, 1].reshape(-1, 3)  # runs end at these steps
        length = np.diff(border, axis=1, append=border[:, :1] + STEPS)
        arc = length * 2 * np.pi / STEPS
        # run k lies between borders k and k + 1; the one in front takes half the circle
        front = np.abs(arc - np.pi).argmin(axis=1)
        row = np.arange(len(rows))
        flat = np.abs(arc[row, front] - np.pi) < STRAIGHT
        stem = border[row, (front + 2) % 3]
        angle = (stem + 0.5) * 2 * np.pi / STEPS
        out = rows[flat]
        way[out] = np.stack([np.cos(angle), np.sin(angle)], axis=1)[flat]
        # y runs down: going out along the stem, rising angles lie to the right
        right[out] = seen[rows, (stem + 1) % STEPS][flat]
        left[out] = seen[rows, stem][flat]
        over[out] = seen[rows, (border[row, front] + 1) % STEPS][flat]
        gone = rows[~flat]
        way[gone], left[gone], right[gone] = 0, 0, 0
    found = np.flatnonzero(left)
    size = flats.areas["size_mm2"]
    smaller = np.minimum(size[left[found] - 1], size[right[found] - 1])
    kept = np.sort(found[np.argsort(-smaller, kind="stable")[:MOST]])
    return _Ends(at[kept], way[kept], left[kept], right[kept], over[kept])


def _same_three(seen: I64, three: I64) -> Bool:
    """Return which rows of labels (J, K) hold none but the three (J, 3), and each of them."""
    met = [seen == three[:, k : k + 1] for k in range(3)]
    all_ = np.logical_or.reduce(met).all(axis=1)
    return np.asarray(all_ & np.logical_and.reduce([part.any(axis=1) for part in met]))


def _meetings(flats: Flats) -> tuple[F64, I64]:
    """Return the places (J, 2) in mm where three areas meet, and these (J, 3), rising."""
    step = max(1, round(flats.px_per_mm / COARSE_PX_PER_MM))
    small = np.ascontiguousarray(flats.labels[::step, ::step])
    across, down = small[:, 1:] != small[:, :-1], small[1:] != small[:-1]
    # with fewer than three of its four sides between two areas, a square holds no three
    sides = across[1:].view(np.uint8) + across[:-1] + down[:, 1:] + down[:, :-1]
    row, column = places(sides > 2)
    corners = [small[row + below, column + beside] for below in (0, 1) for beside in (0, 1)]
    of = np.sort(np.stack(corners, axis=1).astype(np.int64), axis=1)
    new = np.diff(of, axis=1) > 0
    here = new.sum(axis=1) == 2
    row, column, of, new = row[here], column[here], of[here], new[here]
    three = np.stack([of[:, 0], np.where(new[:, 0], of[:, 1], of[:, 2]), of[:, 3]], axis=1)
    at = (np.stack([column, row], axis=1) + 1.0) * step / flats.px_per_mm
    key = np.column_stack([three, np.floor(at / CELL_MM).astype(np.int64)])
    _, first, which, count = np.unique(
        key, axis=0, return_index=True, return_inverse=True, return_counts=True
    )
    middle = np.stack([np.bincount(which.ravel(), part, len(first)) for part in at.T], axis=1)
    return middle / np.maximum(count, 1)[:, None], three[first]


def _edges(flats: Flats, ends: _Ends) -> tuple[I64, I64, F64]:
    """Return pairs of areas that an edge behind something says are one, and how loudly."""
    n = len(ends.at)
    first, second = np.triu_indices(n, 1)
    gap = ends.at[second] - ends.at[first]
    far = np.hypot(*gap.T)
    size = np.sqrt(flats.areas["size_mm2"])
    smaller = np.minimum(size[ends.left - 1], size[ends.right - 1])
    near = (far > NEAR_MM) & (far < REACH * np.minimum(smaller[first], smaller[second]))
    panel = flats.areas["panel"][ends.front - 1]
    near &= panel[first] == panel[second]
    first, second, gap, far = first[near], second[near], gap[near], far[near]
    # drawn on from both ends, under what is in front
    from_first = _turn(-ends.way[first], gap)
    from_second = _turn(-ends.way[second], -gap)
    turn = np.abs(from_first) + np.abs(from_second)
    fits = (np.abs(from_first) < AIM) & (np.abs(from_second) < AIM) & (turn < TURN)
    # both bend to one side: else the curve would wave
    fits &= (from_first * from_second <= 0) | (turn < AIM / 2)
    first, second, turn = first[fits], second[fits], turn[fits]
    hidden = _hidden(flats, ends, first, second)
    first, second, turn = first[hidden], second[hidden], turn[hidden]
    loud = STRAIGHT_ON / (1 + (turn / SOFT) ** 2)
    best = _mutual(n, first, second, loud)
    first, second, loud = first[best], second[best], loud[best]
    # seen from the other end, left and right change places
    one = np.concatenate([ends.left[first], ends.right[first]])
    other = np.concatenate([ends.right[second], ends.left[second]])
    return one, other, np.concatenate([loud, loud])


def _turn(way: F64, to: F64) -> F64:
    """Return the angle from one way to another, radians, rising as y runs down."""
    across = way[:, 0] * to[:, 1] - way[:, 1] * to[:, 0]
    return np.asarray(np.arctan2(across, (way * to).sum(axis=1)))


def _hidden(flats: Flats, ends: _Ends, first: I64, second: I64) -> Bool:
    """Return which edges run behind something all the way, over none of the areas beside them."""
    if not len(first):
        return np.zeros(0, bool)
    a, b = ends.at[first], ends.at[second]
    share = np.minimum(0.35, NEAR_MM / np.hypot(*(b - a).T))[:, None]
    t = share + (1 - 2 * share) * np.linspace(0, 1, ALONG)
    seen = _labels(flats, a[:, None] + t[..., None] * (b - a)[:, None])
    beside = (ends.left[first], ends.right[first], ends.left[second], ends.right[second])
    crossed = np.logical_or.reduce([seen == part[:, None] for part in beside]).any(axis=1)
    over = (seen == ends.front[first, None]) | (seen == ends.front[second, None])
    return np.asarray(~crossed & (over.mean(axis=1) >= COVERED))


def _mutual(n: int, first: I64, second: I64, loud: F64) -> Bool:
    """Return which edges are the loudest at both their ends."""
    most = np.zeros(n)
    np.maximum.at(most, first, loud)
    np.maximum.at(most, second, loud)
    return np.asarray((loud >= most[first]) & (loud >= most[second]))


def _labels(flats: Flats, at: F64) -> I64:
    """Return the labels at places (..., 2) in mm; outside the sheet those at its edge."""
    height, width = flats.labels.shape
    column, row = np.moveaxis((at * flats.px_per_mm).astype(np.int64), -1, 0)
    seen = flats.labels[row.clip(0, height - 1), column.clip(0, width - 1)]
    return np.asarray(seen, np.int64)
