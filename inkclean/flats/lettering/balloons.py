"""Balloons and captions' boxes: paper around letters that an outline closes, and its outline."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, I32, I64, Bool
from inkclean.flats.lettering.enclosed import LARGEST, Inked, balloon_odds, disc, insides, is_cloud
from inkclean.flats.lettering.outlines import Borders, outline_of
from inkclean.flats.rasters import pieces

LEAKS_MM = (0.0, 0.35, 0.8, 1.4)  # gaps in outlines are closed by this much on both sides, in turn
SURE = 0.0  # log-odds from which an inside is a balloon's,
SURE_CLOSED = -1.4  # and one that is drawn without a gap
BAY_MM = 1.5  # letters that touch the outline make bays in the inside, half as broad at most,
DEEP_MM = 0.75  # and so deep at least


@dataclass(frozen=True)
class Balloon:
    """One balloon or box, in a window of the sheet: ``place`` is its rows and columns.

    ``inside`` and ``outline`` are (h, w) bool: what it encloses, letters too, and its own ink.
    """

    place: tuple[slice, slice]
    inside: Bool
    outline: Bool


def find_balloons(
    ink: Bool, label: I32, box: I64, odds: F32, letter: Bool, px_per_mm: float
) -> list[Balloon]:
    """Return the balloons around letters.

    ``label`` (H, W) numbers the marks of ``ink`` (H, W) from 1, ``box`` (N, 4) are theirs,
    ``odds`` (N,) the log-odds that they are letters, and ``letter`` (N,) tells which are taken
    for letters.
    """
    rows = np.flatnonzero(letter)
    if not len(rows):
        return []
    away = away_of(ink, label, letter)
    inked = Inked(label, box, odds, away, LARGEST * ink.size, px_per_mm)
    borders = Borders(ink, px_per_mm)
    taken = np.zeros(len(letter), bool)
    found: list[Balloon] = []
    for leak in LEAKS_MM:
        for one in insides(inked, rows[~taken[rows]], leak):
            if balloon_odds(one.seen) <= (SURE if leak else SURE_CLOSED):
                continue
            taken[one.held] = True
            inside = one.filled
            if not is_cloud(inside, px_per_mm):
                inside = inside | _bays(inside, px_per_mm)
            outline = outline_of(ink[one.place], inside, px_per_mm)
            outline &= ~borders.beside(one.place, inside)
            found.append(Balloon(one.place, inside, outline))
    return found


def away_of(ink: Bool, label: I32, letter: Bool) -> F32:
    """Return how far each pixel lies from ink that is no letter, (H, W)."""
    wall = np.asarray(ink & ~np.append(False, letter)[label])
    return np.asarray(cv2.distanceTransform((~wall).view(np.uint8), cv2.DIST_L2, 5), np.float32)


def _bays(filled: Bool, px_per_mm: float) -> Bool:
    """Return the deep bays of an inside: letters that touch the outline fill them."""
    closed = cv2.morphologyEx(filled.view(np.uint8), cv2.MORPH_CLOSE, disc(BAY_MM * px_per_mm))
    bay = np.asarray((closed > 0) & ~filled)
    count, piece = pieces(bay)
    deep = np.zeros(count, np.float32)
    away = np.asarray(cv2.distanceTransform(closed, cv2.DIST_L2, 5), np.float32)
    np.maximum.at(deep, piece[bay], away[bay])
    deep[0] = 0
    return np.asarray((deep > DEEP_MM * px_per_mm)[piece])
