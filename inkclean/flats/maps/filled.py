"""What hangs together on paper, as plain filling has it: on a page drawn closed it is one area.

After an edit only tiles in which another wall parts, or in which cells changed, are looked at.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from inkclean.base.arrays import I32, I64, Bool
from inkclean.base.tiles import side_by_side, strips
from inkclean.flats.rasters import dilated, pieces, square, tally
from inkclean.flats.tiled.pieces import TilePieces
from inkclean.flats.tiled.windows import Box, widened, within
from inkclean.flats.walls.cells import Cells
from inkclean.flats.walls.parts import Parts
from inkclean.flats.walls.rooms import Rooms

LARGE_MM2 = 50.0  # parts of an area as large as this,
LARGE_MM = 5.0  # in which a disc so broad fits, come together through no pore
BAND_ROWS = 256
SIDE_PX = 256  # of a tile
AROUND_PX = 2  # ink on the coarser raster reaches a little further

_Map = TypeVar("_Map", bound=np.generic)


@dataclass(frozen=True)
class Lying:
    """How much of each cell lies in which patch of paper: ``times`` (M,) px of the paper's raster.

    ``key`` (M,) rises: the cell times ``count``, plus the patch. Patches are numbered 1.. in the
    order that they are met from the top left.
    """

    key: I64
    times: I64
    count: int


def as_filled(
    rooms: Rooms,
    root: I64,
    paper: Bool,
    shut: Bool,
    px_per_mm: float,
    known: PaperTiles | None = None,
) -> I64:
    """Return the root of each room when what hangs together on paper is made one.

    ``root`` (N + 1,) is what the rooms, each of one cell, were merged to, ``paper`` (h, w) where
    there is no ink, finer than the rooms' raster: narrow places are paper there. Only walls laid
    across paper part, and what is ``shut`` (H, W). A patch of paper goes where most of it went
    already, but for large parts of it: a leak between two of these costs more than a line too
    many. ``known`` of this paper, where it is kept, is brought up to the rooms' cells.
    """
    at = _parting(rooms, root)
    if known is not None:
        known.part(at, shut)
    if known is None or rooms.cells.parts is None:
        lying = lying_of(rooms.cells, at, paper, shut)
    else:
        known.look(rooms.cells, rooms.cells.parts, paper)
        lying = known.lying(rooms.cells.parts)
    most = rooms.count + 1
    cell, patch = lying.key // lying.count, lying.key % lying.count
    lies = _largest_of(most, cell, patch, lying.times)
    key, of = np.unique(patch * most + root[cell], return_inverse=True)
    times = np.bincount(of.ravel(), lying.times, len(key))
    goes = _largest_of(lying.count, key // most, key % most, times)
    new = np.where((lies > 0) & ~_large(rooms, lies * most + root, px_per_mm), goes[lies], root)
    first = np.full(most, most)
    np.minimum.at(first, new, np.arange(most))
    return np.asarray(first[new])


def _parting(rooms: Rooms, root: I64) -> I64:
    """Return the pixels, rising, of the walls across paper that part rooms of two roots."""
    apart = root[rooms.a] != root[rooms.b]
    at, number = rooms.cells.walled
    wall = np.zeros(int(number.max(initial=0)) + 1, bool)
    wall[rooms.join[apart[rooms.pair]] + 1] = True
    return np.asarray(at[wall[number]])


def lying_of(cells: Cells, at: I64, paper: Bool, shut: Bool) -> Lying:
    """Return how much of each cell lies in which patch; the pixels ``at`` (N,) part it."""
    across = shut.copy()
    across.ravel()[at] = True
    count, patch = pieces(paper & ~_to(_broadened(across), paper.shape), 4)
    # half the memory where numbers are small
    own = cells.label.astype(np.uint16 if cells.count < 1 << 16 else np.int32)
    key, times = _often(_to(own * cells.open_, paper.shape), patch, count)
    return Lying(key, times, count)


@dataclass
class PaperTiles:
    """Patches of paper between ink and the walls that part, kept a tile at a time.

    ``row`` (h,) and ``column`` (w,) tell which of the cells' raster lies under each of the
    paper's; ``across`` (H, W) what parts there, the pixels ``at`` (N,) of it being walls, and
    ``other`` those that parted or not when it was looked at last. Per piece of a patch ``first``
    (P + 1,) is its first pixel. ``key`` (M,) are pieces of patches, shifted by 32 bits, each with
    a piece of a cell that lies there in ``times`` (M,) px. ``serial`` is that of the cells it was
    looked at with, 0 of none.
    """

    pieces: TilePieces
    row: I64
    column: I64
    across: Bool
    at: I64
    other: I64
    first: I64
    key: I64
    times: I64
    serial: int

    @classmethod
    def none(cls, paper: Bool, shut: Bool) -> PaperTiles:
        """Return a page on which nothing was looked at yet."""
        no = np.zeros(0, np.int64)
        found = TilePieces.none(paper.shape, SIDE_PX)
        under = _places(paper.shape, shut.shape)
        return cls(found, *under, shut.copy(), no, no, np.zeros(1, np.int64), no, no, 0)

    def part(self, at: I64, shut: Bool) -> None:
        """Let the pixels ``at`` (N,), rising, be walls from now on, and no others."""
        self.across.ravel()[self.at] = shut.ravel()[self.at]
        self.across.ravel()[at] = True
        self.other = np.union1d(self.other, np.setxor1d(at, self.at, assume_unique=True))
        self.at = at

    def look(self, cells: Cells, parts: Parts, paper: Bool) -> None:
        """Look again where other pixels part, and where cells changed."""
        number, pieces_ = parts.pieces.number, self.pieces
        chosen = np.arange(len(pieces_.tiles))
        if self.serial == cells.after > 0:
            chosen = self._tiles([parts.pieces.tiles[k] for k in parts.looked.tolist()])
        self.serial, self.other = cells.serial, self.other[:0]
        if not len(chosen):
            return

        def bare(box: Box) -> Bool:
            under, row, column = self._under(box)
            wide = widened(under, AROUND_PX, self.across.shape)
            closed = _broadened(self.across[wide])[within(under, wide)]
            return np.asarray(paper[box] & ~closed.take(column, axis=1)[row])

        def told(tile: int) -> tuple[I64, I64, I64, I64]:
            box = pieces_.tiles[tile]
            under, row, column = self._under(box)
            own = pieces_.number[box]
            below = number[under].take(column, axis=1)[row]
            key, times = _often(own, below, 1 << 32)
            starts = np.flatnonzero(np.diff(own.ravel(), prepend=0))
            piece, nth = np.unique(own.ravel()[starts], return_index=True)
            down, right = np.divmod(starts[nth], own.shape[1])
            at = (down + box[0].start) * pieces_.shape[1] + right + box[1].start
            return key, times, piece[piece > 0].astype(np.int64), at[piece > 0]

        pieces_.look(bare, chosen)
        inside = np.zeros(len(pieces_.tiles) + 1, bool)
        inside[chosen] = inside[-1] = True  # numbers out of use have lain here
        kept = ~inside[pieces_.tile[self.key >> 32]]
        found = side_by_side(told, chosen.tolist())
        self.key = np.concatenate([self.key[kept], *(one[0] for one in found)])
        self.times = np.concatenate([self.times[kept], *(one[1] for one in found)])
        self.first = np.pad(self.first, (0, len(pieces_.tile) - len(self.first)))
        for _, _, piece, first in found:
            self.first[piece] = first

    def lying(self, parts: Parts) -> Lying:
        """Return how much of each cell lies in which patch."""
        tiles = self.pieces
        used = np.flatnonzero(tiles.tile >= 0)
        none = tiles.number.size
        met = np.full(int(tiles.group.max(initial=0)) + 1, none)
        np.minimum.at(met, tiles.group[used], self.first[used])
        order = np.argsort(met, kind="stable")
        order = order[: np.count_nonzero(met < none)]
        patch = np.zeros(len(met), np.int64)
        patch[order] = np.arange(1, len(order) + 1)
        count = len(order) + 1
        cell = parts.cell[self.key & 0xFFFFFFFF]
        key, of = np.unique(cell * count + patch[tiles.group[self.key >> 32]], return_inverse=True)
        times = np.bincount(of.ravel(), self.times, len(key))
        return Lying(key, times.astype(np.int64), count)

    def _tiles(self, boxes: list[Box]) -> I64:
        """Return the tiles that boxes of the cells' raster have to do with, and other pixels."""
        down, right = np.divmod(self.other, self.across.shape[1])
        chosen = []
        for by in (-AROUND_PX, AROUND_PX):
            for beside in (-AROUND_PX, AROUND_PX):
                row = self._place(self.row, down + by, by > 0)
                column = self._place(self.column, right + beside, beside > 0)
                chosen.append(self.pieces.tiles_at(row, column))
        step = self.pieces.side
        for rows, columns in boxes:
            here = []
            for along, side in ((self.row, rows), (self.column, columns)):
                first, last = np.searchsorted(along, [side.start, side.stop])
                at = np.append(np.arange(first, max(last, first + 1), step), last - 1)
                here.append(at.clip(0, len(along) - 1))
            row, column = np.meshgrid(*here)
            chosen.append(self.pieces.tiles_at(row.ravel(), column.ravel()))
        return np.unique(np.concatenate(chosen))

    def _place(self, along: I64, at: I64, last: bool) -> I64:
        """Return the first or last place that lies over each of the other raster."""
        found = np.searchsorted(along, at, "right") - 1 if last else np.searchsorted(along, at)
        return found.clip(0, len(along) - 1)

    def _under(self, box: Box) -> tuple[Box, I64, I64]:
        """Return what of the cells' raster lies under a box, and the place there of each line."""
        row, column = self.row[box[0]], self.column[box[1]]
        under = slice(int(row[0]), int(row[-1]) + 1), slice(int(column[0]), int(column[-1]) + 1)
        return under, row - row[0], column - column[0]


