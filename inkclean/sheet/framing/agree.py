"""How far candidates for the page part the picture as the network does (``seen.py``).

Strips of table along the picture's borders are nearly too narrow for it.
"""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I64, U8, Bool
from inkclean.sheet.framing.lines import EdgeLines
from inkclean.sheet.framing.seen import SURE, SeenSheet

COARSE, FINER = (24, 18), (96, 72)  # places at which all candidates, then the best, are asked
PLACES = 32  # looked at along a side
# Of the picture's longer side: a strip of table along its border is nowhere deeper.
STRIP = 0.025
STRIP_DARK = 0.6  # of the light just within, below which a place without is none of the sheet
ALONG = 0.75  # share of the places along a side at which it is so dark without
LEAST_SHOWN = 0.4  # share of such a side that the picture shows
LESS = 0.1  # that an outline without such strips may score less by its edges
BESIDE_PX = (2.0, 4.0)  # from the side where that is looked at: without, within


def parts(
    lines: EdgeLines, corners: F64, sides: I64, told: SeenSheet, shape: tuple[int, ...]
) -> F64:
    """Return what `as_told` does of every candidate (Q,), from a few places.

    ``corners`` is (Q, 4, 2), ``sides`` (Q, 4) the lines between them. Which places lie on which
    side of each line is asked but once, a bit for each.
    """
    size = COARSE if shape[1] > shape[0] else COARSE[::-1]
    odds, places = _asked(told, size, shape)
    above = places @ lines.normal.T > lines.offset
    bits = np.packbits(np.stack([~above.T, above.T]), axis=2)
    centre = corners.mean(axis=1)
    inward = (centre[:, None] * lines.normal[sides]).sum(axis=2) > lines.offset[sides]
    inside = np.bitwise_and.reduce(bits[inward.astype(np.int64), sides], axis=1)
    total = np.unpackbits(inside, axis=1, count=len(places)).astype(np.float32) @ odds
    return np.asarray((2.0 * total - odds.sum()) / len(places), np.float64)


def _asked(told: SeenSheet, size: tuple[int, int], shape: tuple[int, ...]) -> tuple[F32, F64]:
    """Return the network's log-odds (N,), 1 where it is sure, and at which (N, 2) places."""
    odds = np.clip(told.odds / np.float32(SURE), -1, 1)
    mean = np.asarray(cv2.resize(odds, size, interpolation=cv2.INTER_AREA), np.float32)
    x, y = np.meshgrid(np.arange(size[0]) + 0.5, np.arange(size[1]) + 0.5)
    places = np.stack([x.ravel() * shape[1] / size[0], y.ravel() * shape[0] / size[1]], axis=1)
    return mean.ravel(), places


def as_told(told: SeenSheet, corners: F64, shape: tuple[int, ...]) -> tuple[F64, F64]:
    """Return how far each candidate parts the picture as the network does, (Q,) of -1 to 1, and
    the share of what either calls the sheet that both do, (Q,) of 0 to 1."""
    size = FINER if shape[1] > shape[0] else FINER[::-1]
    odds, places = _asked(told, size, shape)
    inside = inside_of(corners, places).astype(np.float32)
    parted = (2.0 * (inside @ odds) - odds.sum()) / len(places)
    share = (odds > 0).astype(np.float32)
    both = inside @ share
    either = inside.sum(axis=1) + share.sum() - both
    return parted.astype(np.float64), (both / np.maximum(either, 1.0)).astype(np.float64)


def sides_told(told: SeenSheet, corners: F64, shape: tuple[int, ...]) -> F64:
    """Return the share (Q, 4) of each side within the picture that the network sees as one; NaN
    where the picture shows next to nothing of it."""
    high, wide = told.sides.shape
    share = cv2.dilate(1 / (1 + np.exp(-told.sides)), np.ones((5, 5), np.uint8))
    t = (np.arange(PLACES) + 0.5)[:, None] / PLACES
    leg = np.roll(corners, -1, axis=1) - corners
    side = (corners[:, :, None] + leg[:, :, None] * t) * (wide / shape[1], high / shape[0])
    x, y = np.moveaxis(np.floor(side).astype(np.int64), -1, 0)
    there = (x >= 2) & (x < wide - 2) & (y >= 2) & (y < high - 2)
    found = share[y.clip(0, high - 1), x.clip(0, wide - 1)] * there
    shown = there.sum(axis=2)
    return np.where(shown > 1, found.sum(axis=2) / np.maximum(shown, 1), np.nan)


