"""What is drawn all round in an unbroken line: such areas stay, whatever the odds say.

And where a line breaks off: the ends of strokes tell gaps from narrow places.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from inkclean.base.arrays import F64, I32, I64, Bool, places
from inkclean.flats.rasters import depth, pieces, tally
from inkclean.flats.walls.joins import Joins
from inkclean.flats.walls.rooms import Rooms

WIDE_MM = 1.4  # a patch of paper that a disc this broad fits in is no cell of hatching
BROAD_MM = 4.0  # and no marks close one that is so broad
HATCHING = -3.0  # a line whose mean log-odds of a seam lie below this is surely hatching,
SHADED = 0.9  # if more than this share of it is likelier hatching
SIDE = 0.25  # of a narrow patch's outline that another lies along makes these two lie side by side
RADII = 1.1, 1.5, 2.0, 2.6, 3.5, 4.6  # of circles around the end of a stroke, in its widths
STEPS = 48  # round a circle
BROAD = 1 / 3  # ink on more of a circle than this is no single stroke
LARGE_MM2 = 15.0  # a patch that is broad, or as large as this, should not leak
BESIDE = tuple((down, right) for down in (-1, 0, 1) for right in (-1, 0, 1) if down or right)
ALONG_RIM = 0.2  # a patch along this share of the raster's rim lies around the drawing


def between_closed(rooms: Rooms, ink: Bool, px_per_mm: float) -> Bool:
    """Return which walls lie between two wide patches of paper that the ink alone parts.

    ``ink`` (H, W) without any bridge. Such a wall is a line drawn without a gap, and on both
    its sides is room for an area: it never falls. Narrow patches may be cells of hatching, and
    so may those that are not broad, where the line is surely seen as hatching.
    """
    patches = Patches.of(ink, px_per_mm)
    return patches.part(rooms)


@dataclass(frozen=True)
class Patches:
    """Patches of paper that the ink alone parts: ``number`` (H, W), 0 on ink.

    Per patch: whether a disc of ``WIDE_MM`` fits in, or one of ``BROAD_MM``, and whether it
    lies ``around`` the drawing: along much of the rim of the raster, or the most. What the
    sheet's side cuts off is no paper around.
    """

    number: I32
    wide: Bool
    broad: Bool
    around: Bool

    @classmethod
    def of(cls, ink: Bool, px_per_mm: float) -> Patches:
        """Find the patches between ink (H, W) without any bridge."""
        count, patch = pieces(~ink, 4)
        inner = np.zeros(count, np.float32)
        np.maximum.at(inner, patch.ravel(), depth(~ink).ravel())
        wide, around = inner >= WIDE_MM / 2 * px_per_mm, np.zeros(count, bool)
        broad = inner >= BROAD_MM / 2 * px_per_mm
        rim = np.concatenate([patch[0], patch[-1], patch[:, 0], patch[:, -1]])
        along = np.bincount(rim[rim > 0], minlength=count)
        around[along >= min(ALONG_RIM * len(rim), max(along.max(), 1))] = True
        wide[0] = around[0] = broad[0] = False
        return cls(patch, wide, broad, around)

    def large(self, rooms: Rooms) -> I64:
        """Return for each room the large patch it lies in that a lone narrow one adjoins, or 0.

        Several narrow patches that lie long side by long side may be hatching, which parts
        nothing.
        """
        of, count = self.of_rooms(rooms), len(self.wide)
        one, other = of[rooms.a], of[rooms.b]
        met = (one != other) & (one > 0) & (other > 0)
        key = np.concatenate([one[met] * count + other[met], other[met] * count + one[met]])
        pair, at = np.unique(key, return_inverse=True)
        line = tally(at, np.tile(rooms.drawn[met], 2), len(pair))
        one, other = pair // count, pair % count
        side = line > SIDE * tally(one, line, count)[one]
        crowded, beside = np.zeros((2, count), bool)
        crowded[one[side & ~self.wide[other]]] = True
        beside[one[~self.wide[other] & ~crowded[other]]] = True
        return np.where(self.broad[of] & beside[of], of, 0)

    def of_rooms(self, rooms: Rooms) -> I64:
        """Return the patch that each room lies in: that of the largest of its cells."""
        return rooms.mostly(self.number.ravel()[rooms.cells.last].astype(np.int64))

    def part(self, rooms: Rooms) -> Bool:
        """Return which walls never fall, see :func:`between_closed`.

        All walls between two patches are judged as one line.
        """
        of, count = self.of_rooms(rooms), len(self.wide)
        one, other = of[rooms.a], of[rooms.b]
        pairs, at = np.unique(
            np.minimum(one, other) * count + np.maximum(one, other), return_inverse=True
        )
        drawn, line, shaded = (
            tally(at, known, len(pairs))[at] for known in (rooms.drawn, rooms.line, rooms.shaded)
        )
        drawn = np.maximum(drawn, 1e-6)
        hatched = (line < HATCHING * drawn) & (shaded > SHADED * drawn)
        broad = self.broad[one] & self.broad[other]
        apart = (one != other) & self.wide[one] & self.wide[other]
        return np.asarray(apart & (broad | ~hatched))


@dataclass(frozen=True)
class Openings:
    """What the ink tells of the openings that joins run across.

    Per join: ``ends`` (J,), of strokes, that it runs between, 0, 1 or 2; ``patch`` (J,) of
    paper that it lies on, 0 if it is laid nowhere. ``around`` per patch, see ``Patches``.
    ``line_px``: how broad a usual line is.
    """

    ends: I64
    patch: I64
    around: Bool
    line_px: float


def openings_of(
    rooms: Rooms,
    joins: Joins,
    patches: Patches,
    ink: Bool,
    line_px: float,
    known: dict[int, int] | None = None,
) -> Openings:
    """Return what the ink (H, W), as drawn, tells of the openings of all joins.

    ``known`` keeps the ends of ridges for the next time that this is asked of the page.
    """
    patch = np.zeros(len(joins) + 1, np.int64)
    at, wall = rooms.cells.walled
    np.maximum.at(patch, wall, patches.number.ravel()[at])
    known = {} if known is None else known
    ends = np.array([known.get(ridge, -1) for ridge in joins.ridge.tolist()], np.int64)
    fresh = ends < 0
    ends[fresh] = stroke_ends(joins.chosen(fresh), ink, line_px)
    drawn = fresh & (joins.ridge > 0)
    known.update(zip(joins.ridge[drawn].tolist(), ends[drawn].tolist(), strict=True))
    return Openings(ends, patch[1:], patches.around, line_px)


def stroke_ends(joins: Joins, ink: Bool, line_px: float) -> I64:
    """Return how many ends of strokes each join (J,) runs between: 0, 1 or 2.

    Around the end of a stroke a circle crosses the ink once; beside a line it does so twice.
    ``line_px``: how broad a usual line is.
    """
    runs, share = _around(joins.cubic[:, [0, 3]].reshape(-1, 2), ink, line_px)
    once = (runs == 1) & (share < BROAD)
    end = (once[:, 1:] & once[:, :-1]).any(axis=1)  # on two circles, one after the other
    return np.asarray(end.reshape(-1, 2).sum(axis=1), np.int64)


def breaks(pores: Bool, ink: Bool, line_px: float) -> Bool:
    """Return those pores (H, W) where a stroke breaks off, not where two lines come close.

    Circles around a break cross two or three arms of ink: a stroke on both sides, or a stroke
    and the line that it stops short of. Where two lines come close they cross four.
    """
    count, piece = pieces(pores)
    row, column = places(pores)
    of = piece[row, column]
    times = np.maximum(tally(of, None, count), 1)
    middle = np.stack([tally(of, column + 0.5, count), tally(of, row + 0.5, count)], axis=1)
    runs, share = _around(middle / times[:, None], ink, line_px)
    few = (runs >= 2) & (runs <= 3) & (share < 0.5)
    broken: Bool = np.asarray((few[:, 1:] & few[:, :-1]).any(axis=1))
    broken[0] = False
    return np.asarray(broken[piece])


def worth_closing(pores: Bool, patches: Patches, px_per_mm: float) -> Bool:
    """Return those pieces of pores (H, W) that would leak if all of them were open.

    Patches of paper that pores join are looked at as a whole: it leaks if it holds two large
    ones, or opens onto the paper around the drawing. What a stroke inside a shape, which stops
    just short of its outline, would cut off is no area of its own.
    """
    count, piece = pieces(pores)
    most = len(patches.wide)
    pair = np.unique(np.concatenate([_met(piece, patches.number, *way) for way in BESIDE]))
    of, patch = pair // most, pair % most
    links = coo_matrix((np.ones(len(pair)), (of, count + patch)), (count + most, count + most))
    _, whole = connected_components(links, directed=False)
    size = tally(patches.number.ravel(), None, most)
    large = patches.broad | (size >= LARGE_MM2 * px_per_mm**2)
    large[0] = False
    held = tally(whole[count:], large + 2.0 * patches.around, len(whole))
    leaks = held[whole[:count]] > 1
    leaks[0] = False
    return np.asarray(leaks[piece])


def _met(piece: I32, patch: I32, down: int, right: int) -> I64:
    """Return which pieces have which patches so far below and right of them, as one number.

    It is the piece's times how many patches there are, plus the patch's.
    """
    high, wide = piece.shape
    one = piece[max(0, -down) : high - max(0, down), max(0, -right) : wide - max(0, right)]
    other = patch[max(0, down) : high + min(0, down), max(0, right) : wide + min(0, right)]
    here = (one > 0) & (other > 0)
    return np.unique(one[here].astype(np.int64) * (int(patch.max()) + 1) + other[here])


def _around(at: F64, ink: Bool, line_px: float) -> tuple[I64, F64]:
    """Return how often circles around places (N, 2), px, cross ink, and its share of them.

    Both (N, len(RADII)), from the least radius.
    """
    turn = np.arange(STEPS) * 2 * np.pi / STEPS
    way = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    runs, share = [], []
    for radius in RADII:
        met = _inked(ink, at[:, None] + radius * line_px * way)
        runs.append((met & ~np.roll(met, 1, axis=1)).sum(axis=1))
        share.append(met.mean(axis=1))
    return np.stack(runs, axis=1), np.stack(share, axis=1)


def _inked(ink: Bool, at: F64) -> Bool:
    """Return whether there is ink at places (..., 2), in px."""
    height, width = ink.shape
    column, row = np.moveaxis(np.floor(at).astype(np.int64), -1, 0)
    inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
    return np.asarray(inside & ink[row.clip(0, height - 1), column.clip(0, width - 1)])