def _broadened(across: Bool) -> Bool:
    return dilated(across, square(2 * AROUND_PX + 1)) > 0


def _large(rooms: Rooms, part: I64, px_per_mm: float) -> Bool:
    """Return which rooms (N + 1,) lie in a large ``part`` of an area, told by its number."""
    number, of = np.unique(part, return_inverse=True)
    size, inner = tally(of, rooms.size, len(number)), np.zeros(len(number))
    np.maximum.at(inner, of, rooms.inner)
    large = (size >= LARGE_MM2 * px_per_mm**2) & (inner >= LARGE_MM / 2 * px_per_mm)
    return np.asarray(large[of])


def _often(label: NDArray[Any], patch: I32, count: int) -> tuple[I64, I64]:
    """Return all keys ``label * count + patch`` of two maps, rising, and how often each is met.

    Pixels without a label or a patch, 0, don't count.
    """

    def some(rows: slice) -> tuple[I64, I64]:
        one, other = label[rows].ravel(), patch[rows].ravel()
        # neighbours are mostly alike
        new = np.ones(one.size, bool)
        new[1:] = (one[1:] != one[:-1]) | (other[1:] != other[:-1])
        starts = np.flatnonzero(new)
        times = np.diff(starts, append=one.size)
        one, other = one[starts], other[starts]
        here = (one > 0) & (other > 0)
        return one[here].astype(np.int64) * count + other[here], times[here]

    keys, times = (
        np.concatenate(part)
        for part in zip(*side_by_side(some, strips(len(label), BAND_ROWS)), strict=True)
    )
    key, at = np.unique(keys, return_inverse=True)
    return key, np.bincount(at.ravel(), times, len(key)).astype(np.int64)


def _largest_of(count: int, of: I64, value: I64, times: NDArray[Any]) -> I64:
    """Return for each of ``count`` things the value it has most often, 0 for none."""
    found = np.zeros(count, np.int64)
    order = np.argsort(times, kind="stable")
    found[of[order]] = value[order]
    return found


def _to(raster: NDArray[_Map], shape: tuple[int, ...]) -> NDArray[_Map]:
    """Return a raster enlarged to a shape, nearest pixel centre."""
    row, column = _places(shape, raster.shape)
    # columns first, while rows are few; then whole rows are copied
    return np.asarray(raster.take(column, axis=1)[row])


def _places(shape: tuple[int, ...], small: tuple[int, ...]) -> tuple[I64, I64]:
    """Return which row and column of a small raster is nearest to each of a larger one."""
    row, column = (
        np.minimum(((np.arange(n) + 0.5) * few / n).astype(np.int64), few - 1)
        for n, few in zip(shape, small, strict=True)
    )
    return row, column
