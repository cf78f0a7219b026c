"""Round outlines beside a sheet's border, lit however they may be: what a punch leaves.

Light falls into a hole from one side: there the paper throws a shadow on what lies under it, the
rest shows that as bright as paper. Each place of an edge votes for the centre that its gradient
points away from (Ballard, *Pattern Recognition* 13(2), 1981), so an arc is enough. A circle that
a pen drew has a thin line all around, and paper within it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, Bool, length
from inkclean.base.arrays import places as places_of

STEP = 0.03  # of encoded tone, a sample: an edge that votes
TURNS = 24  # parts of an outline that are asked whether its edge is seen there
SEEN = 0.3  # of these parts: an outline
VOTES = 5.0  # over the radius: votes that a whole outline has at least
NEAR = 1.6  # samples by which an edge's vote may miss the centre
DARK = 0.12  # of encoded tone under that of paper
LINE = 0.75  # of the parts with a line and paper within it: drawn by a pen
UNEVEN = 2.2  # a shadow's width grows by more along a rim, a pen's line by less
CLUTTER = 0.35  # of a ring around that is dark: hatching, letters
MOST = 24  # outlines told


@dataclass(frozen=True)
class Circles:
    """Round outlines: ``places`` (N, 3) x, y and radius in samples, ``seen`` (N,) the share of
    each that shows an edge, ``full`` (N,) the share within that is darker than paper."""

    places: F64
    seen: F64
    full: F64


def find_circles(tone: F32, radii: F64, near: Bool) -> Circles:
    """Return the round outlines of what is darker within than the paper around it.

    Args:
        tone: (h, w) float32, encoded reflectance, bare paper 1.
        radii: (R,) in samples, growing in even steps; what fits the first or the last best is
            smaller or larger, and left out.
        near: (h, w) bool, where edges count.

    Circles that a pen drew are left out, and those in a crowd of other marks.
    """
    soft = np.asarray(cv2.GaussianBlur(tone, (0, 0), 0.8), np.float32)
    across = np.asarray(cv2.Sobel(soft, cv2.CV_32F, 1, 0, scale=1 / 8), np.float32)
    down = np.asarray(cv2.Sobel(soft, cv2.CV_32F, 0, 1, scale=1 / 8), np.float32)
    steep = length(across, down)
    # one column after another, so that those of a circle lie together
    columns, rows = places_of(np.ascontiguousarray((near & (steep > STEP)).T))
    at = np.stack([columns, rows], axis=1).astype(np.float64)
    towards = np.stack([across[rows, columns], down[rows, columns]], axis=1).astype(np.float64)
    towards /= steep[rows, columns, None]
    best = np.zeros(tone.shape, np.float32)
    which = np.zeros(tone.shape, np.int64)
    for number, radius in enumerate(radii):
        votes = _votes(at - radius * towards, tone.shape) / np.float32(radius)
        which[votes > best] = number
        np.maximum(best, votes, out=best)
    wide = 2 * int(radii[0]) + 1
    crest = (best >= cv2.dilate(best, np.ones((wide, wide), np.uint8))) & (best > VOTES * SEEN)
    crest &= (which > 0) & (which < len(radii) - 1)
    places = np.stack(places_of(crest), axis=1)
    told = []
    for row, column in places[np.argsort(-best[crest], kind="stable")[:MOST]]:
        centre, radius = np.array([column, row], np.float64), float(radii[which[row, column]])
        few = slice(*np.searchsorted(columns, (column - radius - 3, column + radius + 3)))
        seen = _seen(at[few] - radius * towards[few], towards[few], centre)
        if seen >= SEEN:
            full = _fullness(tone, centre, radius)
            if full > 0:
                told.append((*centre, radius, seen, full))
    table = np.array(told, np.float64).reshape(-1, 5)
    return Circles(table[:, :3], table[:, 3], table[:, 4])


def _votes(places: F64, shape: tuple[int, ...]) -> F32:
    """Return (h, w): how many of ``places`` (N, 2), x and y, lie within a sample of each."""
    x, y = np.rint(places).astype(np.int64).T
    inside = (x >= 0) & (y >= 0) & (x < shape[1]) & (y < shape[0])
    count = np.bincount(y[inside] * shape[1] + x[inside], minlength=shape[0] * shape[1])
    votes = count.reshape(shape).astype(np.float32)
    return np.asarray(cv2.boxFilter(votes, -1, (3, 3), normalize=False), np.float32)


def _seen(places: F64, towards: F64, centre: F64) -> float:
    """Return the share of the turns around ``centre`` from which an edge votes for it."""
    near = np.hypot(*(places - centre).T) <= NEAR
    turn = np.arctan2(towards[near, 1], towards[near, 0]) / (2 * np.pi) * TURNS
    return np.unique(np.floor(turn).astype(np.int64) % TURNS).size / TURNS


def _fullness(tone: F32, centre: F64, radius: float) -> float:
    """Return the share of a circle that is dark; 0 if a pen drew it, or it lies in a crowd."""
    turn = np.arange(2 * TURNS) * (np.pi / TURNS)
    far = np.linspace(0.05, 1.4, 28)  # of the radius; its 20th lies on the outline
    x = (centre[0] + np.cos(turn)[:, None] * far * radius).astype(np.float32)
    y = (centre[1] + np.sin(turn)[:, None] * far * radius).astype(np.float32)
    ring = np.asarray(cv2.remap(tone, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
    paper = float(np.median(ring[:, 23:]))
    dark = ring < paper - DARK
    if dark[:, 23:].mean() > CLUTTER:
        return 0.0
    within, outline = ring[:, 6:14].max(axis=1), ring[:, 14:23].min(axis=1)
    line = (outline < paper - DARK) & (within > outline + 0.6 * (paper - outline))
    width = np.percentile(dark[:, 6:23].sum(axis=1), (25, 90))
    if line.mean() > LINE and width[1] < UNEVEN * width[0] + 1:
        return 0.0
    return float((dark[:, :20] * far[:20]).sum() / (far[:20].sum() * len(turn)))
