"""A wall between two rooms, of drawn line and openings: how likely it is a real one."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

import numpy as np

from inkclean.base.arrays import F64, I64, Bool
from inkclean.flats.lines.seams import MOST_ODDS, REACH
from inkclean.flats.walls.joins import Joins
from inkclean.flats.walls.rooms import Rooms

WEIGHTS = "judge.f32"
"""Little-endian float32: from features to hidden, from hidden to odds, from features to odds."""

# What is known of a wall, in mm and log-odds. Of two walls that become one the first SUMS add
# up, the next is the least of both, the rest the most.
DRAWN, LINE, SHADED, SURE, OPEN, SEEN, TOGETHER = range(7)
TIMES = TOGETHER + len(REACH)  # how often places of both rooms lie so far apart
SUMS = TIMES + len(REACH)
LOWEST, WIDEST, FIXED = range(SUMS, SUMS + 3)
KNOWN = SUMS + 3

FEATURES = (
    "one",
    "drawn",  # log of drawn line between the rooms, mm
    "open",  # log of the openings' width together, mm
    "share",  # log of drawn over open
    "line",  # mean log-odds of a seam along the drawn line
    "shaded",  # share of the drawn line that is likelier hatching
    "sure",  # and that is surely a seam
    "seen",  # mean log-odds of a seam across the openings
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
    "broken",  # log of the page's likely gaps, against the length of its lines
    *(f"together_{k}" for k in range(len(REACH))),  # mean log-odds that places lie in one area
    *(f"times_{k}" for k in range(len(REACH))),  # and how often, log
)


def known(rooms: Rooms, together: F64, fixed: Bool, px_per_mm: float) -> F64:
    """Return what is known of every pair of rooms, (E, KNOWN); ``fixed`` joins part for good.

    ``together`` (E, 2 * len(REACH)): what ``belonging`` gives.
    """
    count = len(rooms.a)
    table = np.zeros((count, KNOWN))
    table[:, DRAWN] = rooms.drawn
    table[:, LINE] = rooms.line
    table[:, SHADED] = rooms.shaded
    table[:, SURE] = rooms.sure
    table[:, OPEN] = np.bincount(rooms.pair, rooms.width, count)
    table[:, SEEN] = np.bincount(rooms.pair, rooms.seen, count)
    table[:, :TOGETHER] /= px_per_mm
    table[:, TOGETHER:SUMS] = together
    table[:, LOWEST] = MOST_ODDS
    np.minimum.at(table[:, LOWEST], rooms.pair, rooms.seen / np.maximum(rooms.width, 1))
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


def islands(rooms: Rooms) -> Bool:
    """Return which walls lie around a room alone in another, its outline drawn without a gap.

    Nobody draws a closed line to shade with, however small it is.
    """
    neighbours = np.bincount(np.concatenate([rooms.a, rooms.b]), minlength=rooms.count + 1)
    opened = np.bincount(rooms.pair, minlength=len(rooms.a)) > 0
    alone = np.minimum(neighbours[rooms.a], neighbours[rooms.b]) == 1
    return np.asarray(alone & ~opened)


def merged(one: F64, other: F64) -> F64:
    """Return what is known of a wall made of two."""
    both = one + other
    both[LOWEST] = np.minimum(one[LOWEST], other[LOWEST])
    both[WIDEST:] = np.maximum(one[WIDEST:], other[WIDEST:])
    return both


def broken(joins: Joins, table: F64) -> float:
    """Return how often the page's lines break off: log of likely gaps a decimetre of line.

    Where they often do, a wall in doubt is more likely one more gap.
    """
    return float(np.log(((joins.odds > 0).sum() + 0.3) / (table[:, DRAWN].sum() / 100 + 0.3)))


def features(
    wall: F64, size: F64, inner: F64, outline: F64, a: I64, b: I64, page_broken: float
) -> F64:
    """Return the features (N, F) of walls (N, KNOWN) between rooms a and b; see FEATURES.

    Per room: ``size`` mm², ``inner`` radius mm, ``outline`` (R, 3), see :func:`outlines`.
    """
    first = size[a] <= size[b]
    small, large = np.where(first, a, b), np.where(first, b, a)
    drawn, line, shaded, sure, open_, seen = wall.T[:TOGETHER]
    lowest, widest = wall[:, LOWEST], wall[:, WIDEST]
    run = np.maximum(drawn, 1e-6)
    gap = np.maximum(open_, 1e-6)
    around = np.maximum(outline[small, 0], 1e-6)
    beyond = np.maximum(outline[large, 0], 1e-6)
    times = wall[:, TIMES:SUMS]
    columns = (
        np.ones(len(wall)),
        np.log(drawn + 0.3),
        np.log(open_ + 0.3),
        np.log((drawn + 0.3) / (open_ + 0.3)),
        line / run / 4,
        shaded / run,
        sure / run,
        seen / gap / 4,
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
        np.full(len(wall), page_broken),
        *(wall[:, TOGETHER:TIMES] / (times + 0.5) / 4).T,
        *(np.log(times + 1) / 4).T,
    )
    return np.stack(columns, axis=1)


def score(of: F64) -> F64:
    """Return the log-odds that walls of these features are real: one hidden layer."""
    hidden, output, direct = weights()
    return np.asarray(np.tanh(of @ hidden) @ output + of @ direct)


@cache
def weights() -> tuple[F64, F64, F64]:
    """Return the weights (F, M), (M,) and (F,) of M hidden units."""
    data = (files("inkclean.flats.walls") / WEIGHTS).read_bytes()
    flat = np.frombuffer(data, "<f4").astype(np.float64)
    many = len(FEATURES)
    wide = (len(flat) - many) // (many + 1)
    hidden, output = flat[: many * wide], flat[many * wide : (many + 1) * wide]
    return hidden.reshape(many, wide), output, flat[(many + 1) * wide :]
