"""Punched holes: what shows through them is the desk, not ink.

ISO 838: 6 mm across, centres 12 mm from the edge and 80 mm apart; US three-hole
punching (common practice, no source): 1/4 to 5/16 in across, some 1/2 in from the edge, 4 1/4 in
apart. A drawn dot may look the same, so a hole needs company: a second of its size, as far from
the same edge. One that light falls into looks like no disc; its outline does, and it needs its
fellows at the distance that a punch has between its pins.
"""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I32, I64, U8, Bool
from inkclean.sheet.circles import Circles, find_circles

SMALLEST_MM = 4.5  # diameter of a hole
LARGEST_MM = 9.0
FARTHEST_MM = 16.0  # of a hole's centre from the edge
NEAREST_MM = 4.0
IN_LINE_MM = 1.5  # how far the distances from the edge may differ, framing included
APART_MM = 30.0  # holes of a binder lie further apart than drawn circles in a row
FULL = 0.88  # area over that of the ellipse in its box
ASPECT = 0.78  # of that box; the sheet may be a little out of square
ALIKE = 1.25  # ratio of two holes' diameters
DARK = 0.65  # of bare paper, in the darkest channel
GROW_MM = 0.7  # the hole's rim: a bevel, a shadow, a torn edge
# Of holes half lit, whatever the scale: in diameters of one the pins of a punch are so far apart
# (80 over 6 mm, 108 over 6.3 to 8, and how badly an arc tells them), and so far from the edge.
PINS = (11.0, 18.5)
FROM_EDGE = (0.8, 3.3)
LARGEST_LIT_MM = 9.6
SHADE = 0.85  # of paper's encoded tone, under which it lies
LONGEST = 2.5  # of a round hole's radius: half an oblong one, and how far off it may lie
INWARDS = 0.75  # of it: from where its dark begins to the middle of its round end
SHADOW_MM = 1.2  # a shadow in a hole is broader than a line
STRIP_MM = 21.0  # beside the border where they are looked for
SLANT = 0.06  # how far off the border's direction a row of holes may run
LEVEL = 0.25  # of a diameter: how far off its row a hole may lie
EVEN = 0.05  # of the distance between two pins by which a third may miss its place
# From a hole's rim up to so many radii around at most so much is as broadly dark.
AROUND, CROWD = 2.2, 0.02
# A row of two needs outlines seen so far, and dark within for so much; one of three less.
TWO_SEEN, TWO_FULL = 0.7, 0.4
THREE_SEEN, THREE_FULL = 0.3, 0.08


def punched_holes(samples: F32, per_mm: float) -> Bool | None:
    """Return (h, w) bool, True in punched holes and their rims; None if there are none.

    Args:
        samples: (h, w, 3) float32, the sheet's reflectance averaged onto a grid.
        per_mm: samples in a millimetre.
    """
    red, green, blue = cv2.split(samples)
    darkest = np.asarray(cv2.min(cv2.min(red, green), blue), np.float32)
    mask = _dark_holes(darkest, per_mm)
    half_lit = _half_lit(darkest, per_mm)
    if mask is None or half_lit is None:
        return half_lit if mask is None else mask
    return mask | half_lit


def _dark_holes(darkest: F32, per_mm: float) -> Bool | None:
    """Return the holes that are dark all over."""
    dark = (darkest < DARK).astype(np.uint8)
    # Grid lines that touch a hole are cut off before shapes are judged.
    dark = np.asarray(cv2.morphologyEx(dark, cv2.MORPH_OPEN, _disc(1.5 * per_mm)), np.uint8)
    count, labels, stats, centres = cv2.connectedComponentsWithStats(dark, connectivity=8)
    if count < 3:
        return None
    chosen = _holes(
        np.asarray(stats[1:], np.int32), np.asarray(centres[1:], np.float64), dark.shape, per_mm
    )
    if chosen.size == 0:
        return None
    mask = np.isin(labels, chosen + 1).astype(np.uint8)
    reach = max(1, round(GROW_MM * per_mm))
    return np.asarray(cv2.dilate(mask, _disc(2 * reach + 1)), np.bool_)


def _disc(size: float) -> U8:
    odd = max(3, round(size) | 1)
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (odd, odd)), np.uint8)


def _holes(stats: I32, centres: F64, shape: tuple[int, ...], per_mm: float) -> I64:
    """Numbers of the components that are round, of a hole's size, and in line."""
    boxes = stats[:, 2:4] / per_mm
    sides = boxes.max(axis=1)
    area = stats[:, 4] / per_mm**2
    fits = area > FULL * np.pi / 4 * boxes.prod(axis=1)
    fits &= boxes.min(axis=1) > ASPECT * sides
    fits &= (sides > SMALLEST_MM) & (sides < LARGEST_MM)
    x, y = centres.T / per_mm
    edges = np.stack([x, y, shape[1] / per_mm - x, shape[0] / per_mm - y])
    along = np.stack([y, x, y, x])
    near = fits & (edges > NEAREST_MM) & (edges < FARTHEST_MM)
    paired = np.zeros(sides.shape, np.bool_)
    for distance, place, candidates in zip(edges, along, near, strict=True):
        numbers = np.flatnonzero(candidates)
        level, spot, size = distance[numbers], place[numbers], sides[numbers]
        fellow = np.abs(level[:, None] - level) < IN_LINE_MM
        fellow &= np.abs(spot[:, None] - spot) > APART_MM
        fellow &= np.maximum(size[:, None], size) < ALIKE * np.minimum(size[:, None], size)
        paired[numbers] |= fellow.any(axis=1)
    return np.flatnonzero(paired).astype(np.int64)


