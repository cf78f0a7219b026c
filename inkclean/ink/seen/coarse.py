"""Ink on coarse pictures, where no level of light can be read: two witnesses are added up.

Crisp edges (``decide``) say how far a pixel lies inside a shape or out of it, the network
(``places``) what odds it gives to ink. Taken as independent witnesses their log-odds add; the
network is the surer one.
"""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F32
from inkclean.ink.seen.decide import SURE_ODDS, CrispMarks, decide, drop_unsure
from inkclean.ink.seen.places import Places
from inkclean.sheet.lit import stretched

# Change of the lifted darkness over which a crisp edge goes from paper to ink.
DECISION_SPAN = 0.5
# Log-odds of what lies wholly inside a crisp shape; outside of all it is as much against ink.
CRISP_ODDS = 1.2


def coarse_ink(ink: F32, places: Places) -> F32:
    """Return the coverage (H, W), 0 to 1, of ink on a sheet of reflectance (H, W)."""
    evidence = _crisp(ink)
    odds = places.odds
    if places.factor > 1:
        odds = _enlarged(odds, places.factor, ink.shape)
    sure = odds > SURE_ODDS
    marks = CrispMarks.of(evidence > 0, ink)
    if marks is not None:
        sure |= marks.crisp[marks.label]
    coverage = np.asarray(1 / (1 + np.exp(-evidence - odds)), np.float32)
    drop_unsure(coverage, sure, ink)
    return coverage


def _crisp(ink: F32) -> F32:
    """Return (H, W) log-odds of ink by the crispness of edges alone."""
    decision = decide(ink)
    level = cv2.dilate(decision.level, np.ones((3, 3), np.uint8))
    inside = (decision.lifted - level) / np.float32(DECISION_SPAN)
    inside[level == 0] = -0.5
    evidence = np.clip(inside, -0.5, 0.5).astype(np.float32) * np.float32(2 * CRISP_ODDS)
    return _enlarged(evidence, decision.factor, ink.shape) if decision.factor > 1 else evidence


def _enlarged(plane: F32, factor: int, shape: tuple[int, ...]) -> F32:
    return np.ascontiguousarray(stretched(plane, factor, slice(0, shape[0]), shape[1]))
