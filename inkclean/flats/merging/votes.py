"""Which walls earn their place.

All walls that may run are laid at once; the rooms between them and the ink are merged again, worst
walls first, until every wall left is worth its place. A wall is judged as a whole: by how likely a
seam runs along its drawn line and across its openings, by how surely places on both sides are one
area, by how much drawn line it completes, and by the rooms on both sides.
"""

from __future__ import annotations

import heapq

import numpy as np

from inkclean.base.arrays import F64, I64, Bool
from inkclean.flats.merging.falling import Merging
from inkclean.flats.rasters import tally
from inkclean.flats.walls.closed import Openings
from inkclean.flats.walls.joins import Joins
from inkclean.flats.walls.judge import (
    DRAWN,
    FIXED,
    LOWEST,
    OPEN,
    WIDEST,
    broken,
    features,
    islands,
    known,
    score,
)
from inkclean.flats.walls.rooms import SURE, Rooms, rooted

NEVER = 1e6  # odds of a wall laid by hand
HOPELESS = -7.0  # joins with lower odds are not tried
NARROWEST = 0.35  # share of the smallest length: rooms thinner than this are slivers
DOUBT = -0.3  # log-odds down to which a wall stays: a leak spoils two areas, a wrong split one
DOUBT_SEEN = -1.2  # and a wall all whose openings have
SEAM_SEEN = 2.0  # log-odds of a seam above this
RAGGED = 0.6  # a wall open for more of its length than this,
RAGGED_MM = 3.0  # and for more than this in all, runs from mark to mark, and
DOUBT_RAGGED = 1.0  # has to be likelier;
MANY_OPENINGS = 4  # so has one with as many openings,
MANY_OPEN = 0.15  # and more than this share of it open: it runs along tufts, leaves, hatching,
DOUBT_MANY = 1.5  # where each gap alone may be one
LEAST_PX = 3  # narrower openings don't count
SURE_GAP = 2.0  # log-odds from which a gap between the ends of strokes is surely one,
SURE_OPEN = 4.0  # and from which any opening is
MANY_GAPS = 4.0  # on a page with fewer of these,
MANY_A_DM = 0.1  # or fewer a decimetre of its lines, and
FEW_GAPS = 1.0  # with fewer of them around a patch of paper, the line there is drawn closed,
SURE_CLOSED = 2.0, 1.0, 1.0  # and openings between 0, 1, 2 ends of strokes fall below this,
SURE_AROUND = 1.0, DOUBT, DOUBT  # or this: beside the paper around the drawing, and if they are
SURE_INSIDE = 4.0  # or, within an outline drawn without a gap, this,
INSIDE_GAPS = 2.5  # unless there are as many sure gaps there,
NEARLY_DRAWN = 0.1  # or no more than this share of the wall is open
LARGE_MM2 = 150.0  # a leak between two as large as this costs most: there,
LARGE_LESS = 1.2, 2.1, 2.1  # so much less is enough, by ends of strokes
BROAD = 1.35  # broader than so many usual lines, no place where two lines come close
SEEN_A_DM = 0.5  # a page with more openings a decimetre that show no end of a stroke is not closed
LONG_DM = 6.0  # on a closed page with so much line, which is enough to tell,
SURE_BROAD = 1.3  # broad openings fall below this,
UNLIKELY = 0.0  # and all below this, whatever gaps their patch of paper has
CRUMB_MM2 = 3.0  # what parts less than this says nothing
SURELY_NONE = -3.0  # log-odds of walls that fall whatever else does
OPENING = 4.0  # an opening counts as so much drawn line when a sliver looks for company
HATCHED = 4.0  # so does a line that is likely hatching
LIKE = 4.0  # and so much more counts another sliver
SURELY_ROUND = 0.85  # share of an outline that is all of it


