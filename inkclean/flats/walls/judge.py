"""A wall between two rooms, of drawn line and openings: how likely it is a real one."""

from __future__ import annotations

import numpy as np

from inkclean.base.arrays import F64, I64, Bool
from inkclean.flats.lines.gaps import Joins
from inkclean.flats.lines.seams import MOST_ODDS
from inkclean.flats.walls.rooms import Rooms
from inkclean.flats.walls.weights import DIRECT, HIDDEN, OUTPUT

# What is known of a wall, in mm and log-odds. Of two walls that become one the first SUMS add
# up, the next two are the least of both, the rest the most.
DRAWN, LINE, SHADED, SURE, OPEN, SEEN, ODDS, WORST, LOWEST, WIDEST, FIXED = range(11)
SUMS = 7
KNOWN = 11

FEATURES = (
    "one",
    "drawn",  # log of drawn line between the rooms, mm
    "open",  # log of the openings' width together, mm
    "share",  # log of drawn over open
    "line",  # mean log-odds of a seam along the drawn line
    "shaded",  # share of the drawn line that is likelier hatching
    "sure",  # and that is surely a seam
    "seen",  # mean log-odds of a seam across the openings
    "odds",  # mean log-odds of the joins that close them
    "worst",  # and their least
    "lowest",  # least log-odds of a seam across any opening
    "weight",  # log-odds of a seam all along, summed, mm
    "neck",  # the widest opening against the narrower room
    "small",  # log of the smaller room, mm²
    "large",
    "thin",  # inner radius of the smaller room, mm, up to 3
    "wide",  # and of the larger
    "part",  # the wall's share of the smaller room's outline
    "part_shaded",  # share of the smaller room's outline that is likelier hatching
    "other_shaded",
    "part_open",  # share of the smaller room's outline that is open
    "mended",  # share of all ends on the page that have a likely join
)


def known(rooms: Rooms, odds: F64, fixed: Bool, px_per_mm: float) -> F64:
    """Return what is known of every pair of rooms, (E, KNOWN); ``fixed`` joins part for good."""
    count = len(rooms.a)
    table = np.zeros((count, KNOWN))
    table[:, DRAWN] = rooms.drawn
    table[:, LINE] = rooms.line
    table[:, SHADED] = rooms.shaded
    table[:, SURE] = rooms.sure
    table[:, OPEN] = np.bincount(rooms.pair, rooms.width, count)
    table[:, SEEN] = np.bincount(rooms.pair, rooms.seen, count)
    table[:, ODDS] = np.bincount(rooms.pair, rooms.width * odds[rooms.join], count)
    table[:, :WORST] /= px_per_mm
    table[:, LOWEST] = MOST_ODDS
    np.minimum.at(table[:, LOWEST], rooms.pair, rooms.seen / np.maximum(rooms.width, 1))
    np.minimum.at(table[:, WORST], rooms.pair, odds[rooms.join])
    np.maximum.at(table[:, WIDEST], rooms.pair, rooms.width / px_per_mm)
    np.maximum.at(table[:, FIXED], rooms.pair, fixed[rooms.join].astype(float))
    return table


def outlines(rooms: Rooms, table: F64) -> F64:
    """Return for each room the length of its outline, and of what is shaded and open, mm."""
    length = np.stack([table[:, DRAWN] + table[:, OPEN], table[:, SHADED], table[:, OPEN]], axis=1)
    total = np.zeros((rooms.count + 1, 3))
    np.add.at(total, rooms.a, length)
    np.add.at(total, rooms.b, length)
    return total


def merged(one: F64, other: F64) -> F64:
    """Return what is known of a wall made of two."""
    both = one + other
    both[WORST:WIDEST] = np.minimum(one[WORST:WIDEST], other[WORST:WIDEST])
    both[WIDEST:] = np.maximum(one[WIDEST:], other[WIDEST:])
    return both


def mended(joins: Joins) -> float:
    """Return the share of ends that have a likely join.

    Where most have, the page is one of outlines that broke off, and those left are so too;
    where few have, its strokes are meant to stop.
    """
    best = np.full(int(max(joins.first.max(initial=-1), joins.second.max(initial=-1))) + 1, np.nan)
    of = np.concatenate([joins.first, joins.second])
    odds = np.concatenate([joins.odds, joins.odds])
    np.fmax.at(best, of[of >= 0], odds[of >= 0])
    known = np.isfinite(best)
    return float((best[known] > 0).sum() + 1) / float(known.sum() + 2)


def features(
    wall: F64, size: F64, inner: F64, outline: F64, a: I64, b: I64, share_mended: float
) -> F64:
    """Return the features (N, F) of walls (N, KNOWN) between rooms a and b; see FEATURES.

    Per room: ``size`` mm², ``inner`` radius mm, ``outline`` (R, 3), see :func:`outlines`.
    """
    first = size[a] <= size[b]
    small, large = np.where(first, a, b), np.where(first, b, a)
    drawn, line, shaded, sure, open_, seen, odds, worst, lowest, widest, _ = wall.T
    run = np.maximum(drawn, 1e-6)
    gap = np.maximum(open_, 1e-6)
    around = np.maximum(outline[small, 0], 1e-6)
    beyond = np.maximum(outline[large, 0], 1e-6)
    columns = (
        np.ones(len(wall)),
        np.log(drawn + 0.3),
        np.log(open_ + 0.3),
        np.log((drawn + 0.3) / (open_ + 0.3)),
        line / run / 4,
        shaded / run,
        sure / run,
        seen / gap / 4,
        np.clip(odds / gap, -8, 8) / 4,
        np.clip(worst, -8, 8) / 4,
        lowest / 4,
        np.clip((line + seen) / 20, -2, 2),
        np.minimum(widest / (2 * np.minimum(inner[a], inner[b]) + 0.3), 3),
        np.log(size[small] + 0.1),
        np.log(size[large] + 0.1) / 2,
        np.minimum(inner[small], 3),
        np.minimum(inner[large], 6) / 2,
        np.minimum((drawn + open_) / around, 1),
        outline[small, 1] / around,
        outline[large, 1] / beyond,
        outline[small, 2] / around,
        np.full(len(wall), share_mended),
    )
    return np.stack(columns, axis=1)


def score(of: F64) -> F64:
    """Return the log-odds that walls of these features are real: one hidden layer."""
    return np.asarray(np.tanh(of @ HIDDEN) @ OUTPUT + of @ DIRECT)
