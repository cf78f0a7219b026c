"""Panels of a page: rectangles ruled around the drawings, with gutters between."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.segmentation import watershed

from inkclean.base.arrays import F64, I64, U8, Bool
from inkclean.base.pieces import pieces_of
from inkclean.base.tiles import TILE, Tile, side_by_side, tiles
from inkclean.flats.boxes import find_boxes
from inkclean.flats.rasters import depth, dilated, in_order, pieces, square
from inkclean.flats.walls.cells import Cells
from inkclean.flats.walls.joins import Joins, on_cubic

COARSE_PX_PER_MM = 2.0  # ruled lines are looked for at this scale: wobble of the hand vanishes
RULED_MM = 15.0  # length of a ruled line that runs straight
PIECE_MM = 4.0  # length of each of its pieces
BREAK_MM = 8.0  # longest break in it, or between corners that do not meet
LEAST_MM = 18.0  # shorter side of a panel
BROKEN_MM = 30.0  # shorter side of one with a broken border: smaller boxes may be things drawn
SQUARE = 0.93  # share of its smallest box that a panel fills
WELL = 0.8  # share of the worst side of a well drawn box
HOLD = 0.6  # panels with a broken border count where all hold so much of the ink
MOST = 120  # panels of either kind
MOST_NUMBERS = 255  # of panels in all
AHEAD_MM = 8.0  # so far along a border lies what decides where its sides meet
BESIDE_MM = 1.0  # a join this near a panel's border lies on it
CHANNEL_MM = 2.5  # length of a channel that leads out from a gap in a border
NARROW = 1.35  # widths of the gap that a channel has of paper at most
CERTAIN = 8.0  # log-odds of such a join,
SEEN = 3.0  # if a seam is surely seen there


def find_panels(ink: Bool, px_per_mm: float) -> U8:
    """Return the number of the panel at each pixel of ``ink`` (H, W), 0 outside all.

    They are numbered 1.., from the top left. Looks for lines along the sheet's sides (leaning up
    to about 2°) that together enclose rectangles: borders may have breaks, and many of them if
    all panels hold most of the ink. One rectangle alone is a panel too if it does. Several that
    the paper around the drawings leaves, filled with black or not, leaning or not, are panels as
    well; their borders must be whole. All is told on two coarse grids, half a pixel of them
    apart, and the one that parts more panels counts: a broken border is missed by chance.
    """
    half = round(0.5 * px_per_mm / COARSE_PX_PER_MM)
    panel = _on_one_grid(ink, px_per_mm)
    other = _on_one_grid(np.pad(ink, ((half, 0), (half, 0))), px_per_mm)[half:, half:]
    return other if other.max(initial=0) > panel.max(initial=0) else panel


def _on_one_grid(ink: Bool, px_per_mm: float) -> U8:
    """Return the panels, as :func:`find_panels` does, on the coarse grid from the first pixel."""
    scale = COARSE_PX_PER_MM / px_per_mm
    size = (max(1, round(ink.shape[1] * scale)), max(1, round(ink.shape[0] * scale)))
    coarse = cv2.resize(ink.astype(np.uint8) * 255, size, interpolation=cv2.INTER_AREA) > 30
    ruled = _ruled(coarse.astype(np.uint8))
    panel = _upright(1 - ruled)
    if panel.max() == 1 and coarse[panel > 0].sum() + ruled.sum() < 0.5 * coarse.sum():
        panel[:] = 0
    held = _upright(_held(coarse))
    if held.max() > 1:
        panel = _and(panel, held)
    box, inked = find_boxes(coarse, COARSE_PX_PER_MM, BROKEN_MM)
    box[_holding_several(box, held)[box]] = 0
    # what was found by its gaps may hold a piece of gutter, a well drawn box does not
    drawn = np.where(inked[box] >= WELL, box, 0).astype(np.uint8)
    more = _and(_and(drawn, panel), box)
    if more.max() > 1 and coarse[more > 0].sum() > HOLD * coarse.sum():
        panel = more
    # out to the middle of the ruled line
    panel = dilated(in_order(panel, MOST_NUMBERS).astype(np.uint8), square(3))
    full = cv2.resize(panel, ink.shape[::-1], interpolation=cv2.INTER_NEAREST)
    return np.asarray(full, np.uint8)


def _upright(regions: U8) -> U8:
    """Number the regions that are upright boxes, large enough and off the sheet's sides."""
    tall, wide = regions.shape
    _, label, stats, _ = cv2.connectedComponentsWithStats(regions, connectivity=4)
    width, height = stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]
    left, top = stats[:, cv2.CC_STAT_LEFT], stats[:, cv2.CC_STAT_TOP]
    fits = np.asarray((left > 0) & (top > 0))
    fits &= (left + width < wide) & (top + height < tall)
    fits &= np.minimum(width, height) >= LEAST_MM * COARSE_PX_PER_MM
    fits &= stats[:, cv2.CC_STAT_AREA] > SQUARE * width * height
    fits[0] = False
    fits &= np.cumsum(fits) <= MOST
    numbers = np.where(fits, np.cumsum(fits), 0).astype(np.uint8)
    return np.asarray(numbers[label], np.uint8)


