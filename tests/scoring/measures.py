"""Measures on ink masks, True = ink.

F-measure, PSNR and the pseudo F-measure of 2010: definitions of the binarisation contests
(DIBCO 2009 evaluation page; H-DIBCO 2010). DRD: Lu, Kot, Shi, IEEE SPL 11(2), 2004, formula
from memory, as three open implementations have it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, Bool
from inkclean.demo.drawing import raster
from inkclean.demo.sampling import values_at


@dataclass(frozen=True)
class Overlap:
    """Counts of a result against the truth."""

    tp: int
    fp: int
    fn: int

    @property
    def recall(self) -> float:
        """Share of the true ink found."""
        return self.tp / max(self.tp + self.fn, 1)

    @property
    def precision(self) -> float:
        """Share of the found ink that is true."""
        return self.tp / max(self.tp + self.fp, 1)

    @property
    def f_measure(self) -> float:
        """Harmonic mean of both, in per cent."""
        both = self.recall + self.precision
        return 200.0 * self.recall * self.precision / both if both else 0.0


def overlap(result: Bool, truth: Bool) -> Overlap:
    """Count ink found, false and missed."""
    tp = int(np.count_nonzero(result & truth))
    return Overlap(tp, int(np.count_nonzero(result)) - tp, int(np.count_nonzero(truth)) - tp)


def psnr(result: Bool, truth: Bool) -> float:
    """Peak signal to noise ratio of 0/1 images in dB; infinite if they agree."""
    wrong = np.count_nonzero(result != truth) / truth.size
    return float("inf") if wrong == 0 else float(-10.0 * np.log10(wrong))


def drd_weights() -> F32:
    """The 5×5 weights of DRD: 1/distance, centre 0, sum 1."""
    y, x = np.mgrid[-2:3, -2:3].astype(np.float64)
    distance = np.hypot(x, y)
    weights = np.where(distance > 0, 1.0 / np.maximum(distance, 1.0), 0.0)
    return np.asarray(weights / weights.sum(), np.float32)


def distortions(result: Bool, truth: Bool) -> F32:
    """Distortion (H, W) of each wrong pixel, 0 elsewhere.

    Beyond the border the truth is continued by its outermost pixels.
    """
    ink_near = cv2.filter2D(
        truth.astype(np.float32), -1, drd_weights(), borderType=cv2.BORDER_REPLICATE
    )
    return np.asarray(np.where(result, 1.0 - ink_near, ink_near) * (result != truth), np.float32)


def drd(result: Bool, truth: Bool) -> float:
    """Distance reciprocal distortion: per 8×8 block of truth that is neither all ink nor paper.

    Blocks that the border cuts are left out of the count.
    """
    total = float(distortions(result, truth).sum(dtype=np.float64))
    return total / max(mixed_blocks(truth), 1)


def mixed_blocks(truth: Bool) -> int:
    """Number of whole 8×8 blocks with both ink and paper."""
    h, w = (n // 8 * 8 for n in truth.shape)
    share = (
        cv2.resize(truth[:h, :w].astype(np.float32), (w // 8, h // 8), interpolation=cv2.INTER_AREA)
        if h and w
        else np.zeros((0, 0))
    )
    return int(np.count_nonzero((share > 1e-4) & (share < 1 - 1e-4)))


def pseudo_f(result: Bool, truth: Bool) -> float:
    """F-measure, per cent, with recall on the skeleton of the truth only (form of 2010)."""
    from skimage.morphology import skeletonize

    thin: Callable[[Bool], Bool] = skeletonize
    bones = thin(truth)
    recall = np.count_nonzero(bones & result) / max(int(np.count_nonzero(bones)), 1)
    precision = overlap(result, truth).precision
    return 200.0 * recall * precision / max(recall + precision, 1e-12)


def page_jaccard(found_mm: F64, width_mm: float, height_mm: float, cell_mm: float = 0.5) -> float:
    """Intersection over union of an outline (N, 2) in true page space with the page itself.

    SmartDoc 2015: the true perspective is undone first, then areas are compared. The cells'
    coverages are exact, so the size of a cell does not matter for straight edges.
    """
    inside = raster.coverage(
        *raster.join([found_mm / cell_mm]),
        (int(np.ceil(height_mm / cell_mm)), int(np.ceil(width_mm / cell_mm))),
    )
    # the last cells reach beyond the page
    fit_x = width_mm / cell_mm - inside.shape[1] + 1
    fit_y = height_mm / cell_mm - inside.shape[0] + 1
    inside[:, -1] = np.minimum(inside[:, -1], fit_x)
    inside[-1] = np.minimum(inside[-1], fit_y)
    common = float(inside.sum(dtype=np.float64)) * cell_mm**2
    found = float(abs(raster.areas(*raster.join([found_mm]))[0]))
    return common / (found + width_mm * height_mm - common)


def lines_kept(result: Bool, ends_px: F64, width_px: F64) -> Bool:
    """Tell for lines (N, 4) in px whether each is there, unbroken and open on both sides.

    There: ink on at least 95 % of its inner three quarters (within a third of its width);
    open: paper beside it on at least half of them, on each side.
    """
    if len(ends_px) == 0:
        return np.zeros(0, np.bool_)
    t = np.linspace(0.12, 0.88, 41)[None, :, None]
    at = ends_px[:, None, :2] * (1 - t) + ends_px[:, None, 2:] * t
    along = ends_px[:, 2:] - ends_px[:, :2]
    normal = (np.stack([-along[:, 1], along[:, 0]], 1) / np.hypot(*along.T)[:, None])[:, None]
    grey = result.astype(np.float32)
    # the pen trembles: up to 0.12 mm, here told from the line's own width
    reach = np.linspace(-0.6, 0.6, 7)[None, None, :, None] * width_px[:, None, None, None]
    on = values_at(grey, at[:, :, None] + reach * normal[:, :, None]).max(axis=2) >= 0.5
    beside = np.array([-1.0, 1.0])[:, None, None, None] * (1.5 * width_px)[None, :, None, None]
    off = values_at(grey, at[None] + beside * normal[None]) < 0.5
    return np.asarray((on.mean(axis=1) >= 0.95) & (off.mean(axis=2) >= 0.5).all(axis=0), np.bool_)


def dots_kept(result: Bool, dots_px: F64) -> Bool:
    """Tell for dots (N, 3: x, y, diameter px) whether at least half of each one's area is ink."""
    if len(dots_px) == 0:
        return np.zeros(0, np.bool_)
    turn = np.arange(12) * (2 * np.pi / 12)
    rings = [np.stack([np.cos(turn), np.sin(turn)], 1) * r for r in (0.3, 0.55, 0.8)]
    disc = np.concatenate([np.zeros((1, 2)), *rings])
    at = dots_px[:, None, :2] + disc[None] * (dots_px[:, 2] / 2)[:, None, None]
    there = values_at(result.astype(np.float32), at).mean(axis=1) >= 0.5
    return np.asarray(there, np.bool_)


