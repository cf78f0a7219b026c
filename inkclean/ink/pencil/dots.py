"""Printed dots, the grid of dotted paper: small, alone, paler than the ink, evenly spaced.

Each has fellows at one distance, level and upright, over most of the sheet; dots that were drawn
have not, and stippling is closer. Only dots that lie alone are asked and taken away: what stands
in a line stays with it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I64, Bool

SPACING_MM = (3.2, 12.5)  # from dot to dot, the scale being a guess
SOFT_MM = 0.15  # dots are looked for in a picture blurred by so much
FAINT = 0.05  # density of the palest dot that would show
ALONE_MM = (0.8, 1.3)  # in this ring around a dot that lies alone
ALONE = 0.4  # nothing is darker than this share of it
EVEN = 0.1  # share of the spacing by which a fellow may lie off
FELLOWS = 2  # of four that make a dot one of the grid
LEAST = 60  # dots of a grid
MOST = 6000  # dots asked for the spacing
MAINLY = 0.5  # share of the small dots on the sheet that are the grid's
SPREAD = 0.4  # share of the sheet's blocks (5 by 5) that hold some
PALER = 0.5  # density of dots over that of ink: above this they cannot be told apart


@dataclass(frozen=True)
class PrintedDots:
    """Printed dots: ``places`` (N, 2) x, y in px of the sheet; ``pale`` is False where they are as
    dark as the ink; ``band`` (h, w) bool, what they take up, ``factor``² px of the sheet each."""

    places: F64
    pale: bool
    band: Bool
    factor: int


def find_dots(reduced: F32, per_mm: float, factor: int) -> PrintedDots | None:
    """Return the printed dots, or None if there are none.

    ``reduced`` is (h, w), the ink alone averaged to about 5 px/mm (``per_mm``), ``factor`` px of
    the sheet that make one of it.
    """
    density = -np.log(np.maximum(reduced, np.float32(0.02)))
    soft = np.asarray(cv2.GaussianBlur(density, (0, 0), SOFT_MM * per_mm), np.float32)
    spots, rows, columns = _alone(soft, per_mm)
    if not LEAST <= len(rows) <= MOST:
        return None
    spacing = _spacing(spots, per_mm)
    if spacing is None:
        return None
    ours = _fellows(spots, spacing) >= FELLOWS
    high, wide = reduced.shape
    block = rows[ours] * 5 // high * 5 + columns[ours] * 5 // wide
    filled = (np.bincount(block, minlength=25) > 1).mean()
    if ours.sum() < LEAST or ours.mean() < MAINLY or filled < SPREAD:
        return None
    band = _discs(spots[ours], reduced.shape, ALONE_MM[0] * per_mm)
    core = np.asarray(cv2.dilate(density, np.ones((3, 3), np.uint8)), np.float32)
    depth = float(np.median(core[rows[ours], columns[ours]]))
    inked = density[(density > max(0.3, 0.6 * depth)) & ~band]
    pale = inked.size > 50 and depth < PALER * float(np.percentile(inked, 75))
    return PrintedDots((spots[ours] + 0.5) * factor, pale, band, factor)


def _discs(spots: F64, shape: tuple[int, ...], radius: float) -> Bool:
    """Return (h, w): within ``radius`` px of one of ``spots`` (N, 2)."""
    band = np.zeros(shape, np.uint8)
    x, y = spots.astype(np.int64).T
    band[y, x] = 1
    wide = 2 * max(1, round(radius)) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (wide, wide))
    return np.asarray(cv2.dilate(band, disc), np.uint8).view(np.bool_)


def _alone(soft: F32, per_mm: float) -> tuple[F64, I64, I64]:
    """Return the darkest px (N, 2), x and y, of each small spot with bare paper around, and its
    row and column, (N,) each."""
    inner, outer = (max(1, round(r * per_mm)) for r in ALONE_MM)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * outer + 1, 2 * outer + 1))
    hole = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * inner - 1, 2 * inner - 1))
    ring = np.asarray(disc, np.uint8).copy()
    middle = slice(outer - inner + 1, outer + inner)
    ring[middle, middle] -= np.asarray(hole, np.uint8)
    crest = soft >= cv2.dilate(soft, hole)
    around = cv2.dilate(soft, ring)
    rows, columns = np.nonzero((soft > FAINT) & crest & (np.asarray(around) < ALONE * soft))
    return np.stack([columns, rows], axis=1).astype(np.float64), rows, columns


def _spacing(spots: F64, per_mm: float) -> F64 | None:
    """Return the step (2,) in px from dot to dot along the rows, or None if there is none."""
    low, high = (s * per_mm for s in SPACING_MM)
    sample: I64 = np.arange(0, len(spots), max(1, len(spots) // 800))
    away = spots[None] - spots[sample, None]
    length = np.hypot(away[..., 0], away[..., 1])
    level = (length > low) & (length < high) & (np.abs(away[..., 1]) < 0.4 * away[..., 0])
    steps = away[level]
    if len(steps) < LEAST:
        return None
    reach = int(high) + 3
    votes = np.zeros((reach, 2 * reach), np.float32)
    np.add.at(votes, (steps[:, 0].astype(np.int64), steps[:, 1].astype(np.int64) + reach), 1.0)
    votes = np.asarray(cv2.GaussianBlur(votes, (0, 0), max(1.0, 0.2 * per_mm)), np.float32)
    x, y = np.divmod(int(votes.argmax()), 2 * reach)
    near = np.hypot(*(steps - (x, y - reach)).T) < EVEN * high
    step: F64 = steps[near].mean(axis=0) if near.any() else np.array([x, y - reach], np.float64)
    return step


def _fellows(spots: F64, step: F64) -> I64:
    """Return (N,) how many of its four fellows each spot has."""
    slack = EVEN * float(np.hypot(*step))
    size = (spots.max(axis=0) + 2 * slack + 2).astype(np.int64)
    there = np.zeros((int(size[1]), int(size[0])), np.uint8)
    place = np.rint(spots).astype(np.int64)
    there[place[:, 1], place[:, 0]] = 1
    wide = 2 * max(1, round(slack)) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (wide, wide))
    near = np.asarray(cv2.dilate(there, disc), np.uint8)
    count = np.zeros(len(spots), np.int64)
    for turned in (step, -step, np.array([-step[1], step[0]]), np.array([step[1], -step[0]])):
        at = np.rint(spots + turned).astype(np.int64)
        inside = (at >= 0).all(axis=1) & (at < size).all(axis=1)
        count[inside] += near[at[inside, 1], at[inside, 0]]
    return count
