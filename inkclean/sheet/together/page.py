"""Where the page lies among the photos, so that the table beside it has no say."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, U8, Bool
from inkclean.sheet.framing.frame import find_frame
from inkclean.sheet.framing.squaring import to_photo
from inkclean.sheet.together.values import Canvas, Placed, within
from inkclean.sheet.values import Photo

SMALL_MP = 1.2  # of the picture in which the page is found
INSIDE = 0.004  # of the page's size that its outline may be off
_SIDE = 24  # points along each side of the outline


def find_page(photos: Sequence[Photo], canvas: Canvas, placed: Sequence[Placed]) -> F64 | None:
    """Return the page's outline (N, 2) on the canvas, a little inside; None where none shows."""
    scale = min(1.0, (SMALL_MP * 1e6 / (canvas.size[0] * canvas.size[1])) ** 0.5)
    small = Photo(_mean(photos, canvas, placed, scale), None, "")
    frame = find_frame(small)
    if frame.framed != "found":
        return None
    t = (np.arange(_SIDE) / _SIDE)[:, None]
    ring = np.array([[0.0, 0], [1, 0], [1, 1], [0, 1]])
    ring = np.concatenate(
        [a + (b - a) * t for a, b in zip(ring, np.roll(ring, -1, axis=0), strict=True)]
    )
    ring = INSIDE + (1 - 2 * INSIDE) * ring
    return np.asarray(to_photo(frame, ring * (frame.width_mm, frame.height_mm)) / scale, np.float64)


def _mean(photos: Sequence[Photo], canvas: Canvas, placed: Sequence[Placed], scale: float) -> U8:
    """Return all photos on the canvas made smaller, each fading out towards its border."""
    high, wide = (max(16, round(n * scale)) for n in canvas.size)
    sums = np.zeros((high, wide, 3), np.float32)
    total = np.full((high, wide), np.float32(1e-6))
    for photo, one in zip(photos, placed, strict=True):
        size = one.lens.size
        less = (max(1, round(size[1] * scale)), max(1, round(size[0] * scale)))
        small = cv2.resize(photo.pixels, less, interpolation=cv2.INTER_AREA)
        maps = scaled_maps(one, canvas, (high, wide), scale, less[::-1])
        known = within(maps, less[::-1])
        weight: F32 = np.asarray(_depth(known), np.float32)
        shown = cv2.remap(
            small, maps[0], maps[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        sums += np.asarray(shown, np.float32) * weight[..., None]
        total += weight
    return np.asarray(sums / total[..., None], np.uint8)


def scaled_maps(
    placed: Placed, canvas: Canvas, shape: tuple[int, int], scale: float, less: tuple[int, int]
) -> list[F32]:
    """Return the maps of the canvas made smaller by ``scale`` into a picture of the whole photo.

    ``shape`` is that of the small canvas, ``less`` (height, width) that of the picture.
    """
    maps = placed.maps(canvas, slice(0, shape[0]), slice(0, shape[1]), scale)
    factors = [
        np.float32(length / (whole * scale))
        for length, whole in zip(less[::-1], placed.lens.size[::-1], strict=True)
    ]
    half = np.float32(0.5)
    return [(each + half) * factor - half for each, factor in zip(maps, factors, strict=True)]


def _depth(known: Bool) -> F32:
    padded = np.pad(known.astype(np.uint8), 1)
    return np.asarray(cv2.distanceTransform(padded, cv2.DIST_L2, 3)[1:-1, 1:-1], np.float32)


def page_mask(outline: F64 | None, shape: tuple[int, int], scale: float) -> Bool:
    """Return (h, w): the page on the canvas made smaller by ``scale``; all of it for None."""
    if outline is None:
        return np.ones(shape, np.bool_)
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.round((outline * scale - 0.5) * 16).astype(np.int32)], 1, shift=4)
    return mask > 0


def inside(outline: F64, at: F64) -> Bool:
    """Return which of the points (N, 2) of the canvas lie on the page."""
    low, high = outline.min(axis=0), outline.max(axis=0)
    side = 512
    scale = side / (high - low)
    mask = np.zeros((side + 1, side + 1), np.uint8)
    cv2.fillPoly(mask, [np.round((outline - low) * scale).astype(np.int32)], 1)
    cell = np.floor((at - low) * scale)
    sound = ((cell >= 0) & (cell <= side)).all(axis=1)
    x, y = np.clip(np.nan_to_num(cell), 0, side).astype(int).T
    return np.asarray(sound & (mask[y, x] > 0), np.bool_)
