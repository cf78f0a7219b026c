"""Cross-hatching: families of strokes that cross, told apart by their directions."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.arrays import U8, Bool
from inkclean.flats.rasters import dilated, pieces, square

CELL_MM2 = 4.0  # paper enclosed between crossing strokes is smaller than this
CELLS = 6  # so many cells side by side are cross-hatching
NEAR_CELLS_MM = 1.0  # cells whose paper is this near are side by side
AROUND_MM = 3.0  # strokes are followed this far out of the cells
TURN = 10.0  # degrees between the directions looked at
RUN_MM = 2.2  # a stroke shows in a direction if it runs straight for this long
NEXT_MM = 0.8  # further to the side than a stroke is wide: there the next of a family is looked for
RIM_MM = 0.7  # no outline is wider
SKIN_MM = 0.45  # ink this near to a room is never taken: at the rim lies the outline
SURE = 0.5  # share of a stroke that must have family on both sides
BESIDE = 0.6  # share that must have family on one side to be soft


def take_off_crossings(ink: Bool, px_per_mm: float, widest_mm: float) -> tuple[Bool, Bool]:
    """Return the ink without cross-hatching, and where lines run beside it on one side.

    Only where many small cells of paper lie side by side. There, the ink is opened with a short
    line in each direction (directional openings; Soille and Talbot, "Directional morphological
    filtering", IEEE TPAMI 23(11), 2001), which shows the strokes of one family without those
    that cross it. What has family on both sides is hatching; what other strokes cover too, such
    as an outline it runs into, stays.
    """
    gone, soft = np.zeros(ink.shape, np.uint8), np.zeros(ink.shape, np.uint8)
    for top, left, bottom, right in _textures(ink, px_per_mm):
        part = np.s_[top:bottom, left:right]
        off, beside = _by_direction(ink[part].astype(np.uint8), px_per_mm, widest_mm)
        gone[part] |= off
        soft[part] |= beside
    return ink & (gone == 0), soft > 0


def _textures(ink: Bool, px_per_mm: float) -> list[tuple[int, int, int, int]]:
    """Return boxes (top, left, bottom, right) around cells of paper that lie close together."""
    _, cell, stats, centre = cv2.connectedComponentsWithStats(
        (~ink).astype(np.uint8), connectivity=4
    )
    small = stats[:, cv2.CC_STAT_AREA] < CELL_MM2 * px_per_mm**2
    small[0] = False
    size = 2 * round(NEAR_CELLS_MM * px_per_mm / 2) + 1
    near = dilated(small[cell], square(size))
    count, group, boxes, _ = cv2.connectedComponentsWithStats(near, connectivity=8)
    at = np.flatnonzero(small)
    first = (centre[at] + 0.5).astype(int)
    # the middle of a bent cell may lie outside it, but hardly outside its group
    cells = np.bincount(group[first[:, 1], first[:, 0]], minlength=count)
    around = round(AROUND_MM * px_per_mm)
    found = []
    for k in np.flatnonzero(cells >= CELLS).tolist():
        if k == 0:
            continue
        left, top, width, height = boxes[k][:4].tolist()
        found.append(
            (
                max(0, top - around),
                max(0, left - around),
                min(ink.shape[0], top + height + around),
                min(ink.shape[1], left + width + around),
            )
        )
    return found


def _line(angle: float, start: float, stop: float) -> U8:
    """Return a kernel with a line from ``start`` to ``stop`` px along a direction."""
    reach = int(np.ceil(max(abs(start), abs(stop))))
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1), np.uint8)
    t = np.linspace(start, stop, 4 * reach + 2)
    column = np.round(reach + t * np.cos(angle)).astype(int)
    row = np.round(reach + t * np.sin(angle)).astype(int)
    kernel[row, column] = 1
    return kernel


def _by_direction(ink: U8, px_per_mm: float, widest_mm: float) -> tuple[U8, U8]:
    off, kept, beside = np.zeros_like(ink), np.zeros_like(ink), np.zeros_like(ink)
    near, far = NEXT_MM * px_per_mm, widest_mm * px_per_mm
    for angle in np.radians(np.arange(0.0, 180.0, TURN)):
        half = RUN_MM * px_per_mm / 2
        line = _line(angle, -half, half)
        run = np.asarray(cv2.morphologyEx(ink, cv2.MORPH_OPEN, line), np.uint8)
        if not run.any():
            continue
        across = angle + np.pi / 2
        sides = [_line(across, near, far), _line(across, -far, -near)]
        both = dilated(run, sides[0]) & dilated(run, sides[1]) & run
        count, stroke = pieces(run)
        total = np.maximum(np.bincount(stroke.ravel(), minlength=count), 1)
        sure = np.bincount(stroke.ravel(), both.ravel(), count) / total > SURE
        sure[0] = False
        family = sure[stroke].astype(np.uint8)
        one = (dilated(family, sides[0]) | dilated(family, sides[1])) & run
        last = np.bincount(stroke.ravel(), one.ravel(), count) / total > BESIDE
        last[0] = False
        off |= family
        kept |= run & (1 - family)
        beside |= (last & ~sure)[stroke].astype(np.uint8)
    # only at the rim can it be an outline; inside, strokes at odd angles are hatching too
    kept &= _rim(ink, RIM_MM, px_per_mm)
    kept |= ink & _rim(ink, SKIN_MM, px_per_mm)
    off &= 1 - kept
    return dilated(off, square(3)) & (1 - kept), beside


def _rim(ink: U8, reach_mm: float, px_per_mm: float) -> U8:
    """Return what lies within a reach of paper that is no small cell."""
    _, cell, stats, _ = cv2.connectedComponentsWithStats(1 - ink, connectivity=4)
    room = stats[:, cv2.CC_STAT_AREA] >= CELL_MM2 * px_per_mm**2
    room[0] = False
    size = 2 * round(reach_mm * px_per_mm) + 1
    return dilated(room[cell], square(size))
