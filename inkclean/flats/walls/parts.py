"""Pieces of cells, a tile at a time: after an edit only those of its tiles are found again."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from inkclean.base.arrays import F32, F64, I32, I64, Bool, places
from inkclean.flats.nearest import grown
from inkclean.flats.rasters import deepest
from inkclean.flats.tiled.pieces import TilePieces
from inkclean.flats.tiled.windows import widened, within

SIDE_PX = 256  # of a tile
SAMPLED = 3  # every so many pixels of every so many rows tell what a piece was


@dataclass(frozen=True)
class Parts:
    """The pieces that cells fall into, cut in tiles.

    ``near`` (H, W) is the piece that is nearest to each pixel. Per piece (P + 1,), 0 and those
    out of use being no part of a cell: ``cell`` that it is part of, in the order that cells are
    met from the top left; its ``first`` and ``last`` pixel, the most that it is deep, ``inner``
    px. ``was`` is the cell before the latest
    edit that it was part of, 0 of a piece found anew; ``key`` and ``times`` tell of these how
    many px each, shifted by 32 bits, lay in which. ``looked`` are the tiles that were looked at
    after it. All but ``pieces`` and ``near`` are new after each edit, these are changed.
    """

    pieces: TilePieces
    near: I32
    cell: I64
    first: I64
    last: I64
    inner: F64
    was: I64
    key: I64
    times: I64
    looked: I64

    @property
    def count(self) -> int:
        """How many cells there are."""
        return int(self.cell.max(initial=0))

    @property
    def sizes(self) -> I64:
        """How many px each cell (N + 1,) has, 0 unused."""
        found = np.bincount(self.cell, self.pieces.size, self.count + 1).astype(np.int64)
        found[0] = 0
        return found

    @classmethod
    def of(cls, open_: Bool, room: F32, label: I32) -> Parts:
        """Find the pieces of what is open (H, W); ``label`` (H, W) has the number of each cell."""
        pieces = TilePieces.none(open_.shape, SIDE_PX)
        every = np.arange(len(pieces.tiles))
        none = np.zeros(1, np.int64)
        parts = cls(pieces, label, none, none, none, np.zeros(1), none, none, none, every)
        parts = parts._found(open_, room, label, every)
        return replace(parts, near=np.array(grown(pieces.number)))

    def settled(self) -> Parts:
        """Return the same when an edit changed nothing."""
        none = np.zeros(0, np.int64)
        return replace(self, was=self.cell, key=none, times=none, looked=none)

    def after(
        self, open_: Bool, room: F32, label: I32, changed: tuple[I64, I64], reach: int
    ) -> Parts:
        """Return the pieces when some pixels changed.

        ``label`` (H, W) has the cells before that, ``reach`` px at most lie between a pixel and
        the nearest piece.
        """
        pieces = self.pieces
        chosen = pieces.tiles_at(*changed)
        parts = self._found(open_, room, label, chosen)
        for tile in chosen.tolist():
            inner = widened(pieces.tiles[tile], reach, open_.shape)
            outer = widened(inner, reach, open_.shape)
            self.near[inner] = grown(pieces.number[outer])[within(inner, outer)]
        return parts

    def heirs(self, before: int) -> I64:
        """Return for each cell (N + 1,) which of ``before`` it was in most of its px."""
        stayed = np.flatnonzero((self.was > 0) & (self.cell > 0))
        pair = np.concatenate(
            [
                self.cell[stayed] * (before + 1) + self.was[stayed],
                self.cell[self.key >> 32] * (before + 1) + (self.key & 0xFFFFFFFF),
            ]
        )
        key, at = np.unique(pair, return_inverse=True)
        many = np.concatenate([self.pieces.size[stayed], self.times])
        order = np.argsort(np.bincount(at.ravel(), many, len(key)), kind="stable")
        heir = np.zeros(self.count + 1, np.int64)
        heir[key[order] // (before + 1)] = key[order] % (before + 1)  # the most frequent last
        heir[0] = 0
        return heir

    def elsewhere(self, now: I64, before: I64, group: I64) -> Bool:
        """Return which pieces (P + 1,) are new, or in another group of cells than before.

        ``group`` (cells + 1,) and ``before`` are the groups of the cells that are and were,
        ``now`` which group of now each before goes on as.
        """
        other = (self.was == 0) | (now[before[self.was]] != group[self.cell])
        return np.asarray(other & (self.cell > 0))

    def _found(self, open_: Bool, room: F32, label: I32, chosen: I64) -> Parts:
        pieces, wide = self.pieces, open_.shape[1]
        was = self.cell.copy()
        was[np.isin(pieces.tile, chosen)] = 0
        pieces.look(lambda box: open_[box], chosen)
        more = len(pieces.tile) - len(was)
        was, first, last = (np.pad(old, (0, more)) for old in (was, self.first, self.last))
        inner = np.pad(self.inner, (0, more))
        gone = pieces.tile < 0
        was[gone] = 0
        first[gone], last[gone], inner[gone] = open_.size, -1, 0
        keys, times = [np.zeros(0, np.int64)], [np.zeros(0, np.int64)]
        for tile in chosen.tolist():
            here = pieces.tiles[tile]
            number = pieces.number[here]
            row, column = places(number)
            own = number[row, column]
            at = (row + here[0].start) * wide + column + here[1].start
            last[own] = at
            first[own[::-1]] = at[::-1]
            fresh = np.flatnonzero(pieces.tile == tile)
            inner[fresh] = deepest(number, room[here], len(inner))[fresh]
            some = (row % SAMPLED == 0) & (column % SAMPLED == 0)
            key = own[some].astype(np.int64) << 32 | label[here][row[some], column[some]]
            key, many = np.unique(key, return_counts=True)
            keys.append(key)
            times.append(many * SAMPLED**2)
        # cells in the order that they are met
        group = pieces.group
        met = np.full(int(group.max(initial=0)) + 1, open_.size)
        used = (pieces.tile >= 0) & (np.arange(len(group)) > 0)
        np.minimum.at(met, group[used], first[used])
        order = np.argsort(met, kind="stable")
        order = order[met[order] < open_.size]
        number_of = np.zeros(len(met), np.int64)
        number_of[order] = np.arange(1, len(order) + 1)
        cell = np.where(used, number_of[group], 0)
        told = np.concatenate(keys), np.concatenate(times).astype(np.int64)
        return Parts(pieces, self.near, cell, first, last, inner, was, *told, chosen)
