"""Walls along the seams that are seen between the ink, whatever way the lines go on.

The odds of a seam are a landscape; the paper of every room is a basin in it, and where two
basins meet on paper a wall may run: the watershed of Beucher, Lantuéjoul, "Use of watersheds in
contour detection", 1979, flooded from the places that are less likely a seam than those around.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from skimage.segmentation import watershed

from inkclean.base.arrays import F32, F64, I32, I64, Bool
from inkclean.base.pieces import SIZE, pieces_of
from inkclean.flats.nearest import grown
from inkclean.flats.rasters import dilated, pieces, square, tally
from inkclean.flats.walls.joins import Joins

COARSER = 2  # the odds are known no finer
BASIN = 2.0  # log-odds below which paper may be no seam: rooms begin there,
DEEPER = 0.5, -1.0, -2.5, -4.0, -6.0  # and apart where they are apart below one of these
LEAST_DEEPER_MM2 = 0.3  # smaller ones part nothing
LEAST_BASIN_MM2 = 0.12  # smaller basins are flooded by what lies around
STIFF = 0.3  # keeps sets of few points straight
ROUND_MM = 0.5  # the ends of strokes are round: a wall between them is longer than the gap
REACH_PX = 2.0  # walls are drawn out by this, into the ink they end at


@dataclass(frozen=True)
class Ridges:
    """``number`` (H, W) int32: 1..K on the pixels of paper where a wall would run; the joins of
    these, and how long each is, ``length_mm`` (K,).
    """

    number: I32
    joins: Joins
    length_mm: F64

    def within(self, gap_mm: float) -> Joins:
        """Return the joins that are no longer than this."""
        return self.joins.chosen(self.length_mm <= gap_mm + ROUND_MM)

    def but_for(self, gone: Bool) -> Ridges:
        """Return the ridges without the joins of some (K,)."""
        return Ridges(self.number, self.joins.chosen(~gone), self.length_mm[~gone])

    def laid(self, wall: I32, joins: Joins, order: I64) -> I32:
        """Return the walls with these laid where none is, as numbers of joins + 1.

        ``joins`` holds those of the ridges that still stand, ``order`` (M,) which are worth it.
        """
        at, number = self._pixels
        table = np.zeros(int(number.max(initial=0)) + 1, np.int32)
        here = order[joins.ridge[order] > 0]
        table[joins.ridge[here]] = here + 1
        laid = wall.copy()
        bare = laid.ravel()[at] == 0
        laid.ravel()[at[bare]] = table[number[bare]]
        return laid

    @cached_property
    def _pixels(self) -> tuple[I64, I32]:
        """Where ridges run, by number of the pixel, and which."""
        at = np.flatnonzero(self.number)
        return at, self.number.ravel()[at]


def find_ridges(ink: Bool, seam: F32, px_per_mm: float) -> Ridges:
    """Return the walls along which basins of paper meet.

    ``ink`` and ``seam`` (H, W): what is ink, and the log-odds of a seam.
    """
    basin = _basins(ink, seam, px_per_mm)
    number, pair = _meetings(ink, basin)
    at = np.flatnonzero(number)
    of = number.ravel()[at].astype(np.int64) - 1
    count = len(pair)
    place = np.stack([at % ink.shape[1], at // ink.shape[1]], axis=1) + 0.5
    cubic, length = _curves(place, of, count)
    odds = seam.ravel()[at].astype(np.float64)
    mean = tally(of, odds, count) / np.maximum(tally(of, None, count), 1)
    return Ridges(number, Joins(cubic, mean, np.arange(1, count + 1)), length / px_per_mm)


def _basins(ink: Bool, seam: F32, px_per_mm: float) -> I32:
    """Return the basin of each pixel (H, W); on ink any, and 0 everywhere if there is none."""
    height, width = ink.shape
    high, wide = -(-height // COARSER), -(-width // COARSER)
    size = (wide, high)
    odds = np.asarray(cv2.resize(seam, size, interpolation=cv2.INTER_AREA), np.float32)
    closed = cv2.resize(ink.astype(np.uint8), size, interpolation=cv2.INTER_AREA) > 0
    least = LEAST_BASIN_MM2 * (px_per_mm / COARSER) ** 2
    marker = _parted(_patches((odds < BASIN) & ~closed, least), odds, closed, px_per_mm)
    # only what is between the basins need be flooded, from their rims
    between = ~closed & (marker == 0)
    rim = dilated(between, square(3)) > 0
    flooded = watershed(odds, np.where(rim, marker, 0), mask=rim & ~closed, connectivity=1)
    flooded[~rim] = marker[~rim]
    full = np.repeat(np.repeat(flooded, COARSER, axis=0), COARSER, axis=1)[:height, :width]
    return grown(np.asarray(full, np.int32))  # hair-fine openings were closed above


def _patches(where: Bool, least: float) -> I32:
    """Return the patches (H, W) 1.., without those smaller than ``least`` px."""
    found, told = pieces_of(where, 4)
    small = told[:, SIZE] < least
    small[0] = True
    found[small[found]] = 0
    return found


def _parted(marker: I32, odds: F32, closed: Bool, px_per_mm: float) -> I32:
    """Return the basins, each in as many as it is apart where the odds are lower still."""
    least = LEAST_DEEPER_MM2 * (px_per_mm / COARSER) ** 2
    for level in DEEPER:
        deeper = _patches((odds < level) & ~closed, least)
        most = int(deeper.max(initial=0)) + 1
        of = np.zeros(most, np.int32)
        of[deeper] = marker  # one patch lies in one basin
        many = np.bincount(of[1:], minlength=int(marker.max(initial=0)) + 1) > 1
        many[0] = False
        parted = many[of]
        parted[0] = False
        marker = np.where(many[marker], 0, marker)
        new = np.where(parted, np.cumsum(parted) + len(many) - 1, 0).astype(np.int32)
        marker = np.where(new[deeper] > 0, new[deeper], marker)
    return np.asarray(marker, np.int32)


def _meetings(ink: Bool, basin: I32) -> tuple[I32, I64]:
    """Return the pixels where two basins of paper meet, by number 1.., and the basins' keys."""
    paper = ~ink & (basin > 0)
    other = np.zeros_like(basin)
    across = paper[:, 1:] & paper[:, :-1] & (basin[:, 1:] != basin[:, :-1])
    down = paper[1:] & paper[:-1] & (basin[1:] != basin[:-1])
    other[:-1] = np.where(down, basin[1:], 0)
    other[:, :-1] = np.where(across, basin[:, 1:], other[:, :-1])
    on = other > 0
    _, piece = pieces(on)
    here, there = basin[on].astype(np.int64), other[on].astype(np.int64)
    most = int(basin.max(initial=0)) + 1
    pair = np.minimum(here, there) * most + np.maximum(here, there)
    key = piece[on].astype(np.int64) * (most * most) + pair
    found, index = np.unique(key, return_inverse=True)
    number = np.zeros_like(basin)
    number[on] = index + 1
    return number, found


