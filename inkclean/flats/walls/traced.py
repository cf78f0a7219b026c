"""Lines drawn by hand along ink: what they run along parts areas, though its wall had fallen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from inkclean.base.arrays import F64, I32, I64, Bool, places
from inkclean.flats.rasters import depth, dilated, square, tally
from inkclean.flats.tiled.windows import widened
from inkclean.flats.walls.rooms import Rooms, on_pixels

NEAR_MM = 0.9  # a hand that follows a line keeps this near it,
LEAST_MM = 2.0  # for as long as this
PACE = 0.5, 2.0  # and goes along it as far as its own line goes, within these factors
BESIDE_MM = 0.3  # ink this near the line that was followed is that line
COVERED = 0.5  # share of a wall that has to be followed,
LONG_MM = 3.0  # or so much of it
STEP_PX = 2.0
STEPS = 5
LEAP_PX = 5.0


@dataclass(frozen=True)
class Middles:
    """The middles of strokes: ``at`` (N, 2), and which is nearest to each pixel, ``nearest``."""

    at: F64
    nearest: I32

    @classmethod
    def of(cls, ink: Bool) -> Middles:
        """Find the middles of all strokes of the ink (H, W)."""
        deep = depth(ink)
        middle = ink & (deep >= np.asarray(cv2.dilate(deep, square(3)), np.float32))
        if not middle.any():
            return cls(np.zeros((0, 2)), np.zeros(ink.shape, np.int32))
        _, number = cv2.distanceTransformWithLabels(
            (~middle).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
        )
        row, column = places(middle)
        at = np.stack([column, row], axis=1).astype(np.float64) + 0.5
        return cls(at, np.asarray(number, np.int32))

    def near(self, points: F64) -> tuple[F64, F64]:
        """Return how far the nearest is from each point (N, 2), px, and where it is (N, 2)."""
        if not len(self.at):
            return np.full(len(points), np.inf), points
        high, wide = self.nearest.shape
        column, row = np.floor(points).astype(int).T
        here = self.nearest[row.clip(0, high - 1), column.clip(0, wide - 1)] - 1
        nearest = self.at[here]
        return np.hypot(*(nearest - points).T), nearest


def onto_ink(line: F64, middles: Middles, px_per_mm: float) -> tuple[F64, Bool]:
    """Return a line (N, 2), px, as points close together, and which lie along ink (M,).

    Where it follows ink, it is moved to the middle of the stroke.
    """
    points = _evenly(line)
    away, nearest = middles.near(points)
    step = np.hypot(*np.diff(nearest, axis=0).T)
    own = np.maximum(np.hypot(*np.diff(points, axis=0).T), 1e-9)
    # over a few steps: pixels are coarse; across strokes it leaps from one to the next
    pace = _around_each(step) / _around_each(own)
    leaps = _around_each(step > LEAP_PX) > 0.5
    along = np.append(False, (pace > PACE[0]) & (pace < PACE[1]) & ~leaps)
    along &= away < NEAR_MM * px_per_mm
    run = np.cumsum(np.append(True, along[1:] != along[:-1])) - 1
    long = tally(run, np.append(0, own), int(run[-1]) + 1)
    along &= long[run] >= LEAST_MM * px_per_mm
    return np.where(along[:, None], nearest, points), along


def _around_each(values: NDArray[Any]) -> F64:
    """Return the sum of each value (N,) and those near it, ``STEPS`` in all."""
    before = STEPS // 2
    return np.convolve(values, np.ones(STEPS))[before : before + len(values)]


def simpler(line: F64) -> F64:
    """Return a line (N, 2) with the points that it needs, to half a pixel."""
    kept = cv2.approxPolyDP(line.astype(np.float32)[:, None], 0.5, False)
    return np.asarray(kept[:, 0], np.float64)


def _evenly(line: F64) -> F64:
    """Return points at even steps along a line, its ends included."""
    at = np.append(0, np.cumsum(np.hypot(*np.diff(line, axis=0).T)))
    t = np.linspace(0, at[-1], max(2, round(at[-1] / STEP_PX) + 1))
    return np.stack([np.interp(t, at, line[:, k]) for k in (0, 1)], axis=1)


def traced(rooms: Rooms, lines: list[tuple[F64, Bool]], px_per_mm: float) -> Bool:
    """Return which walls (E,) are drawn lines that those by hand run along.

    ``lines``: what :func:`onto_ink` gives.
    """
    before = [line[:-1][along[:-1] & along[1:]] for line, along in lines]
    ahead = [line[1:][along[:-1] & along[1:]] for line, along in lines]
    start, stop = (np.concatenate([np.zeros((0, 2)), *part]) for part in (before, ahead))
    if not len(start):
        return np.zeros(len(rooms.a), bool)
    cubic = start[:, None] + (stop - start)[:, None] * np.linspace(0, 1, 4)[:, None]
    a, b = _followed(rooms, cubic, round(BESIDE_MM * px_per_mm))
    most = rooms.count + 1
    pair = np.searchsorted(rooms.a * most + rooms.b, a * most + b)
    covered = tally(pair, None, len(rooms.a))
    enough = np.minimum(COVERED * rooms.drawn, LONG_MM * px_per_mm)
    return np.asarray(covered > np.maximum(enough, 1))


def _followed(rooms: Rooms, cubic: F64, beside: int) -> tuple[I64, I64]:
    """Return the rooms of all two pixels of ink side by side that lie near some cubics.

    ``beside``: so many px from them at most.
    """
    shape = rooms.cells.label.shape
    rows, columns, _ = on_pixels(shape, cubic, np.arange(len(cubic)))
    box = widened((_span(rows), _span(columns)), beside, shape)
    near = np.zeros((box[0].stop - box[0].start, box[1].stop - box[1].start), bool)
    near[rows - box[0].start, columns - box[1].start] = True
    near = dilated(near, square(2 * beside + 1)) > 0
    # those in the rows first: they are few
    where, wide = rooms.cells.touching.where, shape[1]
    here = (where[:, 0] >= box[0].start * wide) & (where[:, 1] < box[0].stop * wide)
    a, b, where = (part[here] for part in (rooms.cells.touching.a, rooms.cells.touching.b, where))
    row, column = np.divmod(where, wide)
    column -= box[1].start
    inside = ((column >= 0) & (column < near.shape[1])).all(axis=1)
    met = near[row - box[0].start, column.clip(0, near.shape[1] - 1)].all(axis=1) & inside
    met &= (rooms.cells.wall.ravel()[where] == 0).all(axis=1)
    one, other = rooms.of[a[met]], rooms.of[b[met]]
    apart = one != other
    return np.minimum(one, other)[apart], np.maximum(one, other)[apart]


def _span(at: I64) -> slice:
    return slice(int(at.min()), int(at.max()) + 1)
