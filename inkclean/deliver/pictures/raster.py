"""Curves to one-bit pixels, band by band, so that a wall-size print fits in memory.

A pixel is ink where its centre lies inside the outlines, by the non-zero rule. Centres are
sampled exactly: no edge is moved outwards, as filling by integer polygons would do, so lines
keep their weight at any resolution.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from inkclean.base.arrays import F64, I64, U8, Bool
from inkclean.base.errors import UsageError
from inkclean.base.units import MM_PER_INCH
from inkclean.curves.values import Curves

# px that a chord stands off its curve: one edge pixel in fifty lies there, and both answers do
_CHORD_PX = 0.02
# rows a band: enough to spread numpy's overhead, few enough to stay in the cache's reach
BAND_ROWS = 256
# the most pixels of one picture: A0 at 2400 dpi is 8.9 thousand million
_MOST_PX = 10_000_000_000


@dataclass(frozen=True)
class Region:
    """A rectangle of the sheet in mm: its top left corner and its size."""

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float


@dataclass(frozen=True)
class Crossings:
    """Where outlines cross the centre lines of pixel rows.

    ``row`` (N,) int64; ``x`` (N,) float64 in px; ``turn`` (N,) int8: +1 where the outline
    runs down (y grows), −1 where it runs up; ``slope`` (N,) float64: dx/dy of the outline.
    """

    row: I64
    x: F64
    turn: np.ndarray[tuple[int], np.dtype[np.int8]]
    slope: F64


def moved(curves: Curves, scale: float, x_mm: float, y_mm: float) -> Curves:
    """Return the curves scaled about the sheet's top left, then moved by x_mm, y_mm."""
    return replace(
        curves,
        cubics=curves.cubics * scale + np.array([x_mm, y_mm]),
        width_mm=curves.width_mm * scale,
        height_mm=curves.height_mm * scale,
    )


def whole_sheet(curves: Curves) -> Region:
    """Return the whole sheet as a region."""
    return Region(0.0, 0.0, curves.width_mm, curves.height_mm)


def size_px(region: Region, dpi: float) -> tuple[int, int]:
    """Return height and width in px of a region at a resolution, rounded to whole pixels.

    Raises:
        UsageError: the picture would have no pixel, or more than ten thousand million.
    """
    height = round(region.height_mm * dpi / MM_PER_INCH)
    width = round(region.width_mm * dpi / MM_PER_INCH)
    if min(height, width) < 1 or height * width > _MOST_PX:
        raise UsageError(
            f"{width} × {height} px cannot be drawn: choose another size or resolution"
        )
    return height, width


def render(curves: Curves, dpi: float, *, region: Region | None = None) -> Bool:
    """Return ink (H, W) at ``dpi``, True where a pixel's centre lies inside the outlines.

    Pixel (0, 0) has its outer corner at the region's top left. ``region`` defaults to the
    whole sheet.

    Raises:
        UsageError: the picture would be empty or too large.
    """
    width = size_px(region or whole_sheet(curves), dpi)[1]
    bands = list(packed_bands(curves, dpi, region=region))
    return np.unpackbits(np.concatenate(bands), axis=1, count=width).view(np.bool_)


def packed_bands(
    curves: Curves, dpi: float, *, region: Region | None = None, rows: int = BAND_ROWS
) -> Iterator[U8]:
    """Yield the picture in bands of ``rows`` rows from the top, eight pixels a byte, 1 = ink.

    Each band is (rows, ceil(W / 8)) uint8, the last one maybe lower.

    Raises:
        UsageError: the picture would be empty or too large.
    """
    area = region or whole_sheet(curves)
    height, width = size_px(area, dpi)
    cubics = (curves.cubics - np.array([area.x_mm, area.y_mm])) * (dpi / MM_PER_INCH)
    low, high = cubics[..., 1].min(1, initial=np.inf), cubics[..., 1].max(1, initial=-np.inf)
    for top in range(0, height, rows):
        bottom = min(top + rows, height)
        touched = cubics[(high > top) & (low < bottom)]
        yield _fill(crossings(touched, top, bottom), top, bottom, width)


