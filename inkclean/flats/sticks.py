"""Straight runs of line: pieces between junctions that lie on one line, put together."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from inkclean.arrays import F64, I32, I64, Bool
from inkclean.flats.rasters import square, tally
from inkclean.flats.skeleton import Lines, label_branches, xy

RUN_MM = 2.5  # bent pieces are cut into runs about this long
BENT_MM = 0.09  # a piece that strays this far from a line is bent (root mean square)
FEWEST_PX = 4  # shorter pieces have no direction
ACROSS_MM = 2.5  # how far a run is followed through junctions and crossings to its next piece
ALIKE = np.cos(np.radians(12.0))  # pieces of one stick differ by less in direction
FAN = (0.0, -14.0, 14.0, -28.0, 28.0, -40.0, 40.0)  # degrees looked ahead for where a line bends to
TURN_PX = 9.0
MOST_RADIUS_PX = 200.0  # a sheet that is ink all over has no paper to measure to
MOST_TURN = np.radians(45.0)
BESIDE_PX = 1.8  # and lie this near to one line


@dataclass(frozen=True)
class Sticks:
    """Straight or slowly bending runs of line.

    Pixels: ``at`` (P,) flat positions, ``of`` (P,) their stick 0..S − 1, ``angle`` (P,) the
    line's direction there. Sticks: ``length``, ``width`` (S,) px; ``stray`` (S,) root mean square
    distance from a straight line, px; ``onward`` (S, 2) how much further its line runs inside
    the ink beyond either end, px; ``free`` (S,) how many of its ends touch nothing.
    ``turns`` (T, 2): pairs of sticks of which one goes on in the other, bending a little.
    """

    at: I64
    of: I64
    angle: F64
    length: F64
    width: F64
    stray: F64
    onward: F64
    free: I64
    turns: I64

    @property
    def count(self) -> int:
        """Number of sticks."""
        return len(self.length)


def _axes(points: F64, label: I64, count: int) -> tuple[F64, F64, F64, F64, F64]:
    """Return middle, unit direction, stray, and the lowest and highest place along it."""
    total = np.maximum(np.bincount(label, minlength=count), 1)
    middle = np.stack([np.bincount(label, points[:, i], count) / total for i in (0, 1)], axis=1)
    off = points - middle[label]
    xx = np.bincount(label, off[:, 0] ** 2, count)
    yy = np.bincount(label, off[:, 1] ** 2, count)
    both = np.bincount(label, off[:, 0] * off[:, 1], count)
    angle = 0.5 * np.arctan2(2 * both, xx - yy)
    out = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    along = (off * out[label]).sum(axis=1)
    across = off[:, 0] * out[label, 1] - off[:, 1] * out[label, 0]
    stray = np.sqrt(np.bincount(label, across**2, count) / total)
    low, high = np.zeros(count), np.zeros(count)
    np.minimum.at(low, label, along)
    np.maximum.at(high, label, along)
    return middle, out, stray, low, high


def sticks_of(ink: Bool, lines: Lines, px_per_mm: float) -> Sticks:
    """Cut the lines into straight runs, and put those on one line together."""
    branch, _ = label_branches(lines)
    width = branch.shape[1]
    at = np.flatnonzero(branch)
    piece = branch.ravel()[at].astype(np.int64) - 1
    points = xy(at, width).astype(np.float64)
    piece = _runs(points, piece, px_per_mm)
    count = int(piece.max(initial=-1)) + 1
    middle, out, _, low, high = _axes(points, piece, count)
    size = np.bincount(piece, minlength=count)
    index = np.zeros(branch.shape, np.int32)
    index.ravel()[at] = np.where(size[piece] >= FEWEST_PX, piece + 1, 0)
    index = np.asarray(cv2.dilate(index.astype(np.float32), square(3)), np.int32)
    tips = np.stack([middle + out * low[:, None], middle + out * high[:, None]], axis=1)
    ahead = np.stack([-out, out], axis=1)
    found, onward = _followed(ink, index, tips, ahead, middle, out, px_per_mm)
    one, end = np.nonzero(found >= 0)
    other = found[one, end]
    back = (found[other] == one[:, None]).any(axis=1)
    graph = coo_matrix((np.ones(back.sum()), (one[back], other[back])), shape=(count, count))
    groups, group = connected_components(graph, directed=False)
    of = group[piece].astype(np.int64)
    _, _, stray, low2, high2 = _axes(points, of, groups)
    linked = np.zeros((count, 2), bool)
    linked[one[back], end[back]] = True
    furthest = np.zeros((groups, 2))
    np.maximum.at(furthest[:, 0], group, np.where(linked, 0, onward).max(axis=1))
    low_free = np.where(linked, np.inf, onward)
    nearest = np.full(groups, np.inf)
    np.minimum.at(nearest, group, low_free.min(axis=1))
    furthest[:, 1] = np.where(np.isfinite(nearest), nearest, 0)
    radius = np.minimum(lines.radius.ravel()[at], MOST_RADIUS_PX)
    wide = 2 * tally(of, radius, groups) / np.maximum(np.bincount(of, minlength=groups), 1)
    ends = np.array([bin(c).count("1") for c in range(256)])[lines.codes(at)] <= 1
    free = np.bincount(of[ends], minlength=groups)
    angle = np.arctan2(out[:, 1], out[:, 0])[piece]
    small = size[piece] < FEWEST_PX
    whole = np.arctan2(*_axes(points, of, groups)[1].T[::-1])
    angle = np.where(small, whole[of], angle)
    turns = group[_turns(ink, index, tips, ahead, out)]
    turns = turns[turns[:, 0] != turns[:, 1]]
    return Sticks(at, of, angle, high2 - low2 + 1, wide, stray, furthest, free, turns)


def _runs(points: F64, piece: I64, px_per_mm: float) -> I64:
    """Cut bent pieces into runs along their main axis."""
    count = int(piece.max(initial=-1)) + 1
    middle, out, stray, low, high = _axes(points, piece, count)
    bent = stray > BENT_MM * px_per_mm
    parts = np.where(bent, np.maximum(1, np.round((high - low) / (RUN_MM * px_per_mm))), 1)
    along = ((points - middle[piece]) * out[piece]).sum(axis=1) - low[piece]
    share = along / np.maximum(high - low, 1e-6)[piece]
    part = np.minimum((share * parts[piece]).astype(np.int64), parts[piece].astype(np.int64) - 1)
    _, run = np.unique(piece * 1000 + np.minimum(part, 999), return_inverse=True)
    return np.asarray(run, np.int64)


def _followed(
    ink: Bool, index: I32, tips: F64, ahead: F64, middle: F64, out: F64, px_per_mm: float
) -> tuple[I64, F64]:
    """Go on from both tips of each run, straight on inside the ink, to the next run in line."""
    height, width = ink.shape
    n = len(tips)
    found, onward = np.full(2 * n, -1), np.zeros(2 * n)
    start, way = tips.reshape(-1, 2), ahead.reshape(-1, 2)
    alive = np.arange(2 * n)
    for step in np.arange(1.0, ACROSS_MM * px_per_mm, 0.8):
        spot = start[alive] + way[alive] * step
        column = np.clip(spot[:, 0].astype(int), 0, width - 1)
        row = np.clip(spot[:, 1].astype(int), 0, height - 1)
        inside = ink[row, column]
        alive, spot, row, column = alive[inside], spot[inside], row[inside], column[inside]
        if not len(alive):
            break
        onward[alive] = step
        other = index[row, column].astype(np.int64) - 1
        mine = alive // 2
        ok = (other >= 0) & (other != mine)
        ok &= np.abs((out[other] * out[mine]).sum(axis=1)) > ALIKE
        off = spot - middle[other]
        ok &= np.abs(off[:, 0] * out[other, 1] - off[:, 1] * out[other, 0]) < BESIDE_PX
        back = middle[other] - middle[mine]
        ok &= np.abs(back[:, 0] * out[mine, 1] - back[:, 1] * out[mine, 0]) < np.maximum(
            2.5, 0.12 * np.hypot(*back.T)
        )
        found[alive[ok]] = other[ok]
        alive = alive[~ok]
    return found.reshape(n, 2), onward.reshape(n, 2)


def _turns(ink: Bool, index: I32, tips: F64, ahead: F64, out: F64) -> I64:
    """Return pairs of runs that go on in each other: for both the one that bends least.

    So an outline goes on past the stroke that stops at it, though that meets it at a small
    angle.
    """
    height, width = ink.shape
    n = len(tips)
    start, way = tips.reshape(-1, 2), ahead.reshape(-1, 2)
    best, partner = np.full(2 * n, np.inf), np.full(2 * n, -1)
    for turn in np.radians(FAN):
        cos, sin = np.cos(turn), np.sin(turn)
        ray = np.stack([way[:, 0] * cos - way[:, 1] * sin, way[:, 0] * sin + way[:, 1] * cos], 1)
        alive = np.arange(2 * n)
        for step in np.arange(1.5, TURN_PX, 0.8):
            spot = start[alive] + ray[alive] * step
            column = np.clip(spot[:, 0].astype(int), 0, width - 1)
            row = np.clip(spot[:, 1].astype(int), 0, height - 1)
            inside = ink[row, column]
            alive, row, column = alive[inside], row[inside], column[inside]
            other = index[row, column].astype(np.int64) - 1
            ok = (other >= 0) & (other != alive // 2)
            bend = np.arccos(np.clip(np.abs((out[other] * way[alive]).sum(axis=1)), 0, 1))
            cost = bend + 0.5 * abs(turn)
            better = ok & (bend < MOST_TURN) & (cost < best[alive])
            best[alive[better]], partner[alive[better]] = cost[better], other[better]
            alive = alive[~ok]
    mine, theirs = partner.reshape(n, 2), np.maximum(partner.reshape(n, 2), 0)
    one, end = np.nonzero(mine >= 0)
    other = theirs[one, end]
    mutual = (mine[other] == one[:, None]).any(axis=1)
    return np.stack([one[mutual], other[mutual]], axis=1)