class Merger(Merging):
    """Merges rooms, worst wall first."""

    def __init__(
        self, rooms: Rooms, joins: Joins, together: F64, fixed: Bool, px_per_mm: float
    ) -> None:
        """Take the rooms, the joins that are laid and which of these part for good.

        ``together``: what ``belonging`` tells of each pair of rooms.
        """
        wall = known(rooms, together, fixed, px_per_mm)
        wall[islands(rooms), FIXED] = 1
        super().__init__(rooms, wall, px_per_mm)
        self.broken = broken(joins, self.wall)
        counts = rooms.width >= LEAST_PX
        self.openings = np.bincount(rooms.pair[counts], minlength=len(self.wall))
        self.outer = np.zeros(1, bool)
        self.line_mm = 0.0
        self.odds = self.scores(np.arange(len(self.wall)))

    def tell(self, rooms: Rooms, openings: Openings, px_per_mm: float) -> None:
        """Take what the ink tells of the joins."""
        ends = openings.ends[rooms.join]
        np.maximum.at(self.ends, rooms.pair, ends)
        self.gaps += np.bincount(rooms.pair, ends / 2, len(self.gaps))
        widest = np.argsort(rooms.width, kind="stable")
        self.patch[rooms.pair[widest]] = openings.patch[rooms.join[widest]]
        self.outer, self.line_mm = openings.around, openings.line_px / px_per_mm

    def bar(self, walls: Bool) -> None:
        """Let some walls never fall."""
        self.wall[walls, FIXED] = 1
        self.odds[walls] = np.inf

    def keep(self, patch: I64, paper: I64) -> None:
        """Let no two rooms of different closed patches (R,) come together, 0 for none.

        ``paper`` (R,): the patch of paper that each room lies in.
        """
        self.whole, self.paper = patch.copy(), paper.copy()
        rows = np.arange(len(self.wall))
        self.odds[self.apart(rows)] = np.inf

    def features(self, rows: I64) -> F64:
        """Return the features of some walls."""
        a, b = self.a[rows], self.b[rows]
        known_of = self.wall[rows], self.size, self.inner, self.outline
        return features(*known_of, a, b, self.broken)

    def scores(self, rows: I64) -> F64:
        """Return the log-odds that some walls are real ones; never fall what is fixed."""
        odds = score(self.features(rows))
        return np.where((self.wall[rows, FIXED] > 0) | self.apart(rows), np.inf, odds)

    def run(self) -> I64:
        """Merge until every wall left earns its place; return the root of each room.

        Walls that surely are none fall many at a time, the others only if no wall of their two
        rooms is worse. Those across one patch of paper go before any drawn line: else a closed
        area that comes to hold a little of the paper around, by way of hatching, would be parted
        from all the rest of it by openings that are none.
        """
        steps = (True, True, self.worst), (True, False, self.worst), (False, False, self.least)
        for sure, within_paper, together in steps:
            every = np.arange(len(self.wall))
            limit = self.limits(every, sure)
            while len(rows := together(self.below(limit, within_paper))):
                changed = self.drop(rows, limit)
                limit[changed] = self.limits(changed, sure)
        self.without_lone_doubts()
        return rooted(self.parent)

    def below(self, limit: F64, within_paper: bool) -> I64:
        """Return the walls whose odds lie below a limit (E,), all or those across one paper."""
        low = self.odds < limit
        if within_paper:
            low &= (self.wall[:, OPEN] > 0) & (self.paper[self.a] == self.paper[self.b])
        return np.flatnonzero(low)

    def limits(self, rows: I64, sure: bool) -> F64:
        """Return the log-odds (N,) below which walls fall, surely or in doubt."""
        if sure:
            return np.full(len(rows), SURELY_NONE)
        drawn, open_ = self.wall[rows, DRAWN], self.wall[rows, OPEN]
        seen = (open_ > 0) & (self.wall[rows, LOWEST] > SEAM_SEEN)
        ragged = (open_ > RAGGED_MM) & (open_ > RAGGED * (drawn + open_))
        limit = np.where(ragged, DOUBT_RAGGED, np.where(seen, DOUBT_SEEN, DOUBT))
        many = (self.openings[rows] >= MANY_OPENINGS) & (open_ > MANY_OPEN * (drawn + open_))
        return np.where(many, DOUBT_MANY, limit)

    def drawn_closed(self) -> bool:
        """Return whether next to no stroke of the page ends at a gap for sure.

        One sure opening without an end of a stroke does not tell much where there is much line:
        most are narrow places.
        """
        line = self.line_dm() if self.line_dm() >= LONG_DM else 0.0
        sure = self.parting() & (self.odds >= SURE_OPEN) & (self.gaps < 1)
        ends = self.gaps[self.parting() & (self.odds >= SURE_GAP)].sum()
        few = ends < max(FEW_GAPS, MANY_A_DM * line)
        return bool(few and sure.sum() < max(FEW_GAPS, SEEN_A_DM * line))

    def closed_for_sure(self) -> bool:
        """Return whether the page is drawn closed, and has line enough to tell."""
        return self.line_dm() >= LONG_DM and self.drawn_closed()

    def line_dm(self) -> float:
        """Return how much drawn line the walls that stand have."""
        return float(self.wall[~np.isnan(self.odds), DRAWN].sum() / 100)

    def parting(self) -> Bool:
        """Return which walls (E,) stand, have an opening and part more than crumbs."""
        stands = np.isfinite(self.odds) & (self.wall[:, OPEN] > 0)
        smaller = np.minimum(self.size[self.a], self.size[self.b])
        return np.asarray(stands & (smaller >= CRUMB_MM2))

    def sure_gaps(self) -> F64:
        """Return how many sure gaps there are in each patch of paper."""
        stands = self.parting()
        gaps = np.where(self.odds >= SURE_GAP, self.gaps, 0.0)
        gaps = np.where(self.odds >= SURE_OPEN, np.maximum(gaps, 1.0), gaps)
        return tally(self.patch[stands], gaps[stands], len(self.outer))

    def without_lone_doubts(self) -> None:
        """Let openings in doubt fall where the line around a patch of paper is drawn closed.

        What seems to be a gap there is a narrow place, or meant to be open: the patch comes out
        as plain filling has it. On a page drawn closed so fall, whatever gaps their patch has,
        all openings that are likelier none.
        """
        many = max(MANY_GAPS, MANY_A_DM * self.line_dm())
        while (gaps := self.sure_gaps()).sum() < many:
            inside = self.inside(gaps)
            closed = (gaps < FEW_GAPS)[self.patch] | inside
            elsewhere = UNLIKELY if self.closed_for_sure() else -np.inf
            needed = np.where(closed, self.needed(inside), elsewhere)
            opened = np.isfinite(self.odds) & (self.wall[:, OPEN] > 0)
            rows = self.least(np.flatnonzero(opened & (self.odds < needed)))
            if not len(rows):
                return
            self.drop(rows, np.full(len(self.wall), np.inf))

    def inside(self, gaps: F64) -> Bool:
        """Return which walls lie within an outline drawn without a gap; ``gaps`` of each patch."""
        few = (gaps < INSIDE_GAPS) & ~self.outer
        drawn, open_ = self.wall[:, DRAWN], self.wall[:, OPEN]
        unlike = open_ > NEARLY_DRAWN * (drawn + open_)
        return np.asarray(few[self.patch] & unlike & self.broad)

    @property
    def broad(self) -> Bool:
        """Which walls (E,) run across more than a place where two lines come close."""
        return np.asarray(self.wall[:, WIDEST] > BROAD * self.line_mm)

    def needed(self, inside: Bool) -> F64:
        """Return the log-odds (E,) that an opening has to have where the line is drawn closed."""
        around = self.outer[self.patch] & self.broad
        least = np.where(around, np.array(SURE_AROUND)[self.ends], np.array(SURE_CLOSED)[self.ends])
        large = np.minimum(self.size[self.a], self.size[self.b]) >= LARGE_MM2
        least = least - np.where(large, np.array(LARGE_LESS)[self.ends], 0.0)
        if self.closed_for_sure():
            least = np.where(self.broad, np.maximum(least, SURE_BROAD), least)
        return np.where(inside, SURE_INSIDE, least)

    def worst(self, rows: I64) -> I64:
        """Return those of the walls ``rows`` (N,) that are the worst of their smaller rooms.

        The worst come first.
        """
        order = rows[np.argsort(self.odds[rows], kind="stable")]
        a, b = self.a[order], self.b[order]
        first = (self.size[a] < self.size[b]) | ((self.size[a] == self.size[b]) & (a > b))
        _, of = np.unique(np.where(first, a, b), return_index=True)
        return order[np.sort(of)]

    def least(self, rows: I64) -> I64:
        """Return those of the walls ``rows`` (N,) that are the worst of both their rooms.

        No two share a room. The worst come first.
        """
        order = rows[np.argsort(self.odds[rows], kind="stable")]
        rank = np.arange(len(order))
        lowest = np.full(len(self.parent), len(order))
        np.minimum.at(lowest, self.a[order], rank)
        np.minimum.at(lowest, self.b[order], rank)
        both = (lowest[self.a[order]] == rank) & (lowest[self.b[order]] == rank)
        return np.asarray(order[both])

    def drop(self, rows: I64, limit: F64) -> I64:
        """Let walls fall as ``fall`` does, and judge those around them anew; return which."""
        changed = self.fall(rows, limit)
        self.odds[changed] = self.scores(changed)
        return changed