def flatten(cubics: F64, chord: float = _CHORD_PX) -> tuple[F64, F64]:
    """Return starts (N, 2) and ends (N, 2) of the chords of cubics (S, 4, 2).

    No chord stands off its curve by more than ``chord``, in the cubics' unit (Wang's bound on
    the second differences; as given in Goldman, Pyramid Algorithms, 2003). Ends
    of cubics are kept to the last bit, so closed loops stay closed.
    """
    if not len(cubics):
        return np.zeros((0, 2)), np.zeros((0, 2))
    bend = np.abs(cubics[:, :2] - 2.0 * cubics[:, 1:3] + cubics[:, 2:]).max(1)
    steps = np.ceil(np.sqrt(0.75 * np.hypot(bend[:, 0], bend[:, 1]) / chord))
    counts = np.clip(steps, 1, 1 << 20).astype(np.int64)
    first = np.cumsum(counts) - counts
    owner = np.repeat(np.arange(len(cubics)), counts)
    t = ((np.arange(len(owner)) - first[owner]) / counts[owner])[:, None]
    s = 1.0 - t
    own = cubics[owner]
    starts = s**3 * own[:, 0] + 3 * s * s * t * own[:, 1] + 3 * s * t * t * own[:, 2]
    starts += t**3 * own[:, 3]
    ends = np.empty_like(starts)
    ends[:-1] = starts[1:]
    ends[first + counts - 1] = cubics[:, 3]
    return starts, ends


def crossings(cubics: F64, top: int, bottom: int) -> Crossings:
    """Return where cubics (S, 4, 2), in px, cross the row centres of ``top`` ≤ row < ``bottom``.

    A chord owns the centres from its upper end, included, to its lower end, left out, so a
    centre that meets a vertex counts once.
    """
    starts, ends = flatten(cubics)
    upper, lower = np.minimum(starts[:, 1], ends[:, 1]), np.maximum(starts[:, 1], ends[:, 1])
    first = np.clip(np.ceil(upper - 0.5), top, bottom).astype(np.int64)
    counts = np.clip(np.ceil(lower - 0.5), top, bottom).astype(np.int64) - first
    kept = np.flatnonzero(counts > 0)
    starts, ends, first, counts = starts[kept], ends[kept], first[kept], counts[kept]
    run = ends - starts
    slope = run[:, 0] / run[:, 1]
    owner = np.repeat(np.arange(len(kept)), counts)
    row = np.arange(len(owner)) - (np.cumsum(counts) - counts - first)[owner]
    x = starts[owner, 0] + (row + 0.5 - starts[owner, 1]) * slope[owner]
    return Crossings(row, x, np.sign(run[:, 1]).astype(np.int8)[owner], slope[owner])


def _fill(found: Crossings, top: int, bottom: int, width: int) -> U8:
    """Return the band between crossings, eight pixels a byte.

    Crossings are put in order along the rows; ink begins where the winding leaves zero and
    ends where it comes back. Those places flip a bit each, and a running exclusive-or along
    the row, by bytes first and then within them, lays the ink between.
    """
    rows, row_bytes = bottom - top, -(-width // 8)
    # one spare pixel takes what lies to the right of the picture
    stride = 8 * (width // 8 + 1)
    column = np.clip(np.ceil(found.x - 0.5), 0, width).astype(np.int64)
    order = np.sort(((found.row - top) * stride + column) * 2 + (found.turn > 0))
    inside = np.cumsum(2 * (order & 1) - 1)
    before = np.concatenate([[0], inside[:-1]])
    flips = order[(inside == 0) != (before == 0)] >> 1
    bits = np.zeros(rows * stride // 8, np.uint8)
    if len(flips):
        np.bitwise_xor.at(bits, flips >> 3, np.right_shift(0x80, flips & 7).astype(np.uint8))
        # the state after each byte: its last bit once flips have run through it
        bits = _RUN[bits]
        carry = np.bitwise_xor.accumulate(bits << 7)
        bits[1:] ^= (carry[:-1] >> 7) * np.uint8(0xFF)
    return bits.reshape(rows, -1)[:, :row_bytes]


def _running() -> U8:
    """Return for each byte the exclusive-or of all bits from its highest to each one."""
    bits = np.unpackbits(np.arange(256, dtype=np.uint8)[:, None], axis=1)
    return np.packbits(np.bitwise_xor.accumulate(bits, axis=1), axis=1)[:, 0]


_RUN = _running()