def _held(coarse: Bool) -> U8:
    """Return what the paper around the drawings does not reach, out to the middle of the lines."""
    framed = cv2.copyMakeBorder(
        (~coarse).astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=1
    )
    _, label = cv2.connectedComponents(framed, connectivity=4)
    held = (label[1:-1, 1:-1] != label[0, 0]).astype(np.uint8)
    return np.asarray(cv2.erode(held, square(3)), np.uint8)


def _holding_several(box: U8, held: U8) -> Bool:
    """Return for each box whether several panels lie in it that paper parts."""
    key = box[held > 0].astype(np.int64) << 8 | held[held > 0]
    met = np.bincount(key, minlength=1 << 16).reshape(256, 256) > 0
    return np.asarray(met.sum(axis=1) > 1)


def _and(panel: U8, more: U8) -> U8:
    """Return the panels with those of ``more`` that lie where none is yet."""
    met = np.zeros(256, np.bool_)
    met[np.unique(more[panel > 0])] = True
    number = panel.max() + np.cumsum(~met)
    number[met | (number > MOST_NUMBERS) | (np.arange(256) == 0)] = 0
    return np.where(panel > 0, panel, number[more]).astype(np.uint8)


def _ruled(coarse: U8) -> U8:
    """Return the lines that run along the sheet's sides, breaks closed, corners met."""
    long = round(RULED_MM * COARSE_PX_PER_MM)
    least = round(PIECE_MM * COARSE_PX_PER_MM)
    reach = round(BREAK_MM * COARSE_PX_PER_MM)
    ruled = np.zeros_like(coarse)
    for turned in (False, True):
        lines = coarse.T if turned else coarse
        thick = cv2.dilate(np.ascontiguousarray(lines), np.ones((2, 1), np.uint8))
        straight = cv2.morphologyEx(thick, cv2.MORPH_OPEN, np.ones((1, least), np.uint8))
        straight = cv2.morphologyEx(straight, cv2.MORPH_CLOSE, np.ones((3, reach), np.uint8))
        straight = cv2.morphologyEx(straight, cv2.MORPH_OPEN, np.ones((1, long), np.uint8))
        straight = cv2.dilate(straight, np.ones((1, reach // 2 + 1), np.uint8))
        ruled |= np.asarray(straight.T if turned else straight, np.uint8)
    return ruled


def certain_on_borders(joins: Joins, panel: U8, px_per_mm: float) -> F64:
    """Return the odds of the joins, those that lie along a panel's border made certain."""
    if not panel.any() or not len(joins):
        return joins.odds
    edge = cv2.morphologyEx(panel, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)) > 0
    away = cv2.distanceTransform((~edge).astype(np.uint8), cv2.DIST_L2, 5)
    points = on_cubic(joins.cubic, 7)
    column = np.clip(points[..., 0].astype(int), 0, panel.shape[1] - 1)
    row = np.clip(points[..., 1].astype(int), 0, panel.shape[0] - 1)
    on_border = away[row, column].max(axis=1) < BESIDE_MM * px_per_mm
    # no line goes on across a gutter
    in_gutter = (panel[row, column] == 0)[:, 2:-2].any(axis=1) & _between_panels(panel)[
        row, column
    ].all(axis=1)
    sure = on_border & (joins.odds > SEEN)  # across the mouth of a channel none is seen
    return np.where(sure, CERTAIN, np.where(in_gutter, -CERTAIN, joins.odds))


def border_walls(barrier: Bool, panel: U8, px_per_mm: float) -> Bool:
    """Return the paper on which a panel still meets another or the gutter.

    ``barrier`` (H, W): ink, and what is laid across its gaps. What leads out through a channel
    does not count.
    """
    wall = meetings(barrier, panel, px_per_mm)
    open_channels(wall, barrier, panel, px_per_mm)
    return wall


def meetings(
    barrier: Bool,
    panel: U8,
    px_per_mm: float,
    before: Bool | None = None,
    changed: I64 | None = None,
) -> Bool:
    """Return the paper on which a panel meets another or the gutter.

    Each side is flooded from what lies well within it, along the ink, so that the wall runs on
    where the ruled line breaks off. ``before`` is what was returned until the barrier
    ``changed`` (N,): indices of pixels.
    """
    wall = np.zeros(panel.shape, bool) if before is None else before.copy()
    if not panel.any():
        return wall
    fresh = np.ones(panel.shape, bool) if changed is None else np.zeros(panel.shape, bool)
    if changed is not None:
        fresh.ravel()[changed] = True

    def meet(tile: Tile) -> None:
        here = panel[tile.around]
        if fresh[tile.around].any() and here.min() != here.max():
            wall[tile.own] = _met(barrier[tile.around], here, px_per_mm)[tile.inner]

    side_by_side(meet, tiles(panel.shape, TILE, round(AHEAD_MM * px_per_mm)))
    return wall


def _met(barrier: Bool, panel: U8, px_per_mm: float) -> Bool:
    """Return where panels meet on paper, as :func:`meetings` does, in a part of a page."""
    edge = cv2.morphologyEx(panel, cv2.MORPH_GRADIENT, square(3))
    near = dilated(edge > 0, square(2 * round(BESIDE_MM * px_per_mm) + 1)) > 0
    rim = dilated(near, square(3)) > 0
    marker = np.where(rim & ~near, panel.astype(np.int32) + 1, 0)
    height = np.exp(-depth(edge == 0))  # on paper both meet at the border itself
    height[barrier] = 2
    side = watershed(height, marker, mask=rim).astype(np.float32)
    side[~rim] = panel[~rim] + 1
    return np.asarray((cv2.erode(side, square(3)) != side) & rim & ~barrier)


def border_zone(panel: U8, px_per_mm: float) -> Bool:
    """Return where a barrier has a say in :func:`border_walls`."""
    if not panel.any():
        return np.zeros(panel.shape, bool)
    edge = cv2.morphologyEx(panel, cv2.MORPH_GRADIENT, square(3)) > 0
    reach = round(BESIDE_MM * px_per_mm) + 1 + round(CHANNEL_MM * px_per_mm) + 1
    return np.asarray(dilated(edge, square(2 * reach + 1)) > 0)


def lies_in(cells: Cells, panel: U8, before: NDArray[np.int64] | None) -> NDArray[np.int64]:
    """Return how many px of each cell lie in each panel (cells + 1, panels + 1), 0 in none.

    ``before``: the same of the cells that were before the latest edit.
    """
    most, count = int(panel.max(initial=0)) + 1, cells.count + 1
    if most == 1:
        return np.zeros((count, 1), np.int64)
    known = cells.was if before is not None else np.zeros(count, np.int64)
    window = cells.window if before is not None and known.any() else np.s_[:, :]
    # few cells are fresh: only their px are taken out
    fresh = (known == 0)[cells.label[window]] & cells.open_[window]
    key = cells.label[window][fresh].astype(np.int64) * most + panel[window][fresh]
    found = np.bincount(key, minlength=count * most).reshape(-1, most)
    if before is not None:
        found[known > 0] = before[known[known > 0]]
    return found


def open_channels(wall: Bool, barrier: Bool, panel: U8, px_per_mm: float) -> None:
    """Remove the pieces of wall from which lines lead outwards on both sides, in place."""
    reach = round(CHANNEL_MM * px_per_mm)
    piece, told = pieces_of(wall)
    for k in range(1, len(told)):
        left, top, wide, high, _ = told[k].tolist()
        around = np.s_[
            max(0, top - reach) : top + high + reach, max(0, left - reach) : left + wide + reach
        ]
        own = np.asarray(piece[around] == k)
        away = cv2.distanceTransform((~own).astype(np.uint8), cv2.DIST_L2, 3)
        gutter = ~barrier[around] & (panel[around] == 0)
        _, part = pieces(gutter & (away <= reach) & ~own, 4)
        beside = np.unique(part[(dilated(own, square(3)) > 0) & (part > 0)])
        if 0 < np.isin(part, beside).sum() < NARROW * max(high, wide) * reach:
            wall[around][own] = False


def _between_panels(panel: U8) -> Bool:
    """Return the smallest box around all panels."""
    box = np.zeros(panel.shape, bool)
    rows, columns = np.flatnonzero(panel.any(axis=1)), np.flatnonzero(panel.any(axis=0))
    box[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1] = True
    return box
