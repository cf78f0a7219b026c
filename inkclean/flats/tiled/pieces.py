"""Pieces of paper, found a tile at a time: after a change only its tiles are looked at again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from inkclean.base.arrays import I32, I64, Bool
from inkclean.base.pieces import pieces_of
from inkclean.base.tiles import side_by_side, strips
from inkclean.flats.tiled.windows import Box


@dataclass
class TilePieces:
    """The pieces that paper falls into when a page of ``shape`` is cut into tiles of ``side`` px.

    ``number`` (H, W) is the piece of each pixel, from 1, 0 on what is no paper. Per piece
    (N + 1,), 0 unused: the ``tile`` that it lies in, -1 of a number out of use, its ``size`` in
    px, its ``box`` (N + 1, 4), top, bottom, left, right, and ``group``, the number of all that
    hangs together with it.
    """

    shape: tuple[int, ...]
    side: int
    number: I32
    tile: I64
    size: I64
    box: I64
    group: I64

    @classmethod
    def none(cls, shape: tuple[int, ...], side: int) -> TilePieces:
        """Return a page on which nothing was found yet."""
        zero = np.zeros(1, np.int64)
        box = np.zeros((1, 4), np.int64)
        return cls(shape, side, np.zeros(shape, np.int32), zero - 1, zero, box, zero)

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

        def pieces_in(tile: int) -> tuple[I32, I64, I64]:
            rows, columns = places[tile]
            part, stats = pieces_of(paper(places[tile]), 4)
            left, top, wide, high, size = stats[1:].astype(np.int64).T
            top, left = top + rows.start, left + columns.start
            box = np.stack([top, top + high, left, left + wide], axis=1)
            return part, size, box

        order = np.argsort(self.tile, kind="stable")
        start = np.searchsorted(self.tile[order], chosen)
        stop = np.searchsorted(self.tile[order], chosen, "right")
        found = side_by_side(pieces_in, chosen.tolist())
        more_tile, more_size, more_box = [self.tile], [self.size], [self.box]
        after = len(self.tile)
        for tile, (part, sizes, box), first, last in zip(
            chosen.tolist(), found, start.tolist(), stop.tolist(), strict=True
        ):
            # numbers of the pieces that lay here are taken again, so that few are out of use
            ids = order[first:last]
            self.tile[ids], self.size[ids] = -1, 0
            fresh = max(0, len(sizes) - len(ids))
            own = np.concatenate([ids[: len(sizes)], after + np.arange(fresh)])
            kept = own[: len(sizes) - fresh]
            self.tile[kept], self.size[kept] = tile, sizes[: len(kept)]
            self.box[kept] = box[: len(kept)]
            more_tile.append(np.full(fresh, tile))
            more_size.append(sizes[len(kept) :])
            more_box.append(box[len(kept) :])
            after += fresh
            self.number[places[tile]] = np.append(0, own).astype(np.int32)[part]
        self.tile, self.size, self.box = (
            np.concatenate(more) for more in (more_tile, more_size, more_box)
        )
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
