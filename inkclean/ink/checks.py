"""What to check in the ink: groups of removed specks, and marks kept in doubt, a dozen at most.

Dust lies alone; what a pen or a dry brush left lies together. So the more specks were removed
from one spot, and the surer a doubt about them, the likelier they were drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I64, Bool
from inkclean.ink.values import Doubt
from inkclean.sheet.framing.squaring import project, unit_to_photo
from inkclean.sheet.values import Frame, Photo

MOST = 12  # places to check on a page
NEAR_MM = 2.5  # specks this near one another are one group,
MAP_PX_PER_MM = 4.0  # told on a map so coarse,
SIDE_MM = 18.0  # cut into squares of this side where it runs on over the page
LEAST = 3  # fewer specks together are dust
DUST = 0.05  # how likely a speck that nothing speaks for was drawn
MARGIN_MM = 0.3  # what lies this far around a doubt that names no marks belongs to it
SAME_MM = 0.02  # a speck and a mark this near are one


@dataclass(frozen=True)
class InkCheck:
    """A place to check: centre and diameter in mm, and why.

    ``specks`` are the rows of the removed specks that it is about, empty if it is about marks
    that were kept: then these are ``kept``, x, y and diameter in mm. ``chance`` (0..1) is how
    likely what was decided is wrong.
    """

    x_mm: float
    y_mm: float
    size_mm: float
    why: str
    specks: I64
    chance: float
    kept: tuple[tuple[float, float, float], ...] = ()


def ink_checks(removed: F32, doubts: Sequence[Doubt], most: int = MOST) -> tuple[InkCheck, ...]:
    """Return what to check, the likeliest mistakes first.

    ``removed`` is (N, 3): x, y and diameter in mm of the specks that went; none of them is in
    two places.
    """
    free = np.ones(len(removed), bool)
    at = np.asarray(removed[:, :2], np.float64)
    found = []
    for doubt in sorted(doubts, key=lambda each: -each.chance):
        specks = np.zeros(0, np.int64)
        if doubt.removed:
            specks = _of_doubt(at, doubt)
            specks = specks[free[specks]]
            if not len(specks):
                continue  # they were brought back
            free[specks] = False
        place = doubt.x_mm, doubt.y_mm, doubt.size_mm
        kept = () if doubt.removed or doubt.wide else (doubt.marks or (place,))
        found.append(InkCheck(*place, doubt.why, specks, doubt.chance, kept))
    found += [_of_group(removed, specks) for specks in _groups(at, free)]
    found.sort(key=lambda check: -check.chance)
    return tuple(found[:most])


def differing_doubts(photo: Photo, frame: Frame) -> tuple[Doubt, ...]:
    """Return the places where the photos of a page disagree, those beside the sheet left out."""
    if not photo.differing:
        return ()
    back = np.linalg.inv(unit_to_photo(frame)).astype(np.float64)
    size = np.array([frame.width_mm, frame.height_mm])
    places = np.array([(place.x_px, place.y_px) for place in photo.differing], np.float64)
    radii = np.array([place.size_px / 2 for place in photo.differing])[:, None]
    at = project(back, places) * size
    reach = np.hypot(*(project(back, places + radii * (1.0, 0.0)) * size - at).T)
    return tuple(
        Doubt(float(x), float(y), 2 * float(radius), place.why, chance=place.chance, wide=True)
        for place, (x, y), radius in zip(photo.differing, at, reach, strict=True)
        if 0 < x < size[0] and 0 < y < size[1]
    )


def _of_doubt(at: F64, doubt: Doubt) -> I64:
    """Return the rows of the specks that a doubt is about."""
    if doubt.marks and len(at):
        marks = np.array(doubt.marks)[:, None, :2]
        away = np.hypot(*np.moveaxis(marks - at[None], 2, 0))
        return np.flatnonzero((away < SAME_MM).any(axis=0))
    away = np.hypot(*(at - (doubt.x_mm, doubt.y_mm)).T)
    return np.flatnonzero(away <= doubt.size_mm / 2 + MARGIN_MM)


def together(chance: float, count: int) -> float:
    """Return how likely some marks near each other were drawn, from the likelihood of one."""
    return float(chance ** (1 / (1 + np.log2(count))))


def _groups(at: F64, free: Bool) -> list[I64]:
    """Return the rows of the specks that lie together, those of one group at a time."""
    rows = np.flatnonzero(free)
    if len(rows) < LEAST:
        return []
    # discs half as wide as two may be apart, on a coarse map, hang together where specks do
    column, row = (at[rows] * MAP_PX_PER_MM).astype(np.int64).T
    spots = np.zeros((int(row.max()) + 1, int(column.max()) + 1), np.uint8)
    spots[row, column] = 1
    side = round(NEAR_MM * MAP_PX_PER_MM)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side | 1, side | 1))
    groups, piece = cv2.connectedComponents(cv2.dilate(spots, disc), connectivity=8)
    group = np.asarray(piece, np.int64)[row, column]
    corner = np.full((groups, 2), np.inf)
    np.minimum.at(corner, group, at[rows])
    square = np.floor((at[rows] - corner[group]) / SIDE_MM).astype(np.int64)
    _, which, count = np.unique(
        np.column_stack([group, square]), axis=0, return_inverse=True, return_counts=True
    )
    order = np.argsort(which.ravel(), kind="stable")
    parts = np.split(rows[order], np.cumsum(count)[:-1])
    return [part for part in parts if len(part) >= LEAST]


def _of_group(removed: F32, specks: I64) -> InkCheck:
    points = removed[specks, :2].astype(np.float64)
    middle = (points.min(axis=0) + points.max(axis=0)) / 2
    reach = np.hypot(*(points - middle).T) + removed[specks, 2] / 2
    why = f"{len(specks)} specks removed together"
    chance = together(DUST, len(specks))
    x, y = middle.tolist()
    return InkCheck(x, y, 2 * float(reach.max()), why, specks, chance)