def places_free(result: Bool, places_px: F64, margin_px: float) -> Bool:
    """Tell for places (N, 3: x, y, diameter px) whether no ink lies on them or within margin."""
    if len(places_px) == 0:
        return np.zeros(0, np.bool_)
    turn = np.arange(12) * (2 * np.pi / 12)
    disc = np.concatenate(
        [np.stack([np.cos(turn), np.sin(turn)], 1) * r for r in (0.0, 0.35, 0.7, 1.0)]
    )
    at = places_px[:, None, :2] + disc[None] * (places_px[:, 2] / 2 + margin_px)[:, None, None]
    clean = values_at(result.astype(np.float32), at).max(axis=1) < 0.5
    return np.asarray(clean, np.bool_)


def black_holes(result: Bool, polygons_px: list[F64], rim_px: float) -> tuple[int, int]:
    """Number of blacks with holes, and of hole pixels, ``rim_px`` inside each one's edge."""
    holed, pixels = 0, 0
    for polygon in polygons_px:
        x, y, w, h = cv2.boundingRect(np.round(polygon).astype(np.int32))
        x0, y0 = max(x, 0), max(y, 0)
        part = result[y0 : y + h, x0 : x + w]
        if part.size == 0:
            continue
        mask = np.zeros((part.shape[0] + 2, part.shape[1] + 2), np.uint8)
        cv2.fillPoly(mask, [np.round(polygon - (x0 - 1, y0 - 1)).astype(np.int32)], 1)
        core = (cv2.distanceTransform(mask, cv2.DIST_L2, 5) > rim_px)[1:-1, 1:-1]
        missing = int(np.count_nonzero(core & ~part))
        holed += missing > 0
        pixels += missing
    return holed, pixels


def spread_of_paper(grey: F32, bare: Bool, block: int) -> float:
    """5th to 95th percentile of block means of bare paper, in per cent of their median.

    Only blocks at least a fifth of which is bare count.
    """
    h, w = (n // block for n in grey.shape)
    size = (w, h)
    crop = (slice(0, h * block), slice(0, w * block))
    free = bare[crop].astype(np.float32)
    share = cv2.resize(free, size, interpolation=cv2.INTER_AREA)
    total = cv2.resize(grey[crop] * free, size, interpolation=cv2.INTER_AREA)
    means = (total / np.maximum(share, 1e-6))[share > 0.2]
    low, middle, high = np.percentile(means, [5, 50, 95])
    return float(100.0 * (high - low) / middle)
