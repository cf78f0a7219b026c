"""The picture itself: each tile from the photo chosen there, blended over a few px at joins."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from inkclean.base.arrays import F32, U8, Bool
from inkclean.base.tiles import Tile, side_by_side, tiles
from inkclean.sheet.shading import push_pull
from inkclean.sheet.together.seams import NONE
from inkclean.sheet.together.values import Canvas, Placed, within
from inkclean.sheet.values import Photo

TILE = 512
BLEND_PX = 4  # half of what a join is blended over
# the sRGB curve is a power of the encoded value and this: a gain is a factor and a summand
OFFSET, POWER = np.float32(0.055 * 255), np.float32(1 / 2.4)
SAME_GRID_PX = 0.01  # a photo within this of the canvas's px is copied
SAME = 0.002  # gains this near 1 are none
_COARSE = 8  # px to one of the picture that fills what no photo shows


def render(
    photos: Sequence[Photo],
    canvas: Canvas,
    placed: Sequence[Placed],
    labels: U8,
    gains: F32,
    cell: int,
) -> U8:
    """Return the canvas (H, W, 3) uint8; what no photo shows goes on as its surroundings do."""
    whole = nearest_labels(labels)
    factors = np.power(gains, POWER)
    out = np.empty((*canvas.size, 3), np.uint8)
    missing = np.zeros(canvas.size, np.bool_)

    def fill(tile: Tile) -> None:
        parts = _weights(whole, tile, cell)
        own = tile.own
        sums: F32 | None = None
        outside = np.ones((own[0].stop - own[0].start, own[1].stop - own[1].start), np.bool_)
        for photo, weight in parts:
            raw, beside = _shown(photos[photo], canvas, placed[photo], own)
            pixels = _lit(raw, factors[photo], own, cell)
            outside &= beside | (weight < 0.5) if len(parts) > 1 else beside
            if len(parts) == 1:
                out[own] = np.clip(np.rint(pixels), 0, 255) if pixels.dtype != np.uint8 else pixels
            else:
                shown = pixels.astype(np.float32) * weight[..., None]
                sums = shown if sums is None else sums + shown
        if sums is not None:
            out[own] = np.clip(np.rint(sums), 0, 255)
        missing[own] = outside

    side_by_side(fill, tiles(canvas.size, TILE, 2 * BLEND_PX))
    if missing.any():
        _go_on(out, missing)
    return out


def nearest_labels(labels: U8) -> U8:
    """Return the labels, those of cells without a photo from the nearest that have one."""
    empty = labels == NONE
    if not empty.any() or empty.all():
        return labels
    _, index = cv2.distanceTransformWithLabels(
        empty.astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    index = np.asarray(index)
    of = np.zeros(int(index.max()) + 1, np.uint8)
    of[index[~empty]] = labels[~empty]
    return np.asarray(of[index], np.uint8)


def _weights(labels: U8, tile: Tile, cell: int) -> list[tuple[int, F32]]:
    """Return which photos a tile shows, and the share of each px that is theirs."""
    rows, columns = (
        np.minimum(np.arange(part.start, part.stop) // cell, length - 1)
        for part, length in zip(tile.around, labels.shape, strict=True)
    )
    near = labels[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    shown = np.unique(near)
    if len(shown) == 1:
        return [(int(shown[0]), np.ones((1, 1), np.float32))]
    fine = labels[np.ix_(rows, columns)]
    side = (BLEND_PX + 1, BLEND_PX + 1)
    parts = []
    for photo in shown.tolist():
        share = cv2.blur(cv2.blur((fine == photo).astype(np.float32), side), side)
        share = np.asarray(share, np.float32)[tile.inner]
        if share.any():
            parts.append((photo, share))
    return [(parts[0][0], np.ones((1, 1), np.float32))] if len(parts) == 1 else parts


def _shown(
    photo: Photo, canvas: Canvas, placed: Placed, own: tuple[slice, slice]
) -> tuple[U8, Bool]:
    """Return a tile of a photo laid on the canvas, and where it lies beside the photo."""
    maps = placed.maps(canvas, *own)
    beside = ~within(maps, placed.lens.size)
    rows = np.arange(own[0].start, own[0].stop, dtype=np.float32)
    columns = np.arange(own[1].start, own[1].stop, dtype=np.float32)
    inside = own[0].stop <= placed.lens.size[0] and own[1].stop <= placed.lens.size[1]
    off = max(abs(maps[0] - columns).max(), abs(maps[1] - rows[:, None]).max())
    if inside and off < SAME_GRID_PX:
        return photo.pixels[own], beside
    pixels = cv2.remap(
        photo.pixels, maps[0], maps[1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(pixels, np.uint8), beside


def _lit(pixels: U8, factors: F32, own: tuple[slice, slice], cell: int) -> U8 | F32:
    """Return a tile brought to the common light."""
    high, wide = factors.shape[:2]
    rows, columns = (
        (np.arange(part.start, part.stop, dtype=np.float32) + np.float32(0.5)) / cell
        - np.float32(0.5)
        for part in own
    )
    x = np.broadcast_to(np.clip(columns, 0, wide - 1), (len(rows), len(columns)))
    y = np.broadcast_to(np.clip(rows, 0, high - 1)[:, None], x.shape)
    factor = cv2.remap(factors, np.ascontiguousarray(x), np.ascontiguousarray(y), cv2.INTER_LINEAR)
    factor = np.asarray(factor, np.float32)
    if abs(factor - 1).max() < SAME:
        return pixels
    return np.asarray(pixels * factor + OFFSET * (factor - 1), np.float32)


def _go_on(out: U8, missing: Bool) -> None:
    """Fill, in place, what no photo shows with its surroundings, smoothly."""
    high, wide = missing.shape
    size = (max(1, wide // _COARSE), max(1, high // _COARSE))
    known = cv2.erode((~missing).astype(np.uint8), np.ones((5, 5), np.uint8)).astype(np.float32)
    weight = np.asarray(cv2.resize(known, size, interpolation=cv2.INTER_AREA), np.float32)
    planes = [
        cv2.resize(plane.astype(np.float32) * known, size, interpolation=cv2.INTER_AREA)
        for plane in cv2.split(out)
    ]
    filled = push_pull(np.asarray(cv2.merge([*planes, weight]), np.float32))
    stretched = np.asarray(cv2.resize(filled, (wide, high)), np.float32)
    out[missing] = np.clip(stretched[missing], 0, 255)
