"""Reflectance worked out where it is asked for: pixels divided by the light on them.

A sheet's pixels are bytes and its light is smooth, so both together take a quarter of the
memory of their quotient, and what needs the quotient needs it a strip at a time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from inkclean.base.arrays import F32, F64, I64, U8, Bool
from inkclean.base.colour import TO_LINEAR
from inkclean.base.tiles import side_by_side, strips

_T = TypeVar("_T", np.float32, np.uint8)

STRIP = 64  # rows handled at once: the strip's float planes stay in the cache
BRIGHTEST = np.float32(1.5)  # reflectance is clipped here: a glint on paper is no information


@dataclass(frozen=True)
class Lit:
    """Pixels and the light on them.

    ``pixels`` is (H, W, 3) uint8, sRGB-encoded; ``gain`` (h, w, 3) float32, what their linear
    light is multiplied by, stretched over them bilinearly; ``blank`` (H, W) bool, True where
    the sheet is to be bare paper whatever the pixels, or None.
    """

    pixels: U8
    gain: F32
    blank: Bool | None = None


Tone: TypeAlias = F32 | Lit
"""(H, W, 3) float32 reflectance in linear light, or what it follows from."""


def shape_of(tone: Tone) -> tuple[int, int]:
    """Return height and width in px."""
    shape = tone.pixels.shape if isinstance(tone, Lit) else tone.shape
    return shape[0], shape[1]


def whole(tone: Tone) -> F32:
    """Return all of the reflectance, (H, W, 3) float32."""
    if not isinstance(tone, Lit):
        return tone
    result = np.empty(tone.pixels.shape, np.float32)

    def fill(rows: slice) -> None:
        result[rows] = rows_of(tone, rows)

    side_by_side(fill, strips(len(result), STRIP))
    return result


def rows_of(tone: Tone, rows: slice) -> F32:
    """Return the reflectance of some rows, (n, W, 3) float32."""
    if not isinstance(tone, Lit):
        return tone[rows]
    pixels = tone.pixels[rows]
    high, wide = shape_of(tone)
    gain = _stretched_rows(tone.gain, high, np.arange(high)[rows])
    stretched = cv2.resize(gain, (wide, len(gain)), interpolation=cv2.INTER_LINEAR)
    result = np.asarray(cv2.LUT(pixels, TO_LINEAR), np.float32).reshape(pixels.shape)
    result *= stretched.reshape(result.shape)
    np.minimum(result, BRIGHTEST, out=result)
    if tone.blank is not None:
        result[tone.blank[rows]] = 1.0
    return result


def at(tone: Tone, rows: I64, columns: I64) -> F32:
    """Return the reflectance (..., 3) of pixels by their ``rows`` and ``columns`` (...)."""
    if not isinstance(tone, Lit):
        return tone[rows, columns]
    high, wide = shape_of(tone)
    upper, lower, down = _between(rows, high, tone.gain.shape[0])
    left, right, across = _between(columns, wide, tone.gain.shape[1])
    across, down = across[..., None], down[..., None]
    above = (1 - across) * tone.gain[upper, left] + across * tone.gain[upper, right]
    below = (1 - across) * tone.gain[lower, left] + across * tone.gain[lower, right]
    result = TO_LINEAR[tone.pixels[rows, columns]]
    result *= (1 - down) * above + down * below
    np.minimum(result, BRIGHTEST, out=result)
    if tone.blank is not None:
        result[tone.blank[rows, columns]] = 1.0
    return result


def every(tone: Tone, rows: slice, columns: slice, channel: int) -> F32:
    """Return a channel of the reflectance at the crossings of some rows and columns, (n, m)."""
    if not isinstance(tone, Lit):
        return np.ascontiguousarray(tone[rows, columns, channel])
    high, wide = shape_of(tone)
    gain = _stretched_rows(tone.gain[..., channel], high, np.arange(high)[rows])
    gain = _stretched_rows(np.ascontiguousarray(gain.T), wide, np.arange(wide)[columns])
    result = TO_LINEAR[tone.pixels[rows, columns, channel]]
    result *= gain.T
    np.minimum(result, BRIGHTEST, out=result)
    if tone.blank is not None:
        result[tone.blank[rows, columns]] = 1.0
    return result


def channels(tone: Tone, rows: slice) -> list[F32]:
    """Return some rows of red, green and blue, each (n, W) float32: to be times ``gain_on``."""
    if not isinstance(tone, Lit):
        return [np.asarray(plane, np.float32) for plane in cv2.split(tone[rows])]
    planes = cv2.split(tone.pixels[rows])
    return [np.asarray(cv2.LUT(plane, TO_LINEAR), np.float32) for plane in planes]


def gain_on(tone: Tone, factor: int) -> F32 | None:
    """Return what ``channels`` is still to be multiplied by, one value for ``factor``² px.

    (⌈H / factor⌉, ⌈W / factor⌉, 3) float32; None where it is 1.
    """
    if not isinstance(tone, Lit):
        return None
    high, wide = shape_of(tone)
    down, across = factor * tone.gain.shape[0] / high, factor * tone.gain.shape[1] / wide
    place = np.array([[across, 0.0, across / 2 - 0.5], [0.0, down, down / 2 - 0.5]])
    gain = cv2.warpAffine(
        tone.gain,
        place,
        (-(-wide // factor), -(-high // factor)),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(gain, np.float32)


def averaged(tone: Tone, factor: int, gain: F32 | None = None) -> F32:
    """Return the mean of each ``factor`` by ``factor`` px of a sheet, or of one plane (H, W).

    (⌈H / factor⌉, ⌈W / factor⌉, 3) float32; what the last ones lack is like their nearest.
    ``gain`` is what ``gain_on`` returns, for whoever has it already.
    """
    if factor == 1:
        return whole(tone)
    high, wide = shape_of(tone)
    size = -(-high // factor), -(-wide // factor)
    layers = (3,) if isinstance(tone, Lit) else tone.shape[2:]
    result = np.empty((*size, *layers), np.float32)
    gain = gain_on(tone, factor) if gain is None else gain

    def fill(part: slice) -> None:
        rows = slice(part.start * factor, min(part.stop * factor, high))
        if isinstance(tone, Lit):
            pixels = _padded(tone.pixels[rows], factor)
            source = np.asarray(cv2.LUT(pixels, TO_LINEAR), np.float32).reshape(pixels.shape)
        else:
            source = _padded(tone[rows], factor)
        blank = tone.blank[rows] if isinstance(tone, Lit) and tone.blank is not None else None
        if blank is not None:
            away = _padded(blank.view(np.uint8), factor)
            source[away > 0] = 0
        target = (size[1], part.stop - part.start)
        mean = np.asarray(cv2.resize(source, target, interpolation=cv2.INTER_AREA), np.float32)
        mean = mean.reshape(result[part].shape)
        if gain is not None:
            mean *= gain[part]
        if blank is not None:
            share = cv2.resize(away.astype(np.float32), target, interpolation=cv2.INTER_AREA)
            mean += np.asarray(share).reshape(*mean.shape[:2], 1)
        np.minimum(mean, BRIGHTEST, out=result[part])  # as every px would be

    side_by_side(fill, strips(size[0], max(1, STRIP // factor)))
    return result


def repeated(plane: Bool, factor: int, part: tuple[slice, slice]) -> Bool:
    """Return a part of the sheet of a reduced ``plane`` (h, w), each value ``factor``² px."""
    rows, columns = part
    if factor == 1:
        return plane[part]
    top, left = rows.start // factor, columns.start // factor
    source = plane[top : -(-rows.stop // factor), left : -(-columns.stop // factor)]
    size = (source.shape[1] * factor, source.shape[0] * factor)
    large = cv2.resize(source.view(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    down, across = rows.start - top * factor, columns.start - left * factor
    own = large[
        down : down + rows.stop - rows.start, across : across + columns.stop - columns.start
    ]
    return np.asarray(own).view(np.bool_)


def stretched(plane: F32, factor: int, rows: slice, wide: int) -> F32:
    """Return some rows of a reduced ``plane`` (h, w, …) stretched bilinearly to ``wide`` px.

    ``rows`` start at a multiple of ``factor``; each value stands in the middle of its px.
    """
    first, last = rows.start // factor, -(-rows.stop // factor)
    around = np.clip(np.arange(first - 1, last + 1), 0, len(plane) - 1)
    size = (plane.shape[1] * factor, len(around) * factor)
    large = cv2.resize(plane[around], size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(large[factor : factor + rows.stop - rows.start, :wide], np.float32)


def _padded(part: NDArray[_T], factor: int) -> NDArray[_T]:
    """Return rows and columns filled up to a multiple of ``factor``."""
    below, beside = -part.shape[0] % factor, -part.shape[1] % factor
    if not below and not beside:
        return part
    padded = cv2.copyMakeBorder(part, 0, below, 0, beside, cv2.BORDER_REPLICATE)
    return np.asarray(padded, part.dtype)


def _between(places: I64 | F64, length: int, count: int) -> tuple[I64, I64, F32]:
    """Return the samples before and after each place, and how far it lies between them."""
    at = np.clip((places + 0.5) * (count / length) - 0.5, 0, count - 1)
    before = np.minimum(at.astype(np.int64), max(count - 2, 0))
    return before, np.minimum(before + 1, count - 1), (at - before).astype(np.float32)


def _stretched_rows(grid: F32, length: int, rows: I64 | F64) -> F32:
    """Return ``grid`` (h, …), which covers ``length`` px, at some ``rows`` of them."""
    upper, lower, part = _between(rows, length, grid.shape[0])
    above = grid[upper]
    above += part.reshape(-1, *[1] * (grid.ndim - 1)) * (grid[lower] - above)
    return np.asarray(above, np.float32)