def mean_side(sides: F64) -> F64:
    """Return the mean (Q,) of what `sides_told` tells (Q, 4); one half where no side is shown."""
    known = np.isfinite(sides)
    count = known.sum(axis=1)
    mean = np.where(known, sides, 0.0).sum(axis=1) / np.maximum(count, 1)
    return np.where(count > 0, mean, 0.5)


def inside_of(corners: F64, places: F64) -> Bool:
    """Return (Q, N): which places lie within each clockwise quadrangle."""
    leg = np.roll(corners, -1, axis=1) - corners
    normal: F32 = np.stack([-leg[..., 1], leg[..., 0]], axis=-1).astype(np.float32)
    offset = (normal * corners).sum(axis=2)
    height = normal.reshape(-1, 2) @ places.T.astype(np.float32)
    return np.asarray((height.reshape(*normal.shape[:2], -1) > offset[..., None]).all(axis=1))


def without_strips(
    bare: U8, corners: F64, border: Bool, plain: Bool, sure: Bool, scores: tuple[F64, F64], top: int
) -> int:
    """Return the number of the outline that leaves out strips along the picture's borders.

    ``corners`` (Q, 4, 2), ``border`` (Q, 4) whether a side is the picture's own, ``plain`` (Q, 4)
    whether it is plain to see, ``sure`` (Q, 4) whether the network sees it; ``scores`` are what
    edges alone say of each, and all that is known (Q,). Of the outlines that differ from ``top``
    by such strips, those are asked whose new sides the network sees, or it is dark beyond.
    """
    own, score = scores
    best, most = top, -np.inf
    for turn in [(np.arange(4) + k) % 4 for k in range(4)]:
        moved = np.abs(corners[:, turn] - corners[top]).max(axis=(1, 2))
        new = border[top] & ~border[:, turn]
        fits = (moved < STRIP * max(bare.shape)) & new.any(axis=1) & (own > own[top] - LESS)
        fits &= (border[top] | ~border[:, turn]).all(axis=1)
        fits &= (plain[:, turn] | sure[:, turn] | ~new).all(axis=1) & (score > most)
        for one in np.flatnonzero(fits):
            dark = plain[one, turn] & _dark_without(bare, corners[one, turn])
            if (sure[one, turn] | dark)[new[one]].all() and score[one] > most:
                best, most = int(one), float(score[one])
    return best


def _dark_without(bare: U8, corners: F64) -> Bool:
    """Return (4,): whether it is dark beyond each side of a clockwise outline, as far as shown."""
    t = (np.arange(PLACES) + 0.5)[:, None] / PLACES
    leg = np.roll(corners, -1, axis=0) - corners
    side = corners[:, None] + leg[:, None] * t
    out = np.stack([leg[:, 1], -leg[:, 0]], axis=1)
    out /= np.maximum(np.hypot(leg[:, 0], leg[:, 1]), 1.0)[:, None]
    high, wide = bare.shape[:2]

    def light(away: float) -> tuple[F64, Bool]:
        x, y = np.moveaxis(np.floor(side + away * out[:, None]).astype(np.int64), -1, 0)
        there = (x >= 0) & (x < wide) & (y >= 0) & (y < high)
        found = bare[y.clip(0, high - 1), x.clip(0, wide - 1)].mean(axis=-1)
        return np.asarray(found, np.float64), np.asarray(there, np.bool_)

    beyond, shown = light(BESIDE_PX[0])
    within, _ = light(-BESIDE_PX[1])
    dark = ((beyond < STRIP_DARK * within) & shown).sum(axis=1)
    count = shown.sum(axis=1)
    return np.asarray((dark > ALONG * count) & (count > LEAST_SHOWN * PLACES), np.bool_)