def _half_lit(darkest: F32, per_mm: float) -> Bool | None:
    """Return the holes, of which there is a row along a border, that are dark in part."""
    high, wide = darkest.shape
    deep = round(STRIP_MM * per_mm)
    if min(high, wide) < 2 * deep:
        return None
    mask = np.zeros(darkest.shape, np.bool_)
    for plane, turned in (
        (darkest, mask),
        (darkest[::-1], mask[::-1]),
        (darkest.T, mask.T),
        (darkest[:, ::-1].T, mask[:, ::-1].T),
    ):
        tone = np.sqrt(np.clip(np.ascontiguousarray(plane[:deep]), 0, 1.2, dtype=np.float32))
        for x, y, radius in _row_of_holes(tone, per_mm):
            _lay_disc(turned, x, y, radius + GROW_MM * per_mm)
    return mask if mask.any() else None


def _lay_disc(mask: Bool, x: float, y: float, radius: float) -> None:
    top, left = max(0, int(y - radius)), max(0, int(x - radius))
    part = mask[top : int(y + radius) + 2, left : int(x + radius) + 2]
    rows, columns = np.ogrid[top : top + part.shape[0], left : left + part.shape[1]]
    part |= (rows - y) ** 2 + (columns - x) ** 2 <= radius**2


def _row_of_holes(tone: F32, per_mm: float) -> list[list[float]]:
    """Return x, y and radius in samples of holes in the strip ``tone`` along a border."""
    shade = (cv2.dilate(tone, _disc(SHADOW_MM * per_mm)) < SHADE).view(np.uint8)
    if not shade.any():
        return []
    wide = round(2 * LARGEST_LIT_MM * per_mm)
    near = np.asarray(cv2.dilate(shade, np.ones((wide, wide), np.uint8))).view(np.bool_)
    radii = np.arange(SMALLEST_MM / 2 * per_mm - 1, LARGEST_LIT_MM / 2 * per_mm + 1.5)
    found = _by_themselves(find_circles(tone, radii, near), shade)
    best: list[int] = []
    for first in range(len(found.seen)):
        for second in range(len(found.seen)):
            row = _row(found, first, second)
            if len(row) > len(best):
                best = row
    holes = found.places[best]
    if not best:
        return []
    holes[:, 2] = holes[:, 2].max()  # a punch has pins of one size; an arc tells it badly
    return [*holes.tolist(), *(_oblong(holes, shade) if len(best) > 2 else ())]


def _by_themselves(found: Circles, shade: U8) -> Circles:
    """Return the outlines that have shade within, but none around, as letters have."""
    few = []
    for number, (x, y, radius) in enumerate(found.places):
        top, left = max(0, int(y - AROUND * radius)), max(0, int(x - AROUND * radius))
        part = shade[top : int(y + AROUND * radius) + 2, left : int(x + AROUND * radius) + 2] > 0
        rows, columns = np.ogrid[top : top + part.shape[0], left : left + part.shape[1]]
        away = np.hypot(rows - y, columns - x)
        ring = (away > 1.2 * radius) & (away < AROUND * radius)
        if part[away < radius].any() and part[ring].mean() < CROWD:
            few.append(number)
    return Circles(found.places[few], found.seen[few], found.full[few])


def _oblong(holes: F64, shade: U8) -> list[list[float]]:
    """Return discs that cover the oblong holes of a row (N, 3): dark places where it lacks one."""
    step = np.diff(np.sort(holes[:, 0])).min()
    count = np.rint((holes[:, 0] - holes[:, 0].min()) / step)
    slope, start = np.polyfit(count, holes, 1)
    radius = float(holes[0, 2])
    discs = []
    for number in set(range(int(count.max()))) - set(count.astype(int)):
        x, y, _ = start + number * slope
        left = int(x - LONGEST * radius)
        part = shade[int(y - radius) : int(y + radius), left : int(x + LONGEST * radius)]
        dark = np.flatnonzero(part.any(axis=0)) + left
        if dark.size:
            ends = dark[0] + INWARDS * radius, dark[-1] - INWARDS * radius
            discs += [[float(place), float(y), radius] for place in np.linspace(*ends, 5)]
    return discs


def _row(found: Circles, first: int, second: int) -> list[int]:
    """Return the numbers of the holes in a row whose step leads from one to another; or none."""
    places = found.places
    step = places[second, :2] - places[first, :2]
    if step[0] <= 0 or abs(step[1]) > SLANT * step[0]:
        return []
    across = places[:, 2] + places[first, 2]  # a mean diameter
    pins = step[0] / across[second]
    alike = np.maximum(places[:, 2], places[first, 2]) < ALIKE**2 * np.minimum(
        places[:, 2], places[first, 2]
    )
    edge = places[:, 1] / across
    alike &= (edge > FROM_EDGE[0]) & (edge < FROM_EDGE[1])
    if not (PINS[0] < pins < PINS[1] and alike[first] and alike[second]):
        return []
    away = places[:, :2] - places[first, :2]
    count = np.rint(away[:, 0] / step[0])
    miss = np.abs(away - count[:, None] * step)
    fits = alike & (np.abs(count) <= 3) & (miss[:, 1] < LEVEL * across)
    fits &= (miss[:, 0] < EVEN * step[0]) & (found.seen >= THREE_SEEN) & (found.full >= THREE_FULL)
    _, which = np.unique(count[fits], return_index=True)  # one hole a place, that seen best
    if which.size >= 3:
        return [int(number) for number in np.flatnonzero(fits)[which]]
    both = np.array([first, second])
    if (found.seen[both] >= TWO_SEEN).all() and (found.full[both] >= TWO_FULL).all():
        return [first, second]
    return []
