"""Where strokes meet: as found in centrelines, and as the true lines say."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from inkclean.base.arrays import F64, I64, Bool
from inkclean.curves.values import Strokes

_TOUCH = 0.9
"""Lines nearer than this share of their width run into one ink."""
_SLIT = 1.2
"""Lines side by side that leave a slit of less than a fifth of a width look like one."""
_BESIDE = np.cos(np.radians(25.0))
"""Lines side by side run the same way within 25 degrees."""
_ARM = np.radians(25.0)
"""Arms nearer than this on the circle about a junction are one."""
PARTED = 2.0 * np.arcsin(_TOUCH / 2.0 / 1.5)
"""The same (35 degrees) by the rule that lines nearer than that share of a width are one ink: a
stroke drawn by two lines side by side is then one arm, as it is in the raster."""


def junctions(strokes: Strokes) -> F64:
    """Places (K, 2) mm where three or more ends of segments meet."""
    ends = np.vstack((strokes.cubics[:, 0], strokes.cubics[:, 3]))
    places, counts = np.unique(np.round(ends, 4), axis=0, return_counts=True)
    return np.asarray(places[counts >= 3])


def true_junctions(lines: list[F64], width: float, arms: int = 3, parted: float = _ARM) -> F64:
    """Places (K, 2) px where so many ``arms`` of ``lines`` (about half a px a step) leave.

    Candidates are all places where lines, or far parts of one, come so near that their ink is
    one; those nearer than a width are one. How many arms leave one is counted on a circle
    about it, 1.5 widths wide: shorter arms are hidden in the ink of the others. Lines that
    cross at less than some 45 degrees may count twice, beside each other. Arms less than
    ``parted`` (radians) apart on it are one.
    """
    points = np.vstack(lines)
    pairs = _neighbours(lines, width, _TOUCH * width)
    off = np.hypot(*(points[pairs[:, 0]] - points[pairs[:, 1]]).T)
    places = (points[pairs[:, 0]] + points[pairs[:, 1]])[np.argsort(off, kind="stable")] / 2.0
    found: list[F64] = []
    while len(places):
        # The nearest touch of a group stands for it.
        middle = places[np.hypot(*(places - places[0]).T) < 0.3 * width].mean(0)
        places = places[np.hypot(*(places - places[0]).T) > 1.2 * width]
        if _arms(lines, middle, 1.5 * width, parted) >= arms:
            found.append(middle)
    return np.array(found).reshape(-1, 2)


def alone(lines: list[F64], width: float) -> Bool:
    """Which points (N,) of ``lines`` no other line, nor a far part of the same, runs beside so
    near that both are one broader stroke.
    """
    ways = np.vstack([np.gradient(line, axis=0) for line in lines])
    ways /= np.maximum(np.hypot(*ways.T), 1e-9)[:, None]
    pairs = _neighbours(lines, width, _SLIT * width)
    pairs = pairs[np.abs((ways[pairs[:, 0]] * ways[pairs[:, 1]]).sum(1)) > _BESIDE]
    single = np.ones(len(ways), np.bool_)
    single[pairs.reshape(-1)] = False
    return single


def _neighbours(lines: list[F64], width: float, within: float) -> I64:
    """Pairs (K, 2) of points of different lines, or far apart along one, ``within`` px."""
    points = np.vstack(lines)
    owner = np.repeat(np.arange(len(lines)), [len(line) for line in lines])
    step = np.hypot(*np.diff(points, axis=0, prepend=points[:1]).T)
    along = np.cumsum(np.where(np.diff(owner, prepend=owner[0]) != 0, 0.0, step))
    pairs = cKDTree(points).query_pairs(within, output_type="ndarray")
    far = (owner[pairs[:, 0]] != owner[pairs[:, 1]]) | (
        np.abs(along[pairs[:, 0]] - along[pairs[:, 1]]) > 3.0 * width
    )
    return np.asarray(pairs[far], np.int64)


def _arms(lines: list[F64], middle: F64, radius: float, parted: float) -> int:
    """How many lines pass the circle, those side by side counted once."""
    passed = []
    for line in lines:
        inside = np.hypot(*(line - middle).T) < radius
        at = np.flatnonzero(inside[1:] != inside[:-1])
        passed += list((line[at] + line[at + 1]) / 2.0)
    if not passed:
        return 0
    way = np.sort(np.arctan2(*(np.array(passed) - middle).T[::-1]))
    gap = np.diff(way, append=way[0] + 2 * np.pi)
    return int((gap > parted).sum()) if len(way) > 1 else 1


def matched(one: F64, other: F64, within: float) -> float:
    """Share of ``one`` that lies near some of ``other``."""
    if not len(one):
        return 1.0
    if not len(other):
        return 0.0
    return float((cKDTree(other).query(one)[0] < within).mean())
