"""Which walls earn their place.

All joins are laid as walls at once; the rooms between them are merged again, worst wall first,
until every wall left is more likely seen than not. A wall is judged by the odds of the joins in
it, by how much drawn line it completes, and by its openings against the rooms on both sides.
"""

from __future__ import annotations

import heapq

import numpy as np

from inkclean.arrays import F64, I64, Bool
from inkclean.flats.gaps import Joins
from inkclean.flats.rooms import Rooms, rooted

NEVER = 1e6  # odds of a wall laid by hand
HOPELESS = -4.0  # joins with lower odds are not tried
NARROWEST = 0.35  # share of the smallest length: rooms thinner than this are slivers
OPENING = 4.0  # an opening counts as so much drawn line when a sliver looks for company
HATCHED = 4.0  # so does a line that is likely hatching
LIKE = 4.0  # and so much more counts another sliver
WALL_WEIGHTS = np.array(
    [
        -0.779,
        0.188,
        0.214,
        -0.169,
        0.597,
        0.612,
        -0.046,
        0.658,
        -0.634,
        -0.046,
        1.020,
        -0.198,
    ]
)

WALL_FEATURES = (
    "one",
    "for",  # sum of the odds of joins that speak for it
    "against",  # sum of the odds that speak against
    "worst",
    "mean",  # of the odds, by width
    "drawn",  # log of drawn line between the rooms, mm
    "open",  # log of the openings' width together, mm
    "share",  # log of drawn over open
    "neck",  # the widest opening against the smaller room's width
    "small",  # log of the smaller room, mm²
    "thin",  # the thinner room's inner radius, mm, up to 2
    "loops",  # openings
)


def judge(
    drawn: float, joins: dict[int, float], odds: F64, small: float, thin: float, scale: float
) -> list[float]:
    """Return the features of one wall; see WALL_FEATURES."""
    o = [float(odds[j]) for j in joins]
    width = sum(joins.values()) / scale
    widest = max(joins.values()) / scale
    mm = drawn / scale
    return [
        1.0,
        sum(v for v in o if v > 0),
        sum(v for v in o if v < 0),
        min(o),
        sum(w * float(odds[j]) for j, w in joins.items()) / (width * scale),
        float(np.log(mm + 0.3)),
        float(np.log(width + 0.3)),
        float(np.log((mm + 0.3) / (width + 0.3))),
        min(widest / (2 * thin / scale + 0.3), 3.0),
        float(np.log(small / scale**2 + 0.1)),
        min(thin / scale, 2.0),
        float(len(o)),
    ]


class Merger:
    """Merges rooms, worst wall first."""

    def __init__(self, rooms: Rooms, odds: F64, scale: float, weights: F64) -> None:
        """Take the rooms, the odds of the joins, px/mm and the weights of WALL_FEATURES."""
        n = rooms.count + 1
        self.odds, self.scale, self.weights = odds, scale, weights
        self.size, self.inner = rooms.size.tolist(), rooms.inner.tolist()
        self.parent = list(range(n))
        self.drawn: list[dict[int, float]] = [{} for _ in range(n)]
        self.joins: list[dict[int, dict[int, float]]] = [{} for _ in range(n)]
        outline = rooms.drawn - rooms.shaded  # a stroke of hatching completes no outline
        for a, b, mm in zip(rooms.a.tolist(), rooms.b.tolist(), outline.tolist(), strict=True):
            self.drawn[a][b] = self.drawn[b][a] = mm
        a_of, b_of = rooms.a.tolist(), rooms.b.tolist()
        for k, j, w in zip(
            rooms.pair.tolist(), rooms.join.tolist(), rooms.width.tolist(), strict=True
        ):
            a, b = a_of[k], b_of[k]
            shared = self.joins[a].setdefault(b, {})
            self.joins[b][a] = shared
            shared[j] = shared.get(j, 0.0) + w
        self.heap: list[tuple[float, int, int]] = []

    def features(self, a: int, b: int) -> list[float]:
        """Return the features of the wall between two rooms."""
        return judge(
            self.drawn[a].get(b, 0.0),
            self.joins[a][b],
            self.odds,
            min(self.size[a], self.size[b]),
            min(self.inner[a], self.inner[b]),
            self.scale,
        )

    def score(self, a: int, b: int) -> float:
        """Return the log-odds that the wall between two rooms is a real one."""
        return float(np.dot(self.features(a, b), self.weights))

    def run(self) -> I64:
        """Merge until every wall left earns its place; return the root of each room."""
        for a, walls in enumerate(self.joins):
            for b in walls:
                if a < b:
                    heapq.heappush(self.heap, (self.score(a, b), a, b))
        current = {(a, b): s for s, a, b in self.heap}
        while self.heap:
            score, a, b = heapq.heappop(self.heap)
            if current.get((a, b)) != score:
                continue
            if score >= 0:
                break
            self._merge(a, b, current)
        return self.roots()

    def _merge(self, a: int, b: int, current: dict[tuple[int, int], float]) -> None:
        if len(self.drawn[a]) < len(self.drawn[b]):
            a, b = b, a
        self.parent[b] = a
        self.size[a] += self.size[b]
        self.inner[a] = max(self.inner[a], self.inner[b])
        current.pop((min(a, b), max(a, b)), None)
        for c, mm in self.drawn[b].items():
            del self.drawn[c][b]
            if c != a:
                self.drawn[a][c] = self.drawn[c][a] = self.drawn[a].get(c, 0.0) + mm
        touched = []
        for c, joins in self.joins[b].items():
            del self.joins[c][b]
            current.pop((min(b, c), max(b, c)), None)
            if c != a:
                mine = self.joins[a].setdefault(c, {})
                self.joins[c][a] = mine
                for j, w in joins.items():
                    mine[j] = mine.get(j, 0.0) + w
                touched.append(c)
        self.drawn[b], self.joins[b] = {}, {}
        for c in list(self.joins[a]):
            pair = (min(a, c), max(a, c))
            score = self.score(*pair)
            current[pair] = score
            heapq.heappush(self.heap, (score, *pair))

    def roots(self) -> I64:
        """Return for each room the room it has become part of."""
        root = np.array(self.parent)
        while True:
            further = root[root]
            if (further == root).all():
                return root
            root = further


def walls_of(joins: Joins) -> I64:
    """Return the joins worth laying, weakest first."""
    order = np.argsort(joins.odds)
    return order[joins.odds[order] > HOPELESS]


def absorb(rooms: Rooms, scale: float, smallest_mm: float, given: Bool) -> I64:
    """Give rooms too small to colour to a neighbour, the smallest first; return their roots.

    A room is too small below ``smallest_mm`` squared, or where no disc of ``NARROWEST`` times
    that width fits in. It goes to the neighbour it shares the longest edge with; openings count
    more than drawn line, and other small rooms more than large ones, so that the cells of
    cross-hatching come together before they join what lies around. Never across a wall laid by
    hand (``given``, by number of the join).
    """
    n = rooms.count + 1
    size, inner = rooms.size.copy(), rooms.inner.copy()
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
        return bool(size[k] < least_size or inner[k] < least_inner)

    parent = np.arange(n)
    heap = [(size[k], k) for k in range(1, n) if size[k] > 0 and small(k)]
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
        for c, w in weight[k].items():
            del weight[c][k]
            if c != to:
                weight[to][c] = weight[c][to] = weight[to].get(c, 0.0) + w
        weight[k] = {}
        if small(to):
            heapq.heappush(heap, (size[to], to))
    return rooted(parent)
