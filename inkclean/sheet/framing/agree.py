"""How far candidates for the page part the picture as the network does (``seen.py``)."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I64, Bool
from inkclean.sheet.framing.lines import EdgeLines
from inkclean.sheet.framing.seen import SURE, SeenSheet

COARSE, FINER = (24, 18), (96, 72)  # places at which all candidates, then the best, are asked
PLACES = 32  # looked at along a side


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
