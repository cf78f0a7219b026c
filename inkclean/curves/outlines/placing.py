"""Corners put in their places: what gives way to them, and what tips may not reach across."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from inkclean.base.arrays import F64, I64, Bool, any_within, distinct, offsets_of
from inkclean.curves.outlines.edges import InkEdges
from inkclean.curves.outlines.outline import InkOutline
from inkclean.curves.outlines.tips import beside, near_pieces, pieces_of, tips_crossed
from inkclean.curves.plane import cross, length, rows_of

_SPECK = 8  # points of a loop that may be a tip's end, broken off where it was thinner than a px
_TIP_LEFT_PX = 0.5  # px beyond its edge that a tip reaches: less crosses nothing, and is none
_ROUNDED_PX = 1.25  # px from the corner to the points of its side, for each point skipped


@dataclass(frozen=True)
class Corners:
    """Corners of ``edges``: the points ``at`` (C,) nearest to them, and ``apex`` (N, 2)
    px where those points belong. ``skip`` points to either side give way to a corner.
    """

    edges: InkEdges
    at: I64
    apex: F64
    skip: int

    def restored(self) -> InkOutline:
        """Return the outline with every corner in its place."""
        edges = self.edges
        points, keep, kept = place_corners(edges, self.at, self.apex, self.skip)
        flags = np.zeros(keep.size, np.bool_)
        flags[self.at] = True
        return InkOutline(
            rows_of(points, keep),
            offsets_of(kept),
            flags[keep],
            edges.room[keep],
            edges.shape,
            edges.hole,
        )

    def but(self, places: F64, near: float) -> Corners:
        """Return the corners without those ``near`` px to one of ``places`` (K, 2)."""
        far = ~any_within(self.apex[self.at], places, near)
        return replace(self, at=self.at[far])


def place_corners(edges: InkEdges, corner: I64, apex: F64, skip: int) -> tuple[F64, Bool, I64]:
    """Points with corners in place, which of them stay, and how many in each loop."""
    points = edges.points.copy()
    points[corner] = apex.take(corner, axis=0)
    keep = keep_clear(corner, edges.loops, skip)
    own = np.searchsorted(edges.loops, corner, side="right") - 1
    begin, size = edges.loops[own], np.diff(edges.loops)[own]
    for sign in (-1, 1):
        beside = begin + (corner - begin + sign * skip) % size
        away = length(edges.points.take(beside, axis=0) - apex.take(corner, axis=0))
        keep[beside[away < _ROUNDED_PX * skip]] = False
    keep[corner] = True
    return points, keep, np.add.reduceat(keep, edges.loops[:-1], dtype=np.int64)


def take_in_specks(
    edges: InkEdges, corner: I64, apex: F64, skip: int
) -> tuple[InkEdges, I64, F64, I64]:
    """Drop specks that a tip passes through: pixels had broken them off its own end.

    A tip of ink takes in specks of ink, a notch those of paper.

    Returns:
        edges, corners and their places without the specks; the corners that cross anything.
    """
    before = edges.points
    tips = corner[length(apex[corner] - before[corner]) > _TIP_LEFT_PX]
    if tips.size == 0:
        return edges, corner, apex, tips
    points, keep, kept = place_corners(edges, corner, apex, skip)
    place = np.cumsum(keep) - 1
    loops = offsets_of(kept)
    tip, piece = tips_crossed(pieces_of(rows_of(points, keep), loops), place[tips])
    speck = np.searchsorted(loops, piece, side="right") - 1
    at = tips[tip]
    own = np.searchsorted(edges.loops, at, side="right") - 1
    begin, size = edges.loops[own], np.diff(edges.loops)[own]
    way = before[begin + (at - begin + skip) % size] - before[begin + (at - begin - skip) % size]
    notch = cross(way, apex[at] - before[at]) > 0.0
    gone = np.zeros(kept.size, np.bool_)
    tiny = (np.diff(edges.loops)[speck] <= _SPECK) & (speck != own)
    gone[speck[tiny & (edges.hole[speck] == notch)]] = True
    if not gone.any():
        return edges, corner, apex, distinct(at)
    stays = ~np.repeat(gone, np.diff(edges.loops))
    number = np.cumsum(stays) - 1
    corner, tips = corner[stays[corner]], distinct(at[stays[at]])
    return edges.without(gone), number[corner], rows_of(apex, stays), number[tips]


def draw_back(edges: InkEdges, corner: I64, apex: F64, skip: int, tips: I64) -> I64:
    """Draw those of the corners ``tips`` that reach across another edge back, in ``apex``, until
    none does.

    Returns:
        the corners that are left: a tip drawn back to its edge is none.
    """
    if tips.size == 0:
        return corner
    points, keep, kept = place_corners(edges, corner, apex, skip)
    place = np.cumsum(keep) - 1
    pieces = pieces_of(rows_of(points, keep), offsets_of(kept))
    # Tips only shrink: nothing is met later that is not near now.
    among = near_pieces(pieces, beside(pieces, place[tips]))
    while tips.size:
        tips = tips[distinct(tips_crossed(pieces, place[tips], among)[0])]
        apex[tips] = (apex[tips] + edges.points[tips]) / 2.0
        given_up = length(apex[tips] - edges.points[tips]) < _TIP_LEFT_PX
        apex[tips[given_up]] = edges.points[tips[given_up]]
        pieces.points[place[tips]] = apex[tips]
        corner = np.setdiff1d(corner, tips[given_up])
        tips = tips[~given_up]
    return corner


def same_size(edges: InkEdges, points: F64, kept: I64) -> Bool:
    """Whether each loop still has about the area it had: a mere speck may have lost it."""
    before = _areas(edges.points, edges.loops)
    after = _areas(points, offsets_of(kept))
    same: Bool = (after * before > 0.0) & (np.abs(after) > 0.7 * np.abs(before))
    return same & (kept >= 3)


def _areas(points: F64, loops: I64) -> F64:
    following = np.arange(1, loops[-1] + 1)
    following[loops[1:] - 1] = loops[:-1]
    lengths = np.diff(loops)
    x, y = (along - np.repeat(along[loops[:-1]], lengths) for along in points.T)
    areas: F64 = np.add.reduceat(x * y.take(following) - y * x.take(following), loops[:-1])
    return areas


def keep_clear(corner: I64, loops: I64, skip: int) -> Bool:
    """Which points stay: those beside a corner give way to it."""
    length = np.diff(loops)
    own = np.repeat(np.arange(length.size), length)
    keep = np.ones(own.size, np.bool_)
    for k in range(1, skip):
        for sign in (-1, 1):
            loop = own[corner]
            keep[loops[loop] + (corner - loops[loop] + sign * k) % length[loop]] = False
    keep[corner] = True
    return keep