def _curves(place: F64, of: I64, count: int) -> tuple[F64, F64]:
    """Return a cubic (K, 4, 2) along each set of points (N, 2), and the set's extent, all in px.

    ``of`` (N,) tells the set of each point, 0..K − 1.
    """
    if not count:
        return np.zeros((0, 4, 2)), np.zeros(0)
    middle, way = _axes(place, of, count)
    across = np.stack([-way[:, 1], way[:, 0]], axis=1)
    off = place - middle[of]
    along, side = (off * way[of]).sum(axis=1), (off * across[of]).sum(axis=1)
    low, high = np.full(count, np.inf), np.full(count, -np.inf)
    np.minimum.at(low, of, along)
    np.maximum.at(high, of, along)
    half = np.maximum((high - low) / 2, 0.5)
    centre = (high + low) / 2
    bow = _parabolas((along - centre[of]) / half[of], side, of, count)
    # the control points of a parabola over −ends..ends, which a cubic holds exactly
    ends = 1 + REACH_PX / half
    u = np.stack([-ends, -ends / 3, ends / 3, ends], axis=1)
    squares = np.stack([ends**2, -(ends**2) / 3, -(ends**2) / 3, ends**2], axis=1)
    sideways = bow[:, :1] + bow[:, 1:2] * u + bow[:, 2:] * squares
    run = centre[:, None] + half[:, None] * u
    cubic = middle[:, None] + run[..., None] * way[:, None] + sideways[..., None] * across[:, None]
    return cubic, high - low + 1


def _axes(place: F64, of: I64, count: int) -> tuple[F64, F64]:
    """Return the middle (K, 2) of each set of points, and the unit way (K, 2) it runs along."""
    times = tally(of, None, count)
    middle = np.stack([tally(of, place[:, k], count) / times for k in (0, 1)], axis=1)
    x, y = (place - middle[of]).T
    xx, xy, yy = (tally(of, product, count) for product in (x * x, x * y, y * y))
    angle = 0.5 * np.arctan2(2 * xy, xx - yy)
    return middle, np.stack([np.cos(angle), np.sin(angle)], axis=1)


def _parabolas(t: F64, side: F64, of: I64, count: int) -> F64:
    """Return for each set c (K, 3), so that c0 + c1 t + c2 t² is nearest to ``side``."""
    power = [tally(of, t**k, count) for k in range(5)]
    right = np.stack([tally(of, side * t**k, count) for k in range(3)], axis=1)
    normal = np.array([[power[i + j] for j in range(3)] for i in range(3)]).transpose(2, 0, 1)
    normal += STIFF * np.diag([0.0, 0.2, 1.0])
    return np.asarray(np.linalg.solve(normal, right[..., None])[..., 0])
