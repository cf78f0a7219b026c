"""Walls that fall: their two rooms become one, and other walls go on with each other."""

from __future__ import annotations

import numpy as np

from inkclean.base.arrays import F64, I64, Bool
from inkclean.base.compiled import compiled
from inkclean.flats.walls.judge import DRAWN, LOWEST, OPEN, SHADED, WIDEST, merged, outlines
from inkclean.flats.walls.rooms import Rooms

_compiled = compiled("inkclean.flats.merging._falling")


class Merging:
    """Rooms (R,) that become one, and what is known of the walls (E,) between them.

    Walls: ``wall`` (E, KNOWN) as in ``judge``, ``odds`` nan where it fell, ``a`` and ``b`` its
    rooms, ``ends`` of strokes at an opening, at most, ``gaps`` half of them all, ``openings`` how
    many there are, ``patch`` of paper that the widest lies on. Rooms: ``parent``, itself while it
    stands, ``size`` mm², ``inner`` radius mm, ``outline`` (R, 3) as in ``judge``, ``paper`` the
    patch that most of it is of, ``whole`` a closed patch that it holds, or 0.
    """

    def __init__(self, rooms: Rooms, wall: F64, px_per_mm: float) -> None:
        """Take the rooms and what is known of the walls."""
        count = len(wall)
        self.wall, self.odds = wall, np.zeros(count)
        self.outline = outlines(rooms, wall)
        self.size, self.inner = rooms.size / px_per_mm**2, rooms.inner / px_per_mm
        self.a, self.b = rooms.a.astype(np.int64), rooms.b.astype(np.int64)
        self.parent = np.arange(rooms.count + 1)
        self.gaps = np.zeros(count)
        self.ends, self.openings, self.patch = np.zeros((3, count), np.int64)
        self.whole, self.paper = np.zeros((2, rooms.count + 1), np.int64)
        self._around: list[dict[int, int]] = []
        self._lists = (np.zeros(0, np.int64),) * 3
        if _compiled is None:
            self._around = [{} for _ in self.parent]
            for row, (a, b) in enumerate(zip(self.a.tolist(), self.b.tolist(), strict=True)):
                self._around[a][b] = self._around[b][a] = row
        else:
            self._lists = _listed(self.a, self.b, len(self.parent))

    def apart(self, rows: I64) -> Bool:
        """Return which walls lie between rooms that hold two closed patches."""
        one, other = self.whole[self.a[rows]], self.whole[self.b[rows]]
        return np.asarray((one > 0) & (other > 0) & (one != other))

    def fall(self, rows: I64, limit: F64) -> I64:
        """Let the walls ``rows`` (N,) whose odds still lie below ``limit`` (E,) fall in turn.

        Returns the walls around the rooms they make, which are to be judged anew. Those that go
        on with others do not fall before; nor do any between rooms that hold two closed patches.
        """
        if _compiled is None:
            return self._fall(rows, limit)
        changed = np.zeros(len(self.wall), np.bool_)
        reals = self.wall, self.odds, self.gaps, self.size, self.inner, self.outline
        walls = self.a, self.b, self.ends, self.openings, self.patch
        rooms = self.parent, self.whole, self.paper
        known = DRAWN, SHADED, OPEN, LOWEST, WIDEST
        _compiled.fall(rows, limit, *reals, *walls, *rooms, changed, *self._lists, *known)
        return np.flatnonzero(changed)

    def _fall(self, rows: I64, limit: F64) -> I64:
        """Do what ``fall`` does."""
        made = [
            self._merge(row)
            for row in rows.tolist()
            if self.odds[row] < limit[row] and not self.apart(np.array([row]))[0]
        ]
        around: set[int] = set()
        for room in made:
            around.update(self._around[room].values())
        return np.array(sorted(around), np.int64)

    def _merge(self, row: int) -> int:
        """Let a wall fall; return the room that its two become."""
        a, b = int(self.a[row]), int(self.b[row])
        around = self._around
        if len(around[a]) < len(around[b]):
            a, b = b, a
        self.parent[b] = a
        if self.size[b] > self.size[a]:
            self.paper[a] = self.paper[b]
        self.whole[a] = max(self.whole[a], self.whole[b])
        self.size[a] += self.size[b]
        self.inner[a] = max(self.inner[a], self.inner[b])
        gone = self.wall[row]
        inside = np.array([gone[DRAWN] + gone[OPEN], gone[SHADED], gone[OPEN]])
        self.outline[a] += self.outline[b] - 2 * inside
        self.odds[row] = np.nan
        del around[a][b]
        for c, theirs in around[b].items():
            if c == a:
                continue
            del around[c][b]
            mine = around[a].get(c)
            if mine is None:
                around[a][c] = around[c][a] = theirs
                self.a[theirs], self.b[theirs] = a, c
            else:
                if self.wall[theirs, WIDEST] > self.wall[mine, WIDEST]:
                    self.patch[mine] = self.patch[theirs]
                self.wall[mine] = merged(self.wall[mine], self.wall[theirs])
                self.ends[mine] = max(self.ends[mine], self.ends[theirs])
                self.gaps[mine] += self.gaps[theirs]
                self.openings[mine] += self.openings[theirs]
                self.odds[theirs] = np.nan
                self.odds[mine] = np.inf  # it does not fall before it is judged anew
        around[b] = {}
        return a


def _listed(a: I64, b: I64, rooms: int) -> tuple[I64, I64, I64]:
    """Return the lists of walls around each room, as ``_falling.c`` has them.

    Where each begins and how long it is, (R,), and what comes after and before (2, 2E); -1 is
    none. A wall stands at twice its number in the list of its room ``a``, one further in ``b``'s.
    """
    room = np.stack([a, b], axis=1).ravel()
    order = np.argsort(room, kind="stable")
    degree = np.bincount(room, minlength=rooms)
    begin = np.cumsum(degree) - degree
    links = np.full((2, len(room)), -1)
    one, next_ = order[:-1], order[1:]
    same = room[one] == room[next_]
    links[0, one[same]], links[1, next_[same]] = next_[same], one[same]
    head = np.full(rooms, -1)
    head[degree > 0] = order[begin[degree > 0]]
    return head, degree, links
