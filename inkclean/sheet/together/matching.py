"""Which photos show the same ink, and how each lies to the other.

Features: Lowe, "Distinctive image features from scale-invariant keypoints", IJCV 60(2), 2004,
compared as square roots (Arandjelović and Zisserman, CVPR 2012). The homography that most of
them agree on: Baráth and others, "MAGSAC++", CVPR 2020.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I64, U8
from inkclean.sheet.together.seen import Glance
from inkclean.sheet.together.values import carry

MOST = 3000  # features of a photo
SECOND = 0.85  # a match is this much nearer than the second nearest
NEAR_PX = 4.0  # in the small pictures, from where a feature has another place
LOOSE_PX = 14.0  # farther still where paper bows
LEAST = 24  # features that must agree
# the share of the ink in the common part that both show, chance taken off
SAME_INK = 0.35
DARK = 190  # of 250: ink in the small pictures
REACH = 5  # px by which ink may be off, as a kernel's side
LEAST_SHARE = 0.015  # of the smaller photo that must be common


@dataclass(frozen=True)
class Match:
    """Two photos that show the same ink: (N, 2) px in each, and how alike the ink is, 0..1."""

    first: int
    second: int
    at_first: F64
    at_second: F64
    alike: float


@dataclass(frozen=True)
class Features:
    """Places (N, 2) in the photo's px and what they look like, (N, 128) of length 1."""

    at: F64
    what: F32


def features(seen: Glance) -> Features:
    """Return the features of a photo."""
    finder = cv2.SIFT.create(nfeatures=MOST, contrastThreshold=0.03)
    keys, what = finder.detectAndCompute(seen.small, None)
    if what is None or len(keys) == 0:
        return Features(np.zeros((0, 2)), np.zeros((0, 128), np.float32))
    # a feature's place counts from the middle of the first px
    at = (np.array([key.pt for key in keys], np.float64) + 0.5) / seen.small_scale
    total = np.maximum(what.sum(axis=1, keepdims=True), 1e-6)
    return Features(at, np.asarray(np.sqrt(what / total), np.float32))


def match(
    pair: tuple[int, int], seen: tuple[Glance, Glance], found: tuple[Features, Features]
) -> Match | None:
    """Return how two photos lie to each other; None where they do not show the same ink."""
    rows, columns = _nearest(found[0].what, found[1].what)
    if len(rows) < LEAST:
        return None
    first, second = found[0].at[rows], found[1].at[columns]
    scales = seen[0].small_scale, seen[1].small_scale
    matrix, _ = cv2.findHomography(
        first * scales[0],
        second * scales[1],
        cv2.USAC_MAGSAC,
        NEAR_PX,
        maxIters=5000,
        confidence=0.9999,
    )
    if matrix is None or not _sound(np.asarray(matrix, np.float64), seen[0].small.shape[:2]):
        return None
    small = np.asarray(matrix, np.float64)
    off = np.hypot(*(carry(small, first * scales[0]) - second * scales[1]).T)
    if np.count_nonzero(off < NEAR_PX) < LEAST:
        return None
    alike = same_ink(seen[0].small, seen[1].small, small)
    if alike < SAME_INK:
        return None
    near = off < LOOSE_PX
    return Match(*pair, first[near], second[near], alike)


def _nearest(first: F32, second: F32) -> tuple[I64, I64]:
    """Return rows of both whose features are each other's nearest, and clearly so."""
    if min(len(first), len(second)) < 2:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    alike = first @ second.T
    best = alike.argmax(axis=1)
    rows = np.arange(len(first))
    top = alike[rows, best]
    mutual = alike.argmax(axis=0)[best] == rows
    alike[rows, best] = -1.0
    second_best = alike.max(axis=1)
    # lengths are 1: the squared distance is 2 − 2 times the product
    clear = (1.0 - top) < SECOND**2 * (1.0 - second_best)
    chosen = rows[mutual & clear]
    return chosen, best[chosen]


def _sound(matrix: F64, shape: tuple[int, ...]) -> bool:
    """Tell whether a homography could be that of two photos of a page: no fold, no mirror."""
    high, wide = shape[:2]
    corners = np.array([[0, 0], [wide, 0], [wide, high], [0, high]], np.float64)
    depth = corners @ matrix[2, :2] + matrix[2, 2]
    if not np.isfinite(matrix).all() or (depth <= 0).any():
        return False
    at = carry(matrix, corners)
    sides = np.roll(at, -1, axis=0) - at
    after = np.roll(sides, -1, axis=0)
    turn = sides[:, 0] * after[:, 1] - sides[:, 1] * after[:, 0]
    return bool((turn > 0).all() and 0.02 < turn.mean() / (wide * high) < 50)


def same_ink(first: U8, second: U8, matrix: F64) -> float:
    """Return how much of the ink in the common part both pictures show, what chance gives off.

    ``matrix`` takes px of the first small picture to the second's; 0 is chance, 1 all.
    """
    high, wide = first.shape
    back = matrix.copy()
    shown = cv2.warpPerspective(second, np.linalg.inv(back), (wide, high), borderValue=0)
    whole = np.full(second.shape, 255, np.uint8)
    common = cv2.warpPerspective(whole, np.linalg.inv(back), (wide, high)) > 254
    if common.sum() < LEAST_SHARE * min(first.size, second.size):
        return 0.0
    one, two = (first < DARK) & common, (shown < DARK) & common
    shares = []
    for ink, other in ((one, two), (two, one)):
        if ink.sum() < 200:
            return 0.0
        near = cv2.dilate(other.astype(np.uint8), np.ones((REACH, REACH), np.uint8)) > 0
        chance = float(near[common].mean())
        shares.append((float(near[ink].mean()) - chance) / max(1.0 - chance, 1e-3))
    return float(min(shares))
