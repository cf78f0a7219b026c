"""What to check in the areas: the few decisions whose mistake would cost most.

Whatever judges the walls gives log-odds to each wall between two rooms. A wall that fell may
have been real: its gap leaks. A wall that stands may be none: one area is in two. The cost of a
mistake is how likely it is, times the smaller of the two areas; a leak counts double, since two
areas share one colour where a needless wall takes one dab more.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import minimum_spanning_tree

from inkclean.base.arrays import F64, I64, Bool
from inkclean.flats.rasters import tally
from inkclean.flats.values import BRIDGED, CHECK, GAP, LINE, OPEN_GAP, Rows, no_rows
from inkclean.flats.walls.rooms import Rooms

MOST = 12  # places to check on a page
NEEDLESS = 0.5  # what a needless bridge costs beside a leak,
DRAWN = 0.15  # and a needless line, which is there to be seen
LEAST_DOUBT = 0.02  # surer decisions are not asked about,
LEAST_MM2 = 2.0  # nor such as would cost less than this
MOST_GAPS = 600  # open gaps that are told, the surest
MOST_CLOSED = 6  # a leak that needs more bridges than this is no question of yes or no
LEAST_LINE_MM = 1.5  # where two areas meet along less than this, nobody looks for a line
DRAWN_MM = 1.0  # a fallen line as long as this would have to be closed as well
LEAST_PX = 2  # an opening narrower than this is none
LONGEST_MM = 30.0  # of a longer border only its middle is shown


@dataclass(frozen=True)
class Judged:
    """Rooms and the log-odds (E,) that the wall between each two is real, inf if undoubted."""

    rooms: Rooms
    odds: F64


@dataclass(frozen=True)
class _Leak:
    """A part of an area that may be one of its own: its rooms, and how likely it is."""

    rooms: I64
    doubt: float
    cost: float


@dataclass(frozen=True)
class Tried:
    """The joins that were tried: ``cubic`` (J, 4, 2) in mm of the sheet, ``odds`` (J,).

    ``bridge`` (J,) is the row of each among the bridges, −1 for those that are none.
    """

    cubic: F64
    odds: F64
    bridge: I64


def find_doubts(
    first: Judged,
    last: Judged,
    area: I64,
    areas: Rows,
    tried: Tried,
    scale: float,
    smallest_mm: float = 0.0,
    on_sheet: Callable[[F64], F64] = lambda at: at,
) -> tuple[Rows, Rows]:
    """Return the gaps left open (rows of GAP) and what to check (rows of CHECK).

    Args:
        first: the rooms before any wall fell.
        last: those that are left, numbered as one of the rooms that each was made of.
        area: the area of each room before any wall fell, 1..N (index 0 unused).
        areas: rows of AREA.
        tried: the joins that rooms were closed by.
        scale: px/mm of the working raster.
        smallest_mm: areas below a square of this side are not kept.
        on_sheet: returns places (N, 2) in px of the rooms' raster as mm of the sheet.
    """
    inside = area[first.rooms.a] == area[first.rooms.b]
    leaks = _leaks(first, area, inside, scale, smallest_mm**2)
    rows, pairs = _standing(last, tried, scale)
    costs = np.concatenate([[leak.cost for leak in leaks], rows["cost_mm2"]])
    chosen: list[Rows] = []
    lines: dict[int, int] = {}
    closes = np.full(len(tried.cubic), -1)
    for k in np.argsort(-costs, kind="stable").tolist():
        if len(chosen) == MOST:
            break
        if k < len(leaks):
            joins = _closing(first.rooms, leaks[k].rooms, inside, area, scale)
            if not 0 < len(joins) <= MOST_CLOSED or (closes[joins] >= 0).any():
                continue
            closes[joins] = len(chosen)
            chosen.append(_asked(leaks[k], tried.cubic[joins]))
            continue
        row = rows[k - len(leaks)]
        if row["kind"] == LINE:
            lines[int(pairs[k - len(leaks)])] = len(chosen)
        chosen.append(row[None])
    checks = np.concatenate([no_rows(CHECK), *chosen])
    _place_lines(checks, lines, last.rooms, on_sheet)
    for side in ("one", "other"):
        at = area[checks[side][:, 0].astype(np.int64)] - 1
        checks[side] = np.stack([areas["x_mm"][at], areas["y_mm"][at]], axis=1)
    return _gaps(first.rooms, inside, tried, closes), checks


def _leaks(judged: Judged, area: I64, inside: Bool, scale: float, least_mm2: float) -> list[_Leak]:
    """Return the parts of areas that only walls in doubt joined to the rest, costliest first.

    Walls fall in the order of their odds, as in Kruskal's minimum spanning tree (Proc. AMS
    7(1), 1956): just before one falls, its two sides are joined to nothing by a surer fall.
    """
    rooms, n = judged.rooms, judged.rooms.count + 1
    rows = np.flatnonzero(inside & np.isfinite(judged.odds) & (rooms.a != rooms.b))
    if not len(rows):
        return []
    # a tree of the least odds; none may be 0, which stands for no wall
    weight = judged.odds[rows] - judged.odds[rows].min() + 1.0
    graph = coo_matrix((weight, (rooms.a[rows], rooms.b[rows])), shape=(n, n))
    tree = minimum_spanning_tree(graph.tocsr()).tocoo()
    order = np.argsort(tree.data, kind="stable")
    fallen = tree.data[order] + judged.odds[rows].min() - 1.0
    chance = 1 / (1 + np.exp(-np.clip(fallen, -30, 30)))
    size = rooms.size / scale**2
    whole = tally(area, size, int(area.max()) + 1)
    groups = _Groups(size)
    found = []
    sides = zip(tree.row[order].tolist(), tree.col[order].tolist(), chance.tolist(), strict=True)
    for a, b, doubt in sides:
        part, held = groups.join(a, b)
        smaller = min(held, float(whole[area[a]]) - held)
        cost = doubt * smaller
        if doubt >= LEAST_DOUBT and cost >= LEAST_MM2 and smaller >= least_mm2:
            found.append(_Leak(np.array(part), doubt, cost))
    return sorted(found, key=lambda leak: -leak.cost)


class _Groups:
    """Rooms that come together, two groups at a time."""

    def __init__(self, size: F64) -> None:
        self._above = list(range(len(size)))
        self._members = [[k] for k in self._above]
        self._held: list[float] = size.tolist()

    def join(self, a: int, b: int) -> tuple[list[int], float]:
        """Join the groups of two rooms; return the rooms of the smaller, and their size."""
        small, large = sorted((self._top(a), self._top(b)), key=lambda k: self._held[k])
        part, held = list(self._members[small]), self._held[small]
        if len(part) > len(self._members[large]):
            small, large = large, small
        self._above[small] = large
        self._held[large] += self._held[small]
        self._members[large] += self._members[small]
        self._members[small] = []
        return part, held

    def _top(self, k: int) -> int:
        while self._above[k] != k:
            self._above[k] = self._above[self._above[k]]
            k = self._above[k]
        return k


def _closing(rooms: Rooms, part: I64, inside: Bool, area: I64, scale: float) -> I64:
    """Return the joins that would close a part off, none if no bridge does."""
    own = np.zeros(rooms.count + 1, bool)
    own[part] = True
    border = inside & (own[rooms.a] != own[rooms.b]) & (area[rooms.a] == area[part[0]])
    broad = rooms.width >= LEAST_PX
    opened = tally(rooms.pair[broad], None, len(rooms.a)) > 0
    if (border & ~opened & (rooms.drawn > DRAWN_MM * scale)).any():
        return np.zeros(0, np.int64)
    return np.unique(rooms.join[broad & border[rooms.pair]])


def _asked(leak: _Leak, cubics: F64) -> Rows:
    row = np.zeros(1, CHECK)
    points = cubics.reshape(-1, 2)
    # the longest of them is where it leaks most
    length = np.hypot(*(cubics[:, 3] - cubics[:, 0]).T)
    middle = cubics[length.argmax()][[0, 3]].mean(axis=0)
    row["kind"], row["bridge"] = OPEN_GAP, -1
    row["x_mm"], row["y_mm"] = middle
    row["size_mm"] = min(LONGEST_MM, 2 * float(np.hypot(*(points - middle).T).max()))
    row["doubt"], row["cost_mm2"] = leak.doubt, leak.cost
    row["one"] = row["other"] = leak.rooms[0]
    return row


def _standing(last: Judged, tried: Tried, scale: float) -> tuple[Rows, I64]:
    """Return a row for each standing wall in doubt, and the pair of rooms it lies between.

    ``one`` and ``other`` hold the numbers of the two rooms.
    """
    rooms = last.rooms
    doubt = 1 / (1 + np.exp(np.clip(last.odds, -30, 30)))
    smaller = np.minimum(rooms.size[rooms.a], rooms.size[rooms.b]) / scale**2
    broad = rooms.width >= LEAST_PX
    bridged = np.bincount(rooms.pair[broad], tried.bridge[rooms.join[broad]] >= 0, len(doubt)) > 0
    cost = np.where(bridged, NEEDLESS, DRAWN) * doubt * smaller
    asked = (doubt >= LEAST_DOUBT) & (cost >= LEAST_MM2) & np.isfinite(last.odds)
    kept = np.flatnonzero(asked & (bridged | (rooms.drawn >= LEAST_LINE_MM * scale)))
    rows = np.zeros(len(kept), CHECK)
    rows["kind"], rows["bridge"] = LINE, -1
    rows["doubt"], rows["cost_mm2"] = doubt[kept], cost[kept]
    # of the bridges in a wall the widest is shown
    number = np.full(len(rooms.a), -1)
    number[kept] = np.arange(len(kept))
    order = np.argsort(rooms.width, kind="stable")
    order = order[(number[rooms.pair[order]] >= 0) & (tried.bridge[rooms.join[order]] >= 0)]
    at, join = number[rooms.pair[order]], rooms.join[order]
    rows["kind"][at], rows["bridge"][at] = BRIDGED, tried.bridge[join]
    ends = tried.cubic[join][:, [0, 3]]
    rows["x_mm"][at], rows["y_mm"][at] = ends.mean(axis=1).T
    rows["size_mm"][at] = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    rows["one"][:, 0], rows["other"][:, 0] = rooms.a[kept], rooms.b[kept]
    return rows, kept


def _place_lines(
    checks: Rows, lines: dict[int, int], rooms: Rooms, on_sheet: Callable[[F64], F64]
) -> None:
    """Put the rows that ask about lines where these run; ``lines``: pair of rooms to row."""
    wanted = np.array(sorted(lines), np.int64)
    if not len(wanted):
        return
    n, wide = rooms.count + 1, rooms.cells.label.shape[1]
    key = rooms.a[wanted] * n + rooms.b[wanted]
    a, b, where = rooms.touching
    pair = a * n + b
    here = np.isin(pair, key)
    pair, where = pair[here], where[here]
    at = on_sheet(np.stack([where % wide, where // wide], axis=-1).mean(axis=1) + 0.5)
    # as they are met on the sheet, whatever way the raster is laid
    order = np.lexsort((at[:, 0], at[:, 1]))
    pair, at = pair[order], at[order]
    for of, number in zip(key.tolist(), wanted.tolist(), strict=True):
        points = at[pair == of]
        if not len(points):
            continue
        middle = points[np.hypot(*(points - points.mean(axis=0)).T).argmin()]
        reach = float(np.hypot(*(points - middle).T).max())
        k = lines[number]
        checks["x_mm"][k], checks["y_mm"][k] = middle
        checks["size_mm"][k] = min(LONGEST_MM, 2 * reach)


def _gaps(rooms: Rooms, inside: Bool, tried: Tried, closes: I64) -> Rows:
    """Return the joins across walls that fell, the surest first."""
    broad = (rooms.width >= LEAST_PX) & inside[rooms.pair]
    open_ = np.unique(rooms.join[broad])
    # those that a place to check is about are told whatever their odds
    order = np.lexsort((-tried.odds[open_], closes[open_] < 0))
    open_ = open_[order][:MOST_GAPS]
    rows = np.zeros(len(open_), GAP)
    rows["cubic"] = tried.cubic[open_]
    rows["confidence"] = 1 / (1 + np.exp(-np.clip(tried.odds[open_], -30, 30)))
    rows["check"] = closes[open_]
    return rows
