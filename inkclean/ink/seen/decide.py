"""Crisp edges on coarse pictures: shapes in a tree of level sets, each where its edge is crispest.

Thresholds of one map give components nested in each other. Each is worth the sum, over its
boundary, of the map's slope less the least slope that an ink's edge has on this page; the best
set of components, none inside another, follows exactly from the leaves up. It is the energy of
Howe (IJDAR 16, 2013, DOI 10.1007/s10032-012-0192-x), whose Laplacian data term sums to the
slope along the boundary, minimised over level sets instead of by a minimum cut; trees of level
sets: Salembier, Oliveras, Garrido, IEEE TIP 7(4), 1998.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I32, I64, U8, Bool, length, median
from inkclean.base.pieces import pieces_of
from inkclean.ink.levels import laplacian
from inkclean.ink.seen.places import darkness
from inkclean.sheet.lit import averaged

# Pages are brought to about this many pixels: what is ink shows there, its edge is found later.
WORK_PIXELS = 3_000_000
# Weight and scale (px) of the Laplacian that lifts faint thin strokes out of stains and shade.
LIFT, LIFT_PX = 8.0, 1.5
# Thresholds of the lifted darkness (0 paper, 1 black).
LEVELS = (0.06, 0.12, 0.18, 0.24, 0.3, 0.36, 0.42, 0.48, 0.54, 0.6, 0.66, 0.72, 0.78, 0.84, 0.9)
# On large clean pages these do: ink is far darker than paper.
FEW_LEVELS = (0.1, 0.18, 0.28, 0.4, 0.55, 0.75)
# Least slope of an ink's edge, as a share of the usual one: on clean paper, more per share that
# the paper's own slopes have of it, at most.
LEAST_EDGE, EDGE_PER_GRAIN, MOST_EDGE = 0.1, 4.5, 0.78
SMALLEST_EDGE = 0.12
# A shape whose darkness is under this share of the ink around it (in px of work) is no ink,
# unless its edges, for its darkness, are this crisp beside the page's usual: a paler pen.
LEAST_DEPTH, AROUND_PX = 0.55, 101
PALE_BUT_CRISP = 1.0
# A shape of which no more than this share has such log-odds is no ink: what shows through from
# behind, and noise, the network half believes all over; of ink it is sure somewhere. But not if
# its edges, for its darkness, are this crisp beside the page's usual.
SURE_ODDS, SURE_SHARE, UNSURE_BUT_CRISP = 1.0, 0.05, 1.05

# Worths this near each other are the same: of equal shapes the lightest level counts.
TIE = 1e-6

_CROSS = cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3))


@dataclass(frozen=True)
class Decision:
    """What is ink, at the scale of work (h, w).

    ``lifted`` float32 is the darkness that was cut, ``level`` float32 the threshold of the shape
    that holds each pixel, 0 outside the ink. ``factor`` whole px of the sheet make one here.
    """

    lifted: F32
    level: F32
    factor: int

    @property
    def places(self) -> Bool:
        """(h, w) bool: the ink."""
        return self.level > 0


def slope_of(values: F32) -> F32:
    """Return the length of the gradient of ``values`` (H, W), per px."""
    across = cv2.Sobel(values, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    down = cv2.Sobel(values, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    return length(across, down)


def decide(ink: F32) -> Decision:
    """Decide what is ink on a sheet of reflectance (H, W), 1.0 = paper."""
    factor = max(1, round(float(np.sqrt(ink.size / WORK_PIXELS))))
    dark = darkness(averaged(ink, factor))
    slope = slope_of(dark)
    soft = np.asarray(cv2.GaussianBlur(dark, (0, 0), LIFT_PX), np.float32)
    lifted = dark - np.float32(LIFT) * laplacian(soft)
    levels = LEVELS if factor == 1 else FEW_LEVELS
    level = best_shapes(lifted, slope - np.float32(_least_slope(dark, slope)), levels)
    return Decision(lifted, _drop_pale(level, dark, slope), factor)


def _least_slope(dark: F32, slope: F32) -> float:
    """Return the least slope that the edge of an ink has on this page."""
    codes = np.clip(dark * 255, 0, 255).astype(np.uint8)
    half, mask = cv2.threshold(codes, 0, 1, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    edge = mask - cv2.erode(mask, np.ones((3, 3), np.uint8))
    if not edge.any():
        return 1.0
    usual = float(median(slope[edge > 0]))
    near = cv2.dilate((codes > half * 0.6).astype(np.uint8), np.ones((7, 7), np.uint8))
    paper = slope[near == 0]
    paper = paper[:: max(1, paper.size // 500_000)]
    grain = float(np.percentile(paper, 90)) if paper.size > 100 else 0.0
    share = LEAST_EDGE + EDGE_PER_GRAIN * grain / max(usual, 1e-6)
    return usual * float(np.clip(share, SMALLEST_EDGE, MOST_EDGE))


def best_shapes(values: F32, worth: F32, levels: tuple[float, ...]) -> F32:
    """Return (H, W): the level of the best shape around each pixel, 0 where there is none.

    Shapes are the 8-connected components of ``values`` over each of the rising ``levels``; a
    shape is worth the sum of ``worth`` over its boundary pixels.
    """
    shapes: list[_Shapes] = []
    keep: list[Bool] = []
    best: F64 = np.zeros(1)
    for level in reversed(levels):
        here = _shapes(values, worth.ravel(), level)
        seeds = shapes[-1].seeds if shapes else np.zeros(1, np.int64)
        inside = np.bincount(here.label.ravel()[seeds], best, len(here.worth))
        inside[0] = 0  # the children's best, summed
        keep.append((here.worth > 0) & (here.worth >= inside - TIE))
        best = np.maximum(here.worth, inside)
        best[0] = 0
        shapes.append(here)
    return _lightest(shapes, keep, levels)


@dataclass(frozen=True)
class _Shapes:
    """The components over one level, the ground being the first.

    ``mask`` (h, w) uint8 and ``label`` (h, w) int32; of each component what it is worth, and the
    place of a pixel of its rim.
    """

    mask: U8
    label: I32
    worth: F64
    seeds: I64


def _shapes(values: F32, worth: F32, level: float) -> _Shapes:
    mask = (values > np.float32(level)).view(np.uint8)
    label, told = pieces_of(mask)
    count = len(told)
    inner = cv2.erode(mask, _CROSS, borderType=cv2.BORDER_CONSTANT, borderValue=1.0)
    rim = np.flatnonzero(mask != inner)
    which = label.ravel()[rim]
    own = np.bincount(which, worth[rim], count).astype(np.float64)
    own[0] = 0
    seeds = np.zeros(count, np.int64)  # what has no rim is the whole picture
    seeds[which] = rim
    return _Shapes(mask, label, own, seeds)


def _lightest(shapes: list[_Shapes], keep: list[Bool], levels: tuple[float, ...]) -> F32:
    """Return (h, w): the lightest level of which a kept shape holds each pixel, else 0.

    ``shapes`` and ``keep`` go from the darkest level to the lightest, ``levels`` the other way.
    """
    result = np.zeros(shapes[0].mask.shape, np.float32)
    held = np.zeros(1, np.float32)
    for number, level in enumerate(levels):
        at = len(shapes) - 1 - number
        here = shapes[at]
        own = np.where(keep[at], np.float32(level), np.float32(0))
        if number:
            above = held[shapes[at + 1].label.ravel()[here.seeds]]
            own = np.where(above > 0, above, own)
        own[0] = 0
        ring = here.mask if at == 0 else here.mask != shapes[at - 1].mask
        only = np.flatnonzero(ring)
        result.ravel()[only] = own[here.label.ravel()[only]]
        held = own
    return result


def _drop_pale(level: F32, dark: F32, slope: F32) -> F32:
    """Return ``level`` without shapes paler and softer than the ink around them."""
    places = (level > 0).view(np.uint8)
    label, told = pieces_of(places)
    count = len(told)
    if count == 1:
        return level
    weight = places * dark
    weight *= weight * weight
    window = (AROUND_PX, AROUND_PX)
    near = cv2.blur(weight * dark, window) / (cv2.blur(weight, window) + np.float32(1e-6))
    at = np.flatnonzero(places)
    which = label.ravel()[at]
    own, around = dark.ravel()[at], near.ravel()[at]
    share = np.bincount(which, own**2, count) / np.maximum(np.bincount(which, own, count), 1e-9)
    size = np.bincount(which, minlength=count)
    asked = np.bincount(which, around, count) / np.maximum(size, 1)
    edge, usual = _crispness(np.asarray(label), size, share, slope)
    pale = (share < LEAST_DEPTH * asked) & (edge < PALE_BUT_CRISP * usual)
    gone = at[pale[which]]
    level.ravel()[gone] = 0
    return level


def _crispness(label: I32, size: I64, share: F64, slope: F32) -> tuple[F64, float]:
    """Return the slope at the rim of each shape for its darkness ``share``, and the usual one.

    ``label`` (h, w) tells the shapes, ``size`` their pixels, the ground being the first.
    """
    places = (label > 0).view(np.uint8)
    rim = np.flatnonzero(places != cv2.erode(places, _CROSS))
    on_rim = label.ravel()[rim]
    edge = np.bincount(on_rim, slope.ravel()[rim], len(size)).astype(np.float64)
    edge /= np.maximum(np.bincount(on_rim, minlength=len(size)), 1) * np.maximum(share, 1e-9)
    inked = size * (np.arange(len(size)) > 0)
    order = np.argsort(edge)
    half = np.searchsorted(np.cumsum(inked[order]), 0.5 * inked.sum())
    return edge, float(edge[order[half]])  # the median of all pixels


@dataclass(frozen=True)
class CrispMarks:
    """The shapes of a mask, the ground being the first.

    ``label`` (h, w) int32 tells them, ``size`` their pixels, ``crisp`` (N,) bool which have edges
    that are crisp for their darkness, beside those usual on the page.
    """

    label: I32
    size: I64
    crisp: Bool

    @classmethod
    def of(cls, mask: Bool, ink: F32) -> CrispMarks | None:
        """Return those of ``mask`` (H, W) on the reflectance ``ink`` (H, W), if there are any."""
        label, told = pieces_of(mask)
        count = len(told)
        if count == 1:
            return None
        at = np.flatnonzero(mask)
        which = label.ravel()[at]
        size = np.bincount(which, minlength=count)
        dark = darkness(ink)
        own = dark.ravel()[at]
        depth = np.bincount(which, own**2, count) / np.maximum(np.bincount(which, own, count), 1e-9)
        edge, usual = _crispness(label, size, depth, slope_of(dark))
        crisp = edge >= UNSURE_BUT_CRISP * usual
        crisp[0] = False
        return cls(label, size, crisp)


def drop_unsure(coverage: F32, sure: Bool, ink: F32) -> None:
    """Take shapes out of ``coverage`` (H, W), in place, of which hardly any part is ``sure``.

    Those stay whose edges on ``ink`` (H, W), the reflectance, are crisp for their darkness.
    """
    marks = CrispMarks.of(coverage > 0.5, ink)
    if marks is None:
        return
    known = np.bincount(marks.label[sure], minlength=len(marks.size))
    gone = (known <= SURE_SHARE * marks.size) & ~marks.crisp
    gone[0] = False
    coverage[gone[marks.label]] = 0
