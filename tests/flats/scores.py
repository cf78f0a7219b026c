"""How well found areas match true ones: right, pieces, leaks, and the adjusted Rand index."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F64, I32, U8, Bool

RIGHT = 0.9  # intersection over union
COUNTS_MM2 = 6.0  # smaller true areas are not scored,
COUNTS_INNER_MM = 1.0  # nor thinner ones
PIECE = 0.03  # a found area that holds this share of a true one is a piece of it


@dataclass(frozen=True)
class Score:
    """Figures of one page (or, summed, of several)."""

    areas: int
    right: int
    pieces: int
    leaks: int
    iou: float
    rand: float

    @property
    def share_right(self) -> float:
        """Share of true areas found right."""
        return self.right / max(1, self.areas)

    @property
    def per_area(self) -> float:
        """Pieces per true area."""
        return self.pieces / max(1, self.areas)


def score(found: I32, truth: I32, paper: Bool, px_per_mm: float) -> Score:
    """Score found labels against true ones on bare paper.

    A true area is right if its overlap with the found area that covers most of it is over 0.9.
    Leaks: for every found area, how many true areas beyond the first have more than half of
    theirs in it. Pieces: found areas that hold at least 3 % of a true area.
    """
    t, f = truth[paper].astype(np.int64), found[paper].astype(np.int64)
    keep = t > 0
    t, f = t[keep], f[keep]
    n_f = int(f.max(initial=0)) + 1
    key, count = np.unique(t * n_f + f, return_counts=True)
    kt, kf = key // n_f, key % n_f
    size_t = np.bincount(t).astype(float)
    size_f = np.bincount(f, minlength=n_f).astype(float)
    counted = _counted(truth, size_t, px_per_mm)
    iou = count / (size_t[kt] + size_f[kf] - count)
    best = np.zeros(len(size_t))
    np.maximum.at(best, kt, iou)
    share = count / size_t[kt]
    pieces = np.bincount(kt[(share >= PIECE) & (kf > 0)], minlength=len(size_t))
    holds = counted[kt] & (share > 0.5)
    merged = np.bincount(kf[holds], minlength=n_f)
    merged[0] = 0
    n = int(counted.sum())
    all_pairs = max(1.0, len(t) * (len(t) - 1.0) / 2)
    expected = _pairs(size_t) * _pairs(size_f) / all_pairs
    top = (_pairs(size_t) + _pairs(size_f)) / 2
    rand = (_pairs(count.astype(float)) - expected) / max(1e-9, top - expected)
    return Score(
        n,
        int((best[counted] > RIGHT).sum()),
        int(np.maximum(pieces, 1)[counted].sum()),
        int(np.maximum(merged - 1, 0).sum()),
        float(best[counted].mean()) if n else 1.0,
        rand,
    )


def _pairs(size: F64) -> float:
    return float((size * (size - 1.0) / 2).sum())


def _counted(truth: I32, size: F64, px_per_mm: float) -> Bool:
    edge = np.zeros(truth.shape, bool)
    edge[:, 1:] |= truth[:, 1:] != truth[:, :-1]
    edge[1:] |= truth[1:] != truth[:-1]
    inside: U8 = (~edge).astype(np.uint8)
    depth = cv2.distanceTransform(inside, cv2.DIST_L2, 5)
    inner = np.zeros(len(size), np.float32)
    flat = truth.ravel()
    here = flat < len(size)
    np.maximum.at(inner, flat[here], depth.ravel()[here])
    counted = (size >= COUNTS_MM2 * px_per_mm**2) & (inner >= COUNTS_INNER_MM * px_per_mm)
    counted[0] = False
    return np.asarray(counted)


def total(scores: list[Score]) -> Score:
    """Add up several pages; overlap and Rand index are means over areas and pages."""
    areas = sum(s.areas for s in scores)
    return Score(
        areas,
        sum(s.right for s in scores),
        sum(s.pieces for s in scores),
        sum(s.leaks for s in scores),
        sum(s.iou * s.areas for s in scores) / max(1, areas),
        sum(s.rand for s in scores) / max(1, len(scores)),
    )
