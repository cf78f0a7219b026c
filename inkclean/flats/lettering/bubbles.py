"""The bubbles that lead from the cloud around a thought to who thinks it.

Empty round paper that ink closes off, in a row away from a balloon whose outline is a cloud's,
each smaller than the one before.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F64, I32, Bool
from inkclean.base.pieces import pieces_of
from inkclean.flats.lettering.balloons import Balloon
from inkclean.flats.lettering.enclosed import is_cloud
from inkclean.flats.lettering.outlines import outline_of

LEAST_MM, MOST_MM = 0.3, 12.0  # sides of the paper in a bubble
ROUND = 0.9  # least share of its hull, and of the ellipse around it, that its paper takes
SLIM = 2.2  # times as long as wide at most
APART_MM = 4.5  # between the paper of one and of the next, lines and all
SMALLER = 0.9  # times the one before that a bubble measures at most,
SMALLEST = 0.3  # and at least
ALIKE = 0.8  # times one of the row that others nearby measure at most
TURN = 0.35  # least cosine between steps
FEWEST = 2
MOST = 6


@dataclass(frozen=True)
class _Rounds:
    """Round pieces of paper: numbers in ``label`` (H, W); middles (N, 2) and sizes (N,) in px."""

    label: I32
    number: list[int]
    middle: F64
    size: F64
    box: F64


def find_bubbles(ink: Bool, balloons: list[Balloon], px_per_mm: float) -> list[Balloon]:
    """Return the bubbles of the balloons that are thoughts."""
    thoughts = [one for one in balloons if is_cloud(one.inside, px_per_mm)]
    if not thoughts:
        return []
    rounds = _rounds(ink, px_per_mm)
    out: list[Balloon] = []
    for one in thoughts:
        for at in _row(one, rounds, px_per_mm):
            x, y, wide, high = (int(v) for v in rounds.box[at])
            pad = round(2 * px_per_mm)
            place = slice(max(y - pad, 0), y + high + pad), slice(max(x - pad, 0), x + wide + pad)
            inside = np.asarray(rounds.label[place] == rounds.number[at])
            out.append(Balloon(place, inside, outline_of(ink[place], inside, px_per_mm)))
    return out


def _rounds(ink: Bool, px_per_mm: float) -> _Rounds:
    """Return the empty round pieces of paper that ink closes off."""
    label, stats = pieces_of(~ink, 4)
    low = stats[:, 2:4].min(axis=1) >= LEAST_MM * px_per_mm
    high = stats[:, 2:4].max(axis=1) <= MOST_MM * px_per_mm
    full = stats[:, 4] > 0.6 * stats[:, 2] * stats[:, 3]
    number, middle, size = [], [], []
    for one in np.flatnonzero(low & high & full).tolist():
        x, y, wide, tall, area = stats[one].tolist()
        own = np.pad((label[y : y + tall, x : x + wide] == one).view(np.uint8), 1)
        contours, _ = cv2.findContours(own, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
        if one == 0 or len(contours) != 1 or len(contours[0]) < 4:
            continue
        sides = np.array(cv2.minAreaRect(contours[0])[1]) + 1
        hull = cv2.contourArea(cv2.convexHull(contours[0])) + len(contours[0]) / 2
        share = area / (np.pi / 4 * sides.prod())
        if area > ROUND * hull and ROUND - 0.08 < share < 1.28 and sides.max() < SLIM * sides.min():
            number.append(one)
            middle.append([x + wide / 2, y + tall / 2])
            size.append(float(np.sqrt(sides.prod())))
    shape = np.array(middle, np.float64).reshape(-1, 2)
    box = stats[number, :4].astype(np.float64).reshape(-1, 4)
    return _Rounds(np.asarray(label, np.int32), number, shape, np.array(size, np.float64), box)


def _row(balloon: Balloon, rounds: _Rounds, px_per_mm: float) -> list[int]:
    """Return the longest row of bubbles that leaves a balloon."""
    if not rounds.number:
        return []
    corner = np.array([balloon.place[1].start, balloon.place[0].start], np.float64)
    rows, columns = np.nonzero(balloon.inside)
    edge = np.stack([columns, rows], 1)[:: max(1, len(rows) // 4000)] + corner
    near = [np.hypot(*(edge - at).T).min() for at in rounds.middle]
    gaps = np.array(near) - rounds.size / 2
    middle = edge.mean(axis=0)
    reach = APART_MM * px_per_mm
    large = float(np.sqrt(balloon.inside.sum()))
    best: list[int] = []
    for first in np.flatnonzero((gaps > 0) & (gaps < reach) & (rounds.size < 0.5 * large)).tolist():
        row = _onwards(first, rounds, rounds.middle[first] - middle, reach)
        if len(row) > len(best):
            best = row
    return best if len(best) >= FEWEST and not _among_others(best, rounds, reach) else []


def _among_others(row: list[int], rounds: _Rounds, reach: float) -> bool:
    """Tell whether others as large stand beside a row: stones and scales are no bubbles."""
    for one in row:
        gap = np.hypot(*(rounds.middle - rounds.middle[one]).T)
        gap -= (rounds.size + rounds.size[one]) / 2
        alike = (gap < reach) & (rounds.size > ALIKE * rounds.size[one])
        alike[row] = False
        if alike.any():
            return True
    return False


def _onwards(first: int, rounds: _Rounds, way: F64, reach: float) -> list[int]:
    row = [first]
    while len(row) < MOST:
        last = row[-1]
        step = rounds.middle - rounds.middle[last]
        away = np.hypot(*step.T)
        share = rounds.size / rounds.size[last]
        gap = away - (rounds.size + rounds.size[last]) / 2
        turn = step @ way / np.maximum(away * np.hypot(*way), 1e-9)
        good = (gap < reach) & (share < SMALLER) & (share > SMALLEST) & (turn > TURN)
        good[row] = False
        if not good.any():
            return row
        after = int(np.where(good, gap, np.inf).argmin())
        way = step[after]
        row.append(after)
    return row
