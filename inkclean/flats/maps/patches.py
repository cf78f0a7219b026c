"""Patches of paper and the label of each, kept a tile at a time for the next edit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from inkclean.base.arrays import I64, U16, Bool
from inkclean.base.tiles import side_by_side
from inkclean.flats.tiled.pieces import TilePieces
from inkclean.flats.tiled.windows import Box

SIDE_PX = 512  # of a tile
MIXED = 0.002  # a patch of paper with a larger share of other labels is not one area's
SAMPLED = 13  # every so many pixels of a row decide to which area a patch belongs,
SHIFTED = 5  # further by so many from row to row


@dataclass
class PatchLabels:
    """What decides the labels of patches of paper on a page of ``shape``.

    ``key`` (M,): pieces of patches, each shifted by 16 bits, with a label that lies under them;
    ``met`` (M,) how many px of the piece do, ``asked`` (M,) how many of these lie on the lattice
    that decides. ``last`` (N + 1,) is the last pixel of a piece that has a label, -1 for none,
    ``own`` (N + 1,) that label. What was decided for each piece: ``label`` (N + 1,), and whether
    its patch is ``mixed``, so that each pixel has its own.
    """

    pieces: TilePieces
    key: I64
    met: I64
    asked: I64
    last: I64
    own: I64
    label: I64
    mixed: Bool

    @classmethod
    def none(cls, shape: tuple[int, ...]) -> PatchLabels:
        """Return a page on which nothing was looked at yet."""
        no, zero = np.zeros(0, np.int64), np.zeros(1, np.int64)
        pieces = TilePieces.none(shape, SIDE_PX)
        return cls(pieces, no, no, no, zero - 1, zero, zero, np.zeros(1, bool))

    def renumber(self, now: I64) -> None:
        """Give labels the numbers that they have ``now`` (labels + 1,)."""
        self.key = self.key >> 16 << 16 | now[self.key & 0xFFFF]
        self.own, self.label = now[self.own], now[self.label]

    def look(self, paper: Callable[[Box], Bool], under: Callable[[Box], U16], chosen: I64) -> I64:
        """Look at some tiles anew; return those in which a pixel may have another label.

        ``paper`` of a box tells where its paper is, ``under`` the labels that lie under it, 0
        where none is known.
        """
        pieces = self.pieces
        pieces.look(paper, chosen)
        places = pieces.tiles
        inside = np.zeros(len(places) + 1, bool)
        inside[chosen] = inside[-1] = True  # numbers out of use have lain here
        kept = ~inside[pieces.tile[self.key >> 16]]
        more = len(pieces.tile) - len(self.last)
        last, own = np.pad(self.last, (0, more), constant_values=-1), np.pad(self.own, (0, more))
        last[inside[pieces.tile]] = -1
        told = side_by_side(
            lambda tile: self._told(places[tile], under(places[tile])), chosen.tolist()
        )
        for _, _, _, piece, at, label in told:
            last[piece], own[piece] = at, label
        self.key, self.met, self.asked = (
            np.concatenate([old[kept], *(part[k] for part in told)])
            for k, old in enumerate((self.key, self.met, self.asked))
        )
        self.last, self.own = last, own
        label, mixed = self._decided()
        had, was = np.pad(self.label, (0, more)), np.pad(self.mixed, (0, more))
        other = (mixed != was) | (~mixed & (label != had))
        inside[:-1][pieces.tile[other & (pieces.tile >= 0)]] = True
        self.label, self.mixed = label, mixed
        return np.flatnonzero(inside[:-1])

    def seeds(self, box: Box, under: U16) -> U16:
        """Return the label of each pixel of paper in a box, 0 where it is not known."""
        number = self.pieces.number[box]
        own = self.label.astype(np.uint16)[number]
        return np.where(self.mixed[number], under, own)

    def _told(self, box: Box, under: U16) -> tuple[I64, I64, I64, I64, I64, I64]:
        """Return what a tile tells: keys, px and those on the lattice; pieces, last px, labels."""
        number = self.pieces.number[box]
        key = (number.astype(np.int64) << 16 | under).ravel()
        # neighbours are mostly alike
        starts = np.flatnonzero(np.diff(key, prepend=-1))
        times = np.diff(starts, append=len(key))
        known = (key[starts] >> 16 > 0) & (key[starts] & 0xFFFF > 0)
        starts, times = starts[known], times[known]
        keys, at = np.unique(key[starts], return_inverse=True)
        met = np.bincount(at.ravel(), times, len(keys)).astype(np.int64)
        row, column = (np.arange(side.start, side.stop) for side in box)
        lattice = (SHIFTED * row[:, None] + column) % SAMPLED == 0
        some = key[lattice.ravel()]
        some = some[(some >> 16 > 0) & (some & 0xFFFF > 0)]
        asked = np.bincount(np.searchsorted(keys, some), minlength=len(keys))
        # the last one counts
        ends = starts + times - 1
        piece, first = np.unique((key[starts] >> 16)[::-1], return_index=True)
        last = ends[::-1][first]
        down, across = np.divmod(last, number.shape[1])
        page = (down + box[0].start) * self.pieces.shape[1] + across + box[1].start
        return keys, met, asked, piece, page, key[last] & 0xFFFF

    def _decided(self) -> tuple[I64, Bool]:
        """Return the label of each piece's patch, as most of the lattice has it, if it is mixed."""
        group = self.pieces.group
        many = int(group.max(initial=0)) + 1
        key, at = np.unique(group[self.key >> 16] << 16 | self.key & 0xFFFF, return_inverse=True)
        met, asked = (np.bincount(at.ravel(), n, len(key)) for n in (self.met, self.asked))
        of, label = key >> 16, key & 0xFFFF
        order = np.argsort(asked, kind="stable")
        order = order[asked[order] > 0]
        table = np.zeros(many, np.int64)
        table[of[order]] = label[order]  # the most frequent last
        # the lattice met none of the smallest patches: the last pixel of each decides
        rest = np.flatnonzero((self.last >= 0) & (table[group] == 0))
        rest = rest[np.argsort(self.last[rest])]
        table[group[rest]] = self.own[rest]
        wrong = np.bincount(of, np.where(label != table[of], met, 0), many)
        mixed = wrong > MIXED * np.bincount(group, self.pieces.size, many)
        found, each = table[group], mixed[group]
        found[0], each[0] = 0, False
        return found, each
