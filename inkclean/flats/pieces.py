"""Pieces of paper, found a tile at a time: after a change only its tiles are looked at again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import cv2
import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from inkclean.base.arrays import I32, I64, Bool
from inkclean.base.tiles import side_by_side, strips

Box = tuple[slice, slice]


@dataclass
class Pieces:
    """The pieces that paper falls into when a page of ``shape`` is cut into tiles of ``side`` px.

    ``number`` (H, W) is the piece of each pixel, from 1, 0 on what is no paper. Per piece
    (N + 1,), 0 unused: the ``tile`` that it lies in, -1 of a number out of use, its ``size`` in
    px, and ``group`` (N + 1,), the number from 1 of all that hangs together with it.
    """

    shape: tuple[int, ...]
    side: int
    number: I32 = field(init=False)
    tile: I64 = field(init=False)
    size: I64 = field(init=False)
    group: I64 = field(init=False)

    def __post_init__(self) -> None:
        self.number = np.zeros(self.shape, np.int32)
        self.tile, self.size = np.full(1, -1), np.zeros(1, np.int64)
        self.group = np.zeros(1, np.int64)

    @property
    def tiles(self) -> list[Box]:
        """All tiles, row after row."""
        high, wide = self.shape
        return [(r, c) for r in strips(high, self.side) for c in strips(wide, self.side)]

    def tiles_at(self, row: I64, column: I64) -> I64:
        """Return the numbers of the tiles that pixels lie in, rising."""
        across = -(-self.shape[1] // self.side)
        found = np.zeros(across * -(-self.shape[0] // self.side), bool)
        found[row // self.side * across + column // self.side] = True
        return np.flatnonzero(found)

    def look(self, paper: Callable[[Box], Bool], chosen: I64) -> None:
        """Find the pieces of some tiles anew, and what hangs together; ``paper`` of a box."""
        places = self.tiles

        def pieces_in(tile: int) -> tuple[I32, I64]:
            mask = paper(places[tile])
            count, part, stats, _ = cv2.connectedComponentsWithStats(
                np.ascontiguousarray(mask).view(np.uint8), connectivity=4
            )
            sizes = stats[1:, cv2.CC_STAT_AREA].astype(np.int64)
            return np.asarray(part, np.int32), sizes

        order = np.argsort(self.tile, kind="stable")
        start = np.searchsorted(self.tile[order], chosen)
        stop = np.searchsorted(self.tile[order], chosen, "right")
        found = side_by_side(pieces_in, chosen.tolist())
        more_tile, more_size = [self.tile], [self.size]
        after = len(self.tile)
        for tile, (part, sizes), first, last in zip(
            chosen.tolist(), found, start.tolist(), stop.tolist(), strict=True
        ):
            # numbers of the pieces that lay here are taken again, so that few are out of use
            ids = order[first:last]
            self.tile[ids], self.size[ids] = -1, 0
            fresh = max(0, len(sizes) - len(ids))
            own = np.concatenate([ids[: len(sizes)], after + np.arange(fresh)])
            kept = own[: len(sizes) - fresh]
            self.tile[kept], self.size[kept] = tile, sizes[: len(kept)]
            more_tile.append(np.full(fresh, tile))
            more_size.append(sizes[len(kept) :])
            after += fresh
            self.number[places[tile]] = np.append(0, own).astype(np.int32)[part]
        self.tile, self.size = np.concatenate(more_tile), np.concatenate(more_size)
        self._hang_together()

    def _hang_together(self) -> None:
        side, number = self.side, self.number
        pairs = [
            (number[side - 1 : -1 : side].ravel(), number[side::side].ravel()),
            (number[:, side - 1 : -1 : side].T.ravel(), number[:, side::side].T.ravel()),
        ]
        one, other = (np.concatenate(part) for part in zip(*pairs, strict=True))
        met = (one > 0) & (other > 0)
        met[1:] &= (one[1:] != one[:-1]) | (other[1:] != other[:-1])
        one, other = one[met], other[met]
        count = len(self.tile)
        graph = coo_matrix((np.ones(len(one), np.int8), (one, other)), shape=(count, count))
        _, group = connected_components(graph, directed=False)
        self.group = np.asarray(group, np.int64)
