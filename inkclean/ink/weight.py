"""Heavier or thinner ink: every edge moved as another pen would have drawn it.

The distance of each pixel from the ink's edge, with its sign, is measured to a fraction of a
pixel: pixels beside the half level of the coverage tell where it passes and which way it looks,
the others ask the nearest of these (after Gustavson and Strand, Pattern Recognition Letters
32(2), 2011, doi:10.1016/j.patrec.2010.08.010). The edge then runs at another distance. Along
the middle of a stroke or of a gap the nearest edge lies on opposite sides of neighbouring
pixels (as the shocks of Siddiqi et al., IJCV 48(3), 2002, doi:10.1023/A:1016376116653): there
the width is known, so that a thin stroke keeps its width and a gap stays open until the strokes
beside it touch. Where a fine line meets a broad one, or swells and thins, thinner ink may still
come apart: what it lost is then peeled from outside as far as nothing breaks (simple points:
Kong and Rosenfeld, CVGIP 48(3), 1989, doi:10.1016/0734-189X(89)90147-3), and what is left stays.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import cv2
import numpy as np

from inkclean.base.arrays import F32, I64, Bool, length
from inkclean.base.pieces import SIZE, pieces_of
from inkclean.base.tiles import Tile, side_by_side, tiles

# A stroke's width changes by so many mm at weight −1 and 1.
WEIGHT_MM = 0.25
# No stroke is made thinner than prints, in mm (0.25 pt).
THINNEST_MM = 0.088
# px from which on strokes and gaps are held: pixels show narrower ones a quarter px off, beaded.
NARROWEST_PX = 1.3
# The edge that is drawn rises by so much per px: neighbours on both sides of it stay off 0 and 1.
EDGE_SLOPE = 0.4
# Strokes touch where they would overlap by twice this, in px: widths are no surer.
OVERLAP_PX = 0.15
# A px beside the edge stands for so much of it to both sides, in px.
HALF_PIECE = 0.6
# Opposite edges: the cosine of the angle between what two neighbours see as inwards is under this.
OPPOSITE = -0.5
# Neighbours that are asked, right and down; px in scraps of ink see farther than to the next.
PAIRS = ((1, 0), (0, 1), (1, 1), (-1, 1), (2, 0), (0, 2))
# Widths along a stroke are smoothed over so many px.
WIDTH_WINDOW = 7
# Paper of fewer px than this, ink all round, opens to its like beside it.
SLIT_PX = 12
# Side in px of the parts worked on; they see far around themselves.
_SIDE = 512
# Neighbours around a px in turn, right and down, from the one to the right.
_AROUND = ((1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1), (0, 1), (1, 1))


Part: TypeAlias = tuple[slice, slice]


@dataclass(frozen=True)
class _Field:
    """Distance to the edge in px, positive in ink, and the direction into the ink, (h, w) each."""

    distance: F32
    across: F32
    down: F32


def weigh(coverage: F32, weight: float, px_per_mm: float) -> F32:
    """Return the coverage (H, W) with the width of every stroke changed by ``weight``.

    Args:
        coverage: 0..1, its half level the edge of the ink; left as it is.
        weight: −1..1; strokes become that share of ``WEIGHT_MM`` thinner or heavier. None is made
            thinner than ``THINNEST_MM`` or ``NARROWEST_PX``, or thinner at all if it was; gaps
            close only where the strokes beside them touch.
        px_per_mm: scale.

    Returns:
        The coverage itself at weight 0; else a new one, whose edge is equally steep everywhere.
    """
    move = abs(weight) * WEIGHT_MM / 2 * px_per_mm
    if move == 0:
        return coverage
    heavier = weight > 0
    narrow = 0.0 if heavier else THINNEST_MM * px_per_mm
    held = max(narrow, NARROWEST_PX) / 2
    moved = np.empty_like(coverage)

    def fill(tile: Tile) -> None:
        part = coverage[tile.around]
        ink = part >= np.float32(0.5)
        if ink.all() or not ink.any():
            moved[tile.own] = np.float32(ink[0, 0])
            return
        grown = _grow(part if heavier else 1 - part, move, held, closes=heavier)
        share = np.clip(grown * np.float32(EDGE_SLOPE) + np.float32(0.5), 0, 1)
        moved[tile.own] = share[tile.inner] if heavier else 1 - share[tile.inner]

    reach = 2 * math.ceil(move) + math.ceil(held) + WIDTH_WINDOW + 4
    side_by_side(fill, tiles((coverage.shape[0], coverage.shape[1]), _SIDE, reach))
    if not heavier:
        _hold_together(moved, coverage >= np.float32(0.5), held)
    return moved


def _hold_together(moved: F32, ink: Bool, held: float) -> None:
    """Put back into ``moved`` (H, W) what keeps together the strokes of ``ink`` (H, W).

    Lines of twice ``held`` px are drawn along the threads without which it would come apart.
    """
    left = moved >= np.float32(0.5)
    places = _threads(left | (ink & ~_beside_slits(~ink)), left)
    if not len(places):
        return
    reach = math.ceil(held) + 1
    rows, columns = np.divmod(places, moved.shape[1])
    for down in range(-reach, reach + 1):
        for right in range(-reach, reach + 1):
            row, column = rows + down, columns + right
            there = (row >= 0) & (row < moved.shape[0]) & (column >= 0) & (column < moved.shape[1])
            share = 0.5 + EDGE_SLOPE * (held - math.hypot(down, right))
            np.maximum.at(moved, (row[there], column[there]), np.float32(min(share, 1.0)))


def _beside_slits(paper: Bool) -> Bool:
    """Return (H, W): the smallest pieces of ``paper`` (H, W) and what lies next to them.

    A slit narrower than a pixel comes out as a row of them, with bars between that nobody drew.
    """
    label, told = pieces_of(paper, 4)
    small = (told[:, SIZE] < SLIT_PX)[label] & paper
    grown = cv2.dilate(small.view(np.uint8), np.ones((3, 3), np.uint8))
    return np.asarray(grown, np.uint8).view(np.bool_)


def _threads(ink: Bool, left: Bool) -> I64:
    """Return the places (N,), counted row by row, of ``ink`` (H, W) that join what is ``left``.

    Pixels that are not ``left`` go from outside inwards, those of every fourth square at once, so
    that no two of them touch, as long as neither ink nor paper comes apart there.
    """
    wide = ink.shape[1] + 2
    framed = np.pad(ink, 1).view(np.uint8).ravel()
    going = np.flatnonzero(np.pad(ink & ~left, 1).ravel())
    rows, columns = np.divmod(going, wide)
    fourth = rows % 2 * 2 + columns % 2
    parts = [going[fourth == k] for k in range(4)]
    around = [right + down * wide for right, down in _AROUND]
    while True:
        gone = 0
        for k, part in enumerate(parts):
            code = np.zeros(len(part), np.uint8)
            for bit, step in enumerate(around):
                code |= framed[part + step] << np.uint8(bit)
            simple = _SIMPLE[code]
            framed[part[simple]] = 0
            parts[k] = part[~simple]
            gone += int(simple.sum())
        if not gone:
            break
    rows, columns = np.divmod(np.concatenate(parts), wide)
    return np.asarray((rows - 1) * ink.shape[1] + columns - 1, np.int64)


def _simple() -> Bool:
    """Return (256,) whether a pixel of ink can go by which of its neighbours are ink.

    Bit k of the index is neighbour k of ``_AROUND``. It can if they hang together without it
    (by corners too), and it lies beside paper (by a side).
    """
    bits = (np.arange(256)[:, None] >> np.arange(8)) & 1
    after = np.roll(bits, -1, axis=1)
    beyond = np.roll(bits, -2, axis=1)
    # Hilditch's crossing number: sides of paper followed by ink within the next corner
    sides = slice(0, None, 2)
    crossings = ((1 - bits) & (after | beyond))[:, sides].sum(axis=1)
    simple: Bool = crossings == 1
    return simple


def _grow(share: F32, move: float, held: float, *, closes: bool) -> F32:
    """Return the distance (h, w) to the edge of ``share`` moved outwards by ``move`` px.

    Gaps in it keep ``held`` px on both sides of their middle; those that are no broader than
    twice ``move`` close if ``closes``.
    """
    field = _measure(share, move + held + 2)
    middle, mean, least = _middles(field)
    if not middle.any():
        return field.distance + np.float32(move)
    away, nearest = _nearest(middle)
    half, least = (width[middle][nearest] for width in (mean, least))
    own = np.clip(least - np.float32(held), 0, np.float32(move))
    if closes:
        own[half <= move - OVERLAP_PX] = move
    # beyond the end of a gap its hold fades
    fade = np.clip((away - half) / np.float32(move + 0.5), 0, 1)
    grown: F32 = field.distance + own + fade * (np.float32(move) - own)
    if closes:
        shut = middle & (mean <= move - OVERLAP_PX)
        grown[shut] = np.maximum(grown[shut], np.float32(0.1))
    return grown


def _measure(share: F32, reach: float) -> _Field:
    """Return the field up to ``reach`` px from the edge; farther off, distances are rougher."""
    ink = share >= np.float32(0.5)
    across, crossed = _slope(share, ink, 1)
    down, crossed_down = _slope(share, ink, 0)
    beside = crossed | crossed_down
    rows, columns = np.nonzero(beside)
    gx, gy = across[beside], down[beside]
    steep = np.maximum(length(gx, gy), np.float32(1e-3))
    gx /= steep
    gy /= steep
    here = np.clip((share[beside] - np.float32(0.5)) / steep, -1, 1)
    foot_x, foot_y = columns - here * gx, rows - here * gy
    away, nearest = _nearest(beside)
    rows, columns = np.nonzero(away <= np.float32(reach))
    best = np.full(len(rows), np.inf, np.float32)
    which = np.zeros(len(rows), np.int64)
    for right, below in ((0, 0), (1, 0), (-1, 0), (0, 1), (0, -1)):  # a px may lie between two
        row = np.clip(rows + below, 0, share.shape[0] - 1)
        column = np.clip(columns + right, 0, share.shape[1] - 1)
        edge = nearest[row, column]
        x, y = columns - foot_x[edge], rows - foot_y[edge]
        past = np.maximum(np.abs(x * gy[edge] - y * gx[edge]) - HALF_PIECE, 0)
        distance = length(x * gx[edge] + y * gy[edge], past)
        nearer = distance < best
        best[nearer], which[nearer] = distance[nearer], edge[nearer]
    away[rows, columns] = best
    looks = np.zeros((2, *share.shape), np.float32)
    looks[:, rows, columns] = gx[which], gy[which]
    return _Field(np.where(ink, away, -away), looks[0], looks[1])


def _slope(share: F32, ink: Bool, axis: int) -> tuple[F32, Bool]:
    """Return the change of ``share`` per px along ``axis``, over the edge where it lies beside a
    px, and where it does."""
    step = np.diff(share, axis=axis)
    change = np.diff(ink, axis=axis)
    ends = ((0, 0), (0, 1)) if axis == 1 else ((0, 1), (0, 0))
    starts = ((0, 0), (1, 0)) if axis == 1 else ((1, 0), (0, 0))
    after, before = np.pad(step, ends), np.pad(step, starts)
    crosses_after, crosses_before = np.pad(change, ends), np.pad(change, starts)
    slope = (after + before) / 2
    nearer = np.abs(after) > np.abs(before)
    use_after = crosses_after & (nearer | ~crosses_before)
    slope = np.where(use_after, after, np.where(crosses_before, before, slope))
    return np.asarray(slope, np.float32), np.asarray(crosses_after | crosses_before, np.bool_)


def _nearest(marked: Bool) -> tuple[F32, I64]:
    """Return how far the nearest marked px is from each px, and its number, (h, w) each.

    Marked px are numbered from 0, row by row.
    """
    away, labels = cv2.distanceTransformWithLabels(
        (~marked).view(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    index = np.zeros(int(labels.max()) + 1, np.int64)
    places = np.flatnonzero(marked)
    index[labels.ravel()[places]] = np.arange(len(places))
    return np.asarray(away, np.float32), index[labels]


def _middles(field: _Field) -> tuple[Bool, F32, F32]:
    """Return where the middles of gaps are, half the gap's width around there in px, and half
    of its least width, (h, w) each."""
    shape = field.distance.shape
    total, count = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    least = np.full(shape, np.inf, np.float32)
    for right, down in PAIRS:
        one, other = _shifted(shape, right, down)
        turn = field.across[one] * field.across[other] + field.down[one] * field.down[other]
        # both look away from a gap's middle
        spread = right * (field.across[other] - field.across[one])
        spread += down * (field.down[other] - field.down[one])
        half = (spread / 2 - field.distance[one] - field.distance[other]) / 2
        between = (turn < OPPOSITE) & (spread > 0) & (half > 0)
        between &= np.minimum(field.distance[one], field.distance[other]) < 0
        for part in (one, other):
            np.minimum(least[part], half, out=least[part], where=between)
            total[part] += half * between
            count[part] += between
    # a px or two alone: the farthest from the edge stands for them
    lowest = np.asarray(cv2.erode(field.distance, np.ones((3, 3), np.uint8)), np.float32)
    alone = (field.distance <= lowest) & (field.distance < 0) & (count == 0)
    least[alone] = total[alone] = -field.distance[alone]
    count += alone
    middle: Bool = np.asarray(count > 0, np.bool_)
    least[~middle] = 0
    window = (WIDTH_WINDOW, WIDTH_WINDOW)
    total = np.asarray(cv2.blur(total, window, borderType=cv2.BORDER_CONSTANT), np.float32)
    count = np.asarray(cv2.blur(count, window, borderType=cv2.BORDER_CONSTANT), np.float32)
    total /= np.maximum(count, np.float32(1e-3))
    return middle, total, np.minimum(least, total)


def _shifted(shape: tuple[int, ...], right: int, down: int) -> tuple[Part, Part]:
    """Return the parts of an array that hold the px with a neighbour ``right`` and ``down`` of
    them, and these neighbours."""
    parts: list[tuple[slice, slice]] = []
    for size, step in ((shape[0], down), (shape[1], right)):
        near, far = slice(0, size - abs(step)), slice(abs(step), size)
        parts.append((near, far) if step >= 0 else (far, near))
    rows, columns = parts
    return (rows[0], columns[0]), (rows[1], columns[1])


_SIMPLE = _simple()
