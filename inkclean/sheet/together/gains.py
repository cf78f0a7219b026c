"""One light over all photos: each is brought to the mean of those that show a place.

The paper that photos share tells how much lighter the one is than the other, colour by colour; the
mean goes over smoothly from photo to photo, so that no join shows.
"""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F32, Bool

NEAR, FAR = 2.5, 14.0  # cells over which a ratio is smoothed, and carried where no paper is
FEATHER = 0.3  # of the page, over which a photo's part in the light grows from its border
STRONGEST = 6.0  # gain


def gains_of(paper: F32, reached: Bool) -> F32:
    """Return (K, h, w, 3) float32: what each photo's linear light is multiplied by in each cell.

    ``paper`` (K, h, w, 3) is the light of paper that photos share, 0 where not known; ``reached``
    (K, h, w) where each photo reaches.
    """
    count, high, wide, _ = paper.shape
    part = np.stack([_feather(one) for one in reached])
    part /= np.maximum(part.sum(axis=0), 1e-6)
    known = paper.min(axis=3) > 0
    logs = np.log(np.where(known[..., None], paper, 1.0)).astype(np.float32)
    gains = np.zeros((count, high, wide, 3), np.float32)
    for k in range(count):
        for j in range(count):
            if j == k or not (reached[k] & reached[j]).any():
                continue
            both = (known[k] & known[j]).astype(np.float32)
            gains[k] += part[j][..., None] * _smooth(logs[j] - logs[k], both)
    limit = np.float32(np.log(STRONGEST))
    return np.exp(np.clip(gains, -limit, limit))


def _feather(reached: Bool) -> F32:
    """Return how much a photo counts: from 0 at its border to 1 well inside."""
    padded = np.pad(reached, 1).astype(np.uint8)
    depth = cv2.distanceTransform(padded, cv2.DIST_L2, 3)[1:-1, 1:-1]
    reach = max(2.0, FEATHER * max(reached.shape))
    share: F32 = np.asarray(depth, np.float32) / np.float32(reach)
    return np.asarray(np.minimum(share, np.float32(1.0)), np.float32)


def _smooth(values: F32, weight: F32) -> F32:
    """Return (h, w, 3) values smoothed where they are known and carried where they are not."""
    if not weight.any():
        return np.zeros_like(values)
    found = np.zeros_like(values)
    total = np.full(weight.shape, np.float32(1e-6))
    middle = np.median(values[weight > 0], axis=0)
    found += middle * total[..., None]
    for sigma, trust in ((NEAR, 1.0), (FAR, 1e-3)):
        share = cv2.GaussianBlur(weight, (0, 0), sigma) * np.float32(trust)
        sums = cv2.GaussianBlur(values * weight[..., None], (0, 0), sigma) * np.float32(trust)
        found += sums
        total += share
    return np.asarray(found / total[..., None], np.float32)
