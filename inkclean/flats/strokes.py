"""The thinned lines as strokes: pieces between junctions put together where they go straight on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from inkclean.arrays import F32, F64, I32, I64
from inkclean.flats.rasters import dilated, pieces, square, tally
from inkclean.flats.skeleton import Lines, junctions, label_branches, xy

STRAIGHT_ON = np.cos(np.radians(28.0))  # a stroke goes through a junction bending less
LOOK_MM = 0.7  # how far from a junction the direction of its arms is taken


@dataclass(frozen=True)
class Strokes:
    """Pieces of line put together again across their crossings.

    ``of`` is (H, W) int32: the stroke of each pixel of the thinned line, 0 at junctions and off
    the line; ``branch`` the same for the pieces between junctions that strokes are made of. Per
    stroke, from 1 (row 0 unused): ``length`` in px, ``reach`` the distance in px from end to end
    (longest side of a box along it), ``angle`` of its direction in radians, ``loose`` how many
    of its ends touch nothing.
    """

    of: I32
    branch: I32
    length: F64
    reach: F64
    angle: F64
    loose: I64

    @property
    def count(self) -> int:
        """Number of strokes."""
        return len(self.length) - 1


def strokes_of(lines: Lines, px_per_mm: float) -> Strokes:
    """Cut the lines at their junctions and put together the pieces that go straight on."""
    branch, count = label_branches(lines)
    left, right = _straight_on(lines, branch, px_per_mm)
    graph = coo_matrix((np.ones(len(left)), (left, right)), shape=(count + 1, count + 1))
    groups, group = connected_components(graph, directed=False)
    order = np.argsort(group[0] != np.arange(groups))  # group of branch 0 becomes stroke 0
    rank = np.empty(groups, np.int32)
    rank[order] = np.arange(groups)
    of = rank[group].astype(np.int32)[branch]
    of[branch == 0] = 0
    return _measured(lines, of, branch, groups)


def _straight_on(lines: Lines, branch: I32, px_per_mm: float) -> tuple[I64, I64]:
    """Return pairs of branches that are one stroke passing through a junction."""
    width = branch.shape[1]
    knots = np.zeros(branch.shape, np.uint8)
    knots.ravel()[junctions(lines)] = 1
    n_knots, knot = pieces(dilated(knots, square(5)))
    if n_knots == 1:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    # arms: where a branch comes out of a knot
    at = np.flatnonzero((branch.ravel() > 0) & (knot.ravel() > 0))
    flat_branch, flat_knot = branch.ravel(), knot.ravel()
    pair = flat_knot[at].astype(np.int64) * (int(branch.max()) + 1) + flat_branch[at]
    _, first = np.unique(pair, return_index=True)
    arm_knot, arm_branch = flat_knot[at[first]], flat_branch[at[first]]
    centre = _means(xy(np.flatnonzero(flat_knot), width), flat_knot[flat_knot > 0], n_knots)
    # direction of an arm: from the knot's middle to the branch's pixels in a disc around it
    reach = LOOK_MM * px_per_mm + 3
    span = int(np.ceil(reach))
    dy, dx = np.mgrid[-span : span + 1, -span : span + 1].reshape(2, -1)
    keep = np.hypot(dx, dy) <= reach
    dy, dx = dy[keep], dx[keep]
    base = np.round(centre[arm_knot] - 0.5).astype(np.int64)
    rows = np.clip(base[:, 1, None] + dy, 0, branch.shape[0] - 1)
    columns = np.clip(base[:, 0, None] + dx, 0, width - 1)
    mine = branch[rows, columns] == arm_branch[:, None]
    total = np.maximum(mine.sum(axis=1), 1)
    vector = np.stack([(mine * dx).sum(axis=1) / total, (mine * dy).sum(axis=1) / total], axis=1)
    vector /= np.maximum(np.hypot(vector[:, 0], vector[:, 1]), 1e-6)[:, None]
    return _best_partners(arm_knot, arm_branch, vector)


def _best_partners(knot: I32, branch: I32, vector: F64) -> tuple[I64, I64]:
    order = np.argsort(knot, kind="stable")
    knot, branch, vector = knot[order], branch[order], vector[order]
    n = len(knot)
    best = np.full(n, -STRAIGHT_ON)
    partner = np.full(n, -1)
    for shift in range(1, 8):  # arms of one knot lie side by side in the list
        for sign in (shift, -shift):
            other = np.arange(n) + sign
            ok = (other >= 0) & (other < n)
            other = np.clip(other, 0, n - 1)
            ok &= (knot[other] == knot) & (branch[other] != branch)
            cosine = (vector * vector[other]).sum(axis=1)
            better = ok & (cosine < best)
            best[better] = cosine[better]
            partner[better] = other[better]
    mutual = (partner >= 0) & (partner[partner] == np.arange(n)) & (np.arange(n) < partner)
    return branch[mutual].astype(np.int64), branch[partner[mutual]].astype(np.int64)


def _means(points: F32, label: I32, count: int) -> F64:
    total = np.maximum(np.bincount(label, minlength=count), 1)
    return np.stack([np.bincount(label, points[:, i], count) / total for i in (0, 1)], axis=1)


def _measured(lines: Lines, of: I32, branch: I32, count: int) -> Strokes:
    at = np.flatnonzero(of)
    label = of.ravel()[at]
    points = xy(at, of.shape[1]).astype(np.float64)
    angle = directions(points, label, count)
    along = points[:, 0] * np.cos(angle[label]) + points[:, 1] * np.sin(angle[label])
    low, high = np.full(count, np.inf), np.full(count, -np.inf)
    np.minimum.at(low, label, along)
    np.maximum.at(high, label, along)
    reach = np.where(np.isfinite(low), high - low + 1, 0.0)
    diagonal = lines.codes(at)
    straight = np.array([bin(c & 0b01010101).count("1") for c in range(256)])[diagonal]
    step = np.where(straight >= 2, 1.0, np.where(straight == 1, 1.2, 1.414))
    length = tally(label, step, count)
    ends = np.array([bin(c).count("1") for c in range(256)])[diagonal] == 1
    loose = np.bincount(label[ends], minlength=count)
    return Strokes(of, branch, length, reach, angle, loose)


def directions(points: F64, label: I32 | I64, count: int) -> F64:
    """Return the angle of the main axis of each group of points."""
    total = np.maximum(np.bincount(label, minlength=count), 1)
    mean = np.stack([np.bincount(label, points[:, i], count) / total for i in (0, 1)], axis=1)
    off = points - mean[label]
    xx = np.bincount(label, off[:, 0] ** 2, count)
    yy = np.bincount(label, off[:, 1] ** 2, count)
    both = np.bincount(label, off[:, 0] * off[:, 1], count)
    return np.asarray(0.5 * np.arctan2(2 * both, xx - yy))
