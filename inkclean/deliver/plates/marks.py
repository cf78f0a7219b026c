"""Registration marks and the names of plates, as outlines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from PIL import Image, ImageDraw, ImageFont
from skimage.measure import find_contours

from inkclean.base.arrays import F64
from inkclean.curves.values import Curves
from inkclean.deliver.pictures.raster import Region, moved

# four cubics for a circle: handle length over radius, off by 0.03 % of the radius
_HANDLE = 0.5522847498
_ARM_MM = 2.5  # half of a mark's cross
_RING_MM = 1.5  # radius of its ring
_HAIR_MM = 0.09  # 0.25 pt: common practice, no source
TEXT_MM = 2.6  # height of the letters
_TEXT_PX_PER_MM = 24.0
_GAP_MM = 3.0


def registration_marks(around: Region, out_mm: float) -> Curves:
    """Return a cross with a ring in the middle of each side, ``out_mm`` beyond a rectangle."""
    middle_x, middle_y = around.x_mm + around.width_mm / 2, around.y_mm + around.height_mm / 2
    right, bottom = around.x_mm + around.width_mm, around.y_mm + around.height_mm
    places = [
        (middle_x, around.y_mm - out_mm),
        (right + out_mm, middle_y),
        (middle_x, bottom + out_mm),
        (around.x_mm - out_mm, middle_y),
    ]
    loops, shapes = [], []
    for number, place in enumerate(places):
        half = _HAIR_MM / 2
        mark = [_box(_ARM_MM, half), _box(half, _ARM_MM)]
        mark += [_circle(_RING_MM + half), _circle(_RING_MM - half)[::-1, ::-1]]
        loops += [loop + np.array(place) for loop in mark]
        shapes += [3 * number, 3 * number + 1, 3 * number + 2, 3 * number + 2]
    counts = [len(loop) for loop in loops]
    hole = np.tile([False, False, False, True], len(places))
    return Curves(
        np.concatenate(loops),
        np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        np.array(shapes, np.int32),
        hole,
        np.zeros(sum(counts), np.bool_),
        np.zeros(sum(counts), np.bool_),
        around.width_mm,
        around.height_mm,
    )


def plate_names(
    names: tuple[str, ...], x_mm: float, y_mm: float, mark_mm: float | None = None
) -> tuple[Curves, ...]:
    """Return each name as outlines, one after the other in a row from (x, y), its top left.

    The row leaves room for a registration mark whose middle is ``mark_mm`` across the page.
    """
    rows = []
    for name in names:
        text = _outlined(name)
        if mark_mm is not None:
            left, right = mark_mm - _ARM_MM - _GAP_MM, mark_mm + _ARM_MM + _GAP_MM
            x_mm = right if x_mm < right and x_mm + text.width_mm > left else x_mm
        rows.append(moved(text, 1.0, x_mm, y_mm))
        x_mm += text.width_mm + _GAP_MM
    return tuple(rows)


def joined(parts: tuple[Curves, ...]) -> Curves:
    """Return several curves as one."""
    first = parts[0]
    if len(parts) == 1:
        return first
    ends = np.cumsum([0, *(len(part.cubics) for part in parts)])
    shapes = np.cumsum([0, *(int(part.shape.max(initial=-1)) + 1 for part in parts)])
    loops = [part.loops[1:] + end for part, end in zip(parts, ends[:-1], strict=True)]
    numbers = [part.shape + number for part, number in zip(parts, shapes[:-1], strict=True)]
    return replace(
        first,
        cubics=np.concatenate([part.cubics for part in parts]),
        loops=np.concatenate([np.zeros(1, np.int64), *loops]),
        shape=np.concatenate(numbers).astype(np.int32),
        hole=np.concatenate([part.hole for part in parts]),
        corner=np.concatenate([part.corner for part in parts]),
        straight=np.concatenate([part.straight for part in parts]),
    )


def _outlined(text: str) -> Curves:
    """Return a line of text as outlines of straight sides, its top left at (0, 0)."""
    font = ImageFont.load_default(TEXT_MM * _TEXT_PX_PER_MM)
    left, top, right, bottom = font.getbbox(text)
    size = (int(right - left) + 8, int(bottom - top) + 8)
    picture = Image.new("L", size, 0)
    ImageDraw.Draw(picture).text((4 - left, 4 - top), text, fill=255, font=font)
    coverage = np.asarray(picture, np.float64) / 255
    # rows first, and a pixel's centre at whole numbers; what is dark lies on one side throughout
    found = [np.asarray(loop)[:-1, ::-1] + 0.5 for loop in find_contours(coverage, 0.5)]
    loops = [_sides(loop / _TEXT_PX_PER_MM) for loop in found]
    counts = [len(loop) for loop in loops]
    return Curves(
        np.concatenate(loops),
        np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        # one shape, so that holes stay open whichever letter they are of
        np.zeros(len(loops), np.int32),
        np.zeros(len(loops), np.bool_),
        np.ones(sum(counts), np.bool_),
        np.ones(sum(counts), np.bool_),
        size[0] / _TEXT_PX_PER_MM,
        size[1] / _TEXT_PX_PER_MM,
    )


def _sides(corners: F64) -> F64:
    """Return the sides of a polygon (N, 2) as cubics (N, 4, 2)."""
    ends = np.roll(corners, -1, 0)
    step = (ends - corners) / 3
    return np.stack([corners, corners + step, ends - step, ends], 1)


def _box(across: float, down: float) -> F64:
    return _sides(np.array([[-across, -down], [across, -down], [across, down], [-across, down]]))


def _circle(radius: float) -> F64:
    quarter = np.array([[1, 0], [1, _HANDLE], [_HANDLE, 1], [0, 1]], np.float64)
    loop = [quarter]
    for _ in range(3):
        loop.append(np.stack([-loop[-1][:, 1], loop[-1][:, 0]], 1))
    turned: F64 = np.stack(loop) * radius
    turned[:-1, 3] = turned[1:, 0]
    turned[-1, 3] = turned[0, 0]
    return turned
