"""Lines drawn by hand along ink: what they run along parts areas, though its wall had fallen."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F64, Bool
from inkclean.flats.rasters import depth, dilated, square, tally
from inkclean.flats.walls.rooms import Rooms, lay, touching

NEAR_MM = 0.9  # a hand that follows a line keeps this near it,
LEAST_MM = 2.0  # for as long as this
PACE = 0.5, 2.0  # and goes along it as far as its own line goes, within these factors
BESIDE_MM = 0.3  # ink this near the line that was followed is that line
COVERED = 0.5  # share of a wall that has to be followed,
LONG_MM = 3.0  # or so much of it
STEP_PX = 2.0
STEPS = 5
LEAP_PX = 5.0


def onto_ink(line: F64, ink: Bool, px_per_mm: float) -> tuple[F64, Bool]:
    """Return a line (N, 2), px, as points close together, and which lie along ink (M,).

    Where it follows ink, it is moved to the middle of the stroke.
    """
    points = _evenly(line)
    away, nearest = _middles(ink, points)
    step = np.hypot(*np.diff(nearest, axis=0).T)
    own = np.maximum(np.hypot(*np.diff(points, axis=0).T), 1e-9)
    # over a few steps: pixels are coarse; across strokes it leaps from one to the next
    wide = np.ones(STEPS)
    pace = np.convolve(step, wide, "same") / np.convolve(own, wide, "same")
    leaps = np.convolve(step > LEAP_PX, wide, "same") > 0.5
    along = np.append(False, (pace > PACE[0]) & (pace < PACE[1]) & ~leaps)
    along &= away < NEAR_MM * px_per_mm
    run = np.cumsum(np.append(True, along[1:] != along[:-1])) - 1
    long = tally(run, np.append(0, own), int(run[-1]) + 1)
    along &= long[run] >= LEAST_MM * px_per_mm
    return np.where(along[:, None], nearest, points), along


def simpler(line: F64) -> F64:
    """Return a line (N, 2) with the points that it needs, to half a pixel."""
    kept = cv2.approxPolyDP(line.astype(np.float32)[:, None], 0.5, False)
    return np.asarray(kept[:, 0], np.float64)


def _evenly(line: F64) -> F64:
    """Return points at even steps along a line, its ends included."""
    at = np.append(0, np.cumsum(np.hypot(*np.diff(line, axis=0).T)))
    t = np.linspace(0, at[-1], max(2, round(at[-1] / STEP_PX) + 1))
    return np.stack([np.interp(t, at, line[:, k]) for k in (0, 1)], axis=1)


def _middles(ink: Bool, points: F64) -> tuple[F64, F64]:
    """Return how far the nearest middle of a stroke is from each point, px, and where (N, 2)."""
    deep = depth(ink)
    middle = ink & (deep >= np.asarray(cv2.dilate(deep, square(3)), np.float32))
    if not middle.any():
        return np.full(len(points), np.inf), points
    _, number = cv2.distanceTransformWithLabels(
        (~middle).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    row, column = np.nonzero(middle)
    column_of, row_of = np.floor(points).astype(int).T
    here = number[row_of.clip(0, ink.shape[0] - 1), column_of.clip(0, ink.shape[1] - 1)] - 1
    nearest = np.stack([column[here], row[here]], axis=1) + 0.5
    return np.hypot(*(nearest - points).T), nearest


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
    path = lay(rooms.label.shape, cubic, np.arange(len(cubic))) > 0
    near = dilated(path, square(2 * round(BESIDE_MM * px_per_mm) + 1)) > 0
    a, b, where = touching(rooms.label)
    followed = near.ravel()[where].all(axis=1) & (rooms.wall.ravel()[where] == 0).all(axis=1)
    most = rooms.count + 1
    pair = np.searchsorted(rooms.a * most + rooms.b, a[followed] * most + b[followed])
    covered = tally(pair, None, len(rooms.a))
    enough = np.minimum(COVERED * rooms.drawn, LONG_MM * px_per_mm)
    return np.asarray(covered > np.maximum(enough, 1))
