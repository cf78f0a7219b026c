"""The ends of strokes: where they stop, which way they were going, how much stroke is behind."""

from __future__ import annotations

from dataclasses import dataclass, fields

import cv2
import numpy as np

from inkclean.base.arrays import F64, I64, Bool
from inkclean.flats.lines.skeleton import Lines, end_points, walk, xy

NEAR_MM = 0.25  # behind the tip where its direction begins: the tip itself curls
FAR_MM = 1.8  # behind the tip where it ends
BEHIND_MM = 6.0  # more stroke than this behind an end adds no trust
DOT = 2.2  # a line shorter than this many of its radii is a dot and goes nowhere


@dataclass(frozen=True)
class Ends:
    """Ends of strokes, N of them; lengths in px of the working raster.

    ``root`` (N,) flat positions of the last pixel of the thinned line; ``tip`` (N, 2) where the
    ink stops, continuous x, y; ``heading`` (N, 2) unit vectors out of the stroke; ``radius``
    half the line's width; ``behind`` length of the stroke behind, capped; ``extent`` longest
    side of the connected ink the end belongs to; ``piece`` the number of that ink.
    """

    root: I64
    tip: F64
    heading: F64
    radius: F64
    behind: F64
    extent: F64
    piece: I64

    def __len__(self) -> int:
        """Return how many ends there are."""
        return len(self.root)

    def chosen(self, which: Bool) -> Ends:
        """Return some of the ends."""
        return Ends(*(getattr(self, field.name)[which] for field in fields(self)))


def find_ends(ink: Bool, lines: Lines, px_per_mm: float) -> Ends:
    """Find the ends of the lines, dots left out."""
    width = ink.shape[1]
    at = end_points(lines)
    _, label, stats, _ = cv2.connectedComponentsWithStats(ink.astype(np.uint8), connectivity=8)
    piece = label.ravel()[at].astype(np.int64)
    extent = stats[piece][:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]].max(axis=1).astype(float)
    steps = max(8, round(BEHIND_MM * px_per_mm))
    path, length, _ = walk(lines, at, steps)
    points = xy(path, width).astype(np.float64)
    radius_along = lines.radius.ravel()[path]
    k = np.arange(steps)[None]
    _, own, _ = walk(lines, at, round(FAR_MM * px_per_mm) + 1, stop_at_junctions=True)
    near = np.minimum(round(NEAR_MM * px_per_mm), (own - 1) // 3)[:, None]
    far = np.minimum(round(FAR_MM * px_per_mm), np.maximum(own - 1, 1))[:, None]
    used = (k >= near) & (k <= far)
    heading = _heading(points, used)
    behind = np.minimum(length, steps).astype(float)
    count = np.maximum(used.sum(axis=1), 1)
    radius = (radius_along * used).sum(axis=1) / count
    keep = (behind > DOT * radius) & (piece > 0)
    at, points, heading = at[keep], points[keep, 0], heading[keep]
    tip = _edge_of_ink(ink, points, heading)
    return Ends(at, tip, heading, radius[keep], behind[keep], extent[keep], piece[keep])


def _heading(points: F64, used: Bool) -> F64:
    """Return the direction out of each stroke: the main axis of its last stretch."""
    weight = used.astype(float)
    total = weight.sum(axis=1)
    mean = (points * weight[..., None]).sum(axis=1) / total[:, None]
    off = (points - mean[:, None]) * weight[..., None]
    xx, yy = (off[..., 0] ** 2).sum(axis=1), (off[..., 1] ** 2).sum(axis=1)
    both = (off[..., 0] * off[..., 1]).sum(axis=1)
    angle = 0.5 * np.arctan2(2 * both, xx - yy)
    axis = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    out = points[:, 0] - mean
    axis *= np.where((axis * out).sum(axis=1) < 0, -1.0, 1.0)[:, None]
    return np.asarray(axis)


def _edge_of_ink(ink: Bool, start: F64, heading: F64) -> F64:
    """Go from each start along its heading until the ink stops."""
    height, width = ink.shape
    tip = start.copy()
    alive = np.arange(len(start))
    for step in np.arange(0.5, 12.0, 0.5):
        spot = start[alive] + heading[alive] * step
        column = np.clip(spot[:, 0].astype(int), 0, width - 1)
        row = np.clip(spot[:, 1].astype(int), 0, height - 1)
        alive, spot = alive[ink[row, column]], spot[ink[row, column]]
        tip[alive] = spot
        if not len(alive):
            break
    return tip