def walls_of(joins: Joins) -> I64:
    """Return the joins worth laying, weakest first."""
    order = np.argsort(joins.odds)
    return order[joins.odds[order] > HOPELESS]


def absorb(rooms: Rooms, scale: float, smallest_mm: float, given: Bool, line_px: float) -> I64:
    """Give rooms too small to colour to a neighbour, the smallest first; return their roots.

    A room is too small below ``smallest_mm`` squared, half of the lines around it (of
    ``line_px``) counted in, as the areas will have them; or where no disc of ``NARROWEST`` times
    that width fits in. With a seam surely all round, a square of half that side is enough. It
    goes to the neighbour it shares the longest edge with; openings count more than drawn line,
    and other small rooms more than large ones, so that the cells of cross-hatching come together
    before they join what lies around. Never across a wall laid by hand (``given``, by number of
    the join).
    """
    n = rooms.count + 1
    around, surely = _outline(rooms)
    size, inner = rooms.size + around * line_px / 2, rooms.inner.copy()
    kept = surely >= SURELY_ROUND * around
    kept &= rooms.size >= (smallest_mm * scale / 2) ** 2
    weight: list[dict[int, float]] = [{} for _ in range(n)]
    total = rooms.drawn + HATCHED * rooms.shaded
    total += np.bincount(rooms.pair, OPENING * rooms.width, len(rooms.a))
    barred = np.zeros(len(rooms.a), bool)
    barred[rooms.pair[given[rooms.join]]] = True
    for a, b, w in zip(
        rooms.a[~barred].tolist(), rooms.b[~barred].tolist(), total[~barred].tolist(), strict=True
    ):
        weight[a][b] = weight[b][a] = w
    least_size, least_inner = (smallest_mm * scale) ** 2, NARROWEST * smallest_mm * scale / 2

    def small(k: int) -> bool:
        return bool(inner[k] < least_inner or (size[k] < least_size and not kept[k]))

    parent = np.arange(n)
    heap = [(size[k], k) for k in range(1, n) if rooms.size[k] > 0 and small(k)]
    heapq.heapify(heap)
    while heap:
        was, k = heapq.heappop(heap)
        if parent[k] != k or was != size[k] or not small(k) or not weight[k]:
            continue
        to = max(weight[k], key=lambda c: weight[k][c] * (LIKE if small(c) else 1.0))
        if len(weight[k]) > len(weight[to]):
            k, to = to, k
        parent[k] = to
        size[to] += size[k]
        inner[to] = max(inner[to], inner[k])
        kept[to] |= kept[k]
        for c, w in weight[k].items():
            del weight[c][k]
            if c != to:
                weight[to][c] = weight[c][to] = weight[to].get(c, 0.0) + w
        weight[k] = {}
        if small(to):
            heapq.heappush(heap, (size[to], to))
    return rooted(parent)


def _outline(rooms: Rooms) -> tuple[F64, F64]:
    """Return how long the outline of each room is, px, and how much of it is surely a seam."""
    across = np.bincount(rooms.pair, rooms.width, len(rooms.a))
    seen = np.bincount(rooms.pair, rooms.seen, len(rooms.a)) > SURE * across
    n, ends = rooms.count + 1, np.concatenate([rooms.a, rooms.b])
    around, surely = rooms.drawn + across, rooms.sure + np.where(seen, across, 0.0)
    return tally(ends, np.tile(around, 2), n), tally(ends, np.tile(surely, 2), n)
