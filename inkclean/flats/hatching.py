"""Families of parallel strokes: ink that shades an area and parts nothing."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.arrays import F64, I32, I64, Bool
from inkclean.flats.crossing import take_off_crossings
from inkclean.flats.rasters import dilated, square, tally
from inkclean.flats.skeleton import Lines, lines_of, xy
from inkclean.flats.strokes import Strokes, directions, strokes_of

PIECE_MM = 1.5  # lines are cut into pieces this long to take their direction
PARALLEL = np.cos(np.radians(18.0))  # strokes of one family differ by less
EVEN = 2.5  # spacings of neighbours in one family differ by less than this factor
VERY_STRAIGHT = 0.93  # a stroke this straight has one direction
FAMILY = 4  # lines side by side that make a family
SMALL_FAMILY = 3  # enough when the strokes are of like length and end freely
IN_FAMILY = 0.6  # share of a stroke that must run beside others of its family
FREE_IN_FAMILY = 0.5  # the same for a stroke with a free end, which parts nothing by itself
PIECE_IN_FAMILY = 0.4  # the same for a piece between two junctions
ALONE_MM = 2.5  # a piece this long is judged by itself too,
ALONE_IN_FAMILY = 0.75  # if it runs with a full family so far
LONGEST_MM = 60.0  # longer strokes are outlines
STRAIGHT = 0.8  # ends' distance over length: more bent strokes are outlines
SCRAP_MM = 3.0  # pieces of ink smaller than this, between strokes taken off, go with them
PORE_MM = 0.5  # breaks up to this wide are pores of the stroke, not gaps


@dataclass(frozen=True)
class Shaded:
    """Ink with the hatching told apart.

    ``ink`` (H, W) bool: what is left of the ink as outline; ``lines`` the same, thinned;
    ``soft`` (H, W) bool: on and beside lines that run along a family on one side only, the
    outermost strokes of a family or an outline beside it.
    """

    ink: Bool
    lines: Lines
    soft: Bool


def take_off_hatching(ink: Bool, lines: Lines, px_per_mm: float, widest_mm: float) -> Shaded:
    """Tell families of parallel strokes from the outlines.

    A family is several strokes side by side: parallel, about evenly spaced, no more than
    ``widest_mm`` apart. It is judged at every pixel of a stroke by looking square across for
    the next parallel line, and from there on, so curved and crossed families count too.
    Strokes with family on both sides are taken off, and those with family on one side that end
    freely; what else has family on one side is marked soft, for the rooms to decide.
    """
    whole = ink
    ink, crossed = take_off_crossings(ink, px_per_mm, widest_mm)
    if (ink != whole).any():
        lines = lines_of(ink)
    strokes = strokes_of(lines, px_per_mm)
    if not strokes.count:
        return Shaded(ink, lines, crossed)
    at, family = _families_of(strokes, whole & ~ink, px_per_mm, widest_mm)
    sure = family.both & ((family.size >= FAMILY) | family.even)
    gone = _gone(strokes, at, family.label, sure, sure, px_per_mm)
    ink = without(ink, lines, gone)
    rest = lines_of(ink)
    outer = strokes_of(rest, px_per_mm)
    at, family = _families_of(outer, whole & ~ink, px_per_mm, widest_mm)
    beside = family.size >= SMALL_FAMILY
    free = beside & (outer.loose[family.label] >= 1)
    none = np.zeros_like(free)
    gone = _gone(outer, at, family.label, free, none, px_per_mm, FREE_IN_FAMILY)
    ink = without(ink, rest, gone)
    soft = np.zeros(ink.shape, np.uint8)
    soft.ravel()[at[beside]] = 1
    soft = dilated(soft, square(5))
    ink = _without_scraps(whole, ink, px_per_mm)
    ink = knit(ink, whole & ~ink, px_per_mm)
    return Shaded(ink, lines_of(ink), (soft > 0) | crossed)


def _without_scraps(whole: Bool, ink: Bool, px_per_mm: float) -> Bool:
    """Take off the small scraps that are left between the strokes of a family."""
    gone = cv2.dilate((whole & ~ink).astype(np.uint8), np.ones((3, 3), np.uint8))
    count, label, stats, _ = cv2.connectedComponentsWithStats(ink.astype(np.uint8), connectivity=8)
    small = stats[:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]].max(axis=1) < SCRAP_MM * px_per_mm
    touching = np.bincount(label[gone > 0], minlength=count) > 0
    scrap = small & touching
    scrap[0] = False
    return np.asarray(ink & ~scrap[label])


def knit(ink: Bool, away_from: Bool, px_per_mm: float) -> Bool:
    """Close the pores and hair-fine breaks of a dry stroke, but not beside hatching."""
    size = 2 * round(PORE_MM * px_per_mm / 2) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    closed = cv2.morphologyEx(ink.astype(np.uint8), cv2.MORPH_CLOSE, kernel) > 0
    near = cv2.dilate(away_from.astype(np.uint8), np.ones((2 * size + 1, 2 * size + 1), np.uint8))
    return np.asarray(ink | (closed & (near == 0)))


def _gone(
    strokes: Strokes,
    at: I64,
    label: I64,
    family: Bool,
    sure: Bool,
    px_per_mm: float,
    enough: float = IN_FAMILY,
) -> Bool:
    """Return the pixels of lines that are hatching.

    The stroke as a whole must run with its family, and of its pieces only those go that do: a
    stroke that touches the outline at a narrow angle may have been put together with it.
    """
    branch = strokes.branch.ravel()[at]
    whole = _share(label, family, strokes.count + 1) > enough
    piece = _share(branch, family, int(strokes.branch.max()) + 1) > PIECE_IN_FAMILY
    whole &= _like_hatching(strokes.length, strokes.reach, px_per_mm)
    length, reach = _extents(strokes, at, branch)
    alone = _like_hatching(length, reach, px_per_mm) & (length > ALONE_MM * px_per_mm)
    alone &= _share(branch, sure, len(length)) > ALONE_IN_FAMILY
    gone = np.zeros(strokes.of.shape, bool)
    gone.ravel()[at[(whole[label] & piece[branch]) | alone[branch]]] = True
    return gone


def _extents(strokes: Strokes, at: I64, branch: I32) -> tuple[F64, F64]:
    """Return length and reach, in px, of each piece between junctions."""
    count = int(strokes.branch.max()) + 1
    points = xy(at, strokes.of.shape[1]).astype(np.float64)
    angle = directions(points, branch, count)
    along = points[:, 0] * np.cos(angle[branch]) + points[:, 1] * np.sin(angle[branch])
    low, high = np.full(count, np.inf), np.full(count, -np.inf)
    np.minimum.at(low, branch, along)
    np.maximum.at(high, branch, along)
    steps = tally(branch, None, count) * 1.1  # between straight and diagonal steps
    return steps, np.where(np.isfinite(low), high - low, 0.0)


def _share(label: I64 | I32, which: Bool, count: int) -> F64:
    total = np.maximum(np.bincount(label, minlength=count), 1)
    return np.asarray(np.bincount(label, which, count) / total)


def _like_hatching(length: F64, reach: F64, px_per_mm: float) -> Bool:
    return np.asarray((length < LONGEST_MM * px_per_mm) & (reach > STRAIGHT * length))


@dataclass(frozen=True)
class _Families:
    """Per pixel of a stroke: lines side by side, itself included; on both sides; evenly."""

    label: I64
    size: I64
    both: Bool
    even: Bool


def _families_of(
    strokes: Strokes, taken: Bool, px_per_mm: float, widest_mm: float
) -> tuple[I64, _Families]:
    """Return the pixels of the strokes, and their families among them and ink taken off before."""
    others = strokes_of(lines_of(taken), px_per_mm)
    both = Strokes(
        np.where(strokes.of > 0, strokes.of, np.where(others.of > 0, others.of + strokes.count, 0)),
        strokes.branch,
        np.concatenate([strokes.length, others.length[1:]]),
        np.concatenate([strokes.reach, others.reach[1:]]),
        np.concatenate([strokes.angle, others.angle[1:]]),
        np.concatenate([strokes.loose, others.loose[1:]]),
    )
    at = np.flatnonzero(both.of)
    family = _families(both, at, px_per_mm, widest_mm)
    mine = family.label <= strokes.count
    return at[mine], _Families(
        family.label[mine], family.size[mine], family.both[mine], family.even[mine]
    )


def _families(strokes: Strokes, at: I64, px_per_mm: float, widest_mm: float) -> _Families:
    height, width = strokes.of.shape
    label = strokes.of.ravel()[at].astype(np.int64)
    points = xy(at, width).astype(np.float64)
    cell = max(4, round(PIECE_MM * px_per_mm))
    block = (points[:, 1] // cell).astype(np.int64) * (width // cell + 1) + points[:, 0] // cell
    _, piece = np.unique(label * int(block.max() + 1) + block, return_inverse=True)
    angle = directions(points, piece, int(piece.max()) + 1)[piece]
    few = np.bincount(piece)[piece] < 4  # too short for a direction of its own
    straight = strokes.reach > VERY_STRAIGHT * strokes.length
    angle = np.where(few | straight[label], strokes.angle[label], angle)
    spots = np.zeros((height, width), np.float32)
    spots.ravel()[at] = np.arange(1, len(at) + 1)
    index = np.asarray(cv2.dilate(spots, square(3)), np.int32)
    normal = np.stack([-np.sin(angle), np.cos(angle)], axis=1)
    looks = [
        _next_parallel(index, points, normal * side, angle, label, px_per_mm, widest_mm)
        for side in (1, -1)
    ]
    size = np.ones(len(at), np.int64)
    for side in (0, 1):
        hit, gap = looks[side]
        alive, direction = hit >= 0, normal * (1 - 2 * side)
        here, spacing = np.where(alive, hit, 0), gap
        for _ in range(FAMILY - 1):
            size += alive
            same = (normal[here] * direction).sum(axis=1) > 0
            onward = np.where(same, looks[0][0][here], looks[1][0][here])
            next_gap = np.where(same, looks[0][1][here], looks[1][1][here])
            alive = alive & (onward >= 0) & _alike(next_gap, spacing)
            here, spacing = np.where(alive, onward, here), np.where(alive, next_gap, spacing)
    both = (looks[0][0] >= 0) & (looks[1][0] >= 0)
    even = both & _alike(looks[0][1], looks[1][1])
    return _Families(label, size, both, even)


def _alike(a: F64, b: F64) -> Bool:
    return np.asarray((a < EVEN * b) & (b < EVEN * a))


def _next_parallel(
    index: I32,
    points: F64,
    direction: F64,
    angle: F64,
    label: I64,
    px_per_mm: float,
    widest_mm: float,
) -> tuple[I64, F64]:
    """Look from each point for the next parallel line: its pixel (−1: none) and how far."""
    height, width = index.shape
    n = len(points)
    hit, gap = np.full(n, -1), np.zeros(n)
    alive = np.arange(n)
    furthest = max(4, round(widest_mm * px_per_mm))
    for step in range(3, furthest + 1):
        spot = points[alive] + direction[alive] * step
        column = np.clip(spot[:, 0].astype(np.int64), 0, width - 1)
        row = np.clip(spot[:, 1].astype(np.int64), 0, height - 1)
        found = index[row, column].astype(np.int64) - 1
        ok = found >= 0
        ok &= np.abs(np.cos(angle[found] - angle[alive])) > PARALLEL
        ok &= label[found] != label[alive]
        hit[alive[ok]] = found[ok]
        offset = points[found[ok]] - points[alive[ok]]
        gap[alive[ok]] = np.abs((offset * direction[alive[ok]]).sum(axis=1))
        alive = alive[~ok]
        if not len(alive):
            break
    return hit, gap


def without(ink: Bool, lines: Lines, gone: Bool) -> Bool:
    """Return the ink without what lies nearest to the lines taken off.

    What is as near to the rest of the lines, at junctions, stays.
    """
    rest = (lines.on == 1) & ~gone
    to_rest = cv2.distanceTransform((~rest).astype(np.uint8), cv2.DIST_L2, 5)
    to_gone = cv2.distanceTransform((~gone).astype(np.uint8), cv2.DIST_L2, 5)
    return np.asarray(ink & (to_rest <= to_gone))
