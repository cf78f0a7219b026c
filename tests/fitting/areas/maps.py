"""Maps of areas from closed lines."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import I32, Bool


def borders(label: I32) -> Bool:
    """Return the pixels beside which another area begins."""
    seam = np.zeros(label.shape, bool)
    seam[:, 1:] |= label[:, 1:] != label[:, :-1]
    seam[1:] |= label[1:] != label[:-1]
    return seam


def areas_of(ink: Bool, least_px: int) -> I32:
    """Return the patches of paper 1.., grown under the ink; small ones go with the ink."""
    _, label, stats, _ = cv2.connectedComponentsWithStats((~ink).astype(np.uint8), connectivity=4)
    small = stats[:, cv2.CC_STAT_AREA] < least_px
    small[0] = True
    label[small[label]] = 0
    if not label.any():
        return np.ones(label.shape, np.int32)
    return filled(np.asarray(label, np.int32))


def filled(label: I32) -> I32:
    """Return the map with every 0 given the nearest label."""
    bare = label == 0
    if bare.all() or not bare.any():
        return label
    _, near = cv2.distanceTransformWithLabels(
        bare.astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    return np.append(np.int32(0), label[~bare])[near].astype(np.int32)
