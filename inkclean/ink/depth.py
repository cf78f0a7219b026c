"""How dark full ink is around each pixel, from ridges that the blur has left whole."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I64, Bool, median
from inkclean.base.tiles import TILE, Tile, side_by_side, tiles
from inkclean.ink.levels import laplacian
from inkclean.ink.seen.places import Places
from inkclean.sheet.lit import repeated, stretched

# Side of the blocks on which the ink's darkness is gathered, in px.
BLOCK_PX = 8
# How far the ink's darkness is looked for around a stroke, in mm: near ones count first.
NEAR_MM, FAR_MM = 1.0, 8.0
# What the page counts for beside what is seen near, in sure ridge pixels a block.
PAGE_SAY, FAR_SAY = 0.02, 0.02
# Ink down to the first share of the page's darkness is the same ink, under the second another.
SAME_PEN, OTHER_PEN = 0.9, 0.75
# A ridge this much narrower than the blur tells nothing of how dark its ink is.
LEAST_TOLD = 0.3
# In units of the paper's noise, where a sure mark starts.
SURE_NOISES = 8.0
# The same, and the least share of light, where ink was found by its shape: pale ink too.
PALEST_NOISES, PALEST = 3.0, 0.03
# Where the network is undecided a mark that absorbs this share of light may be another ink's.
OTHER_INK = 0.45


@dataclass(frozen=True)
class Depth:
    """How dark full ink is, (h, w) float32 absorbed share of light, for each ``BLOCK_PX``² px."""

    blocks: F32

    @property
    def least(self) -> float:
        """The palest that full ink is anywhere."""
        return float(self.blocks.min())

    def over(self, part: tuple[slice, slice]) -> F32:
        """Return it for each px of a part that starts at whole blocks, interpolated."""
        rows, columns = part
        wanted = slice(columns.start // BLOCK_PX, -(-columns.stop // BLOCK_PX))
        around = np.clip(np.arange(wanted.start - 1, wanted.stop + 1), 0, self.blocks.shape[1] - 1)
        whole = stretched(self.blocks[:, around], BLOCK_PX, rows, len(around) * BLOCK_PX)
        return whole[:, BLOCK_PX : BLOCK_PX + columns.stop - columns.start]


def _ridges(
    ink: F32,
    inner: tuple[slice, slice],
    blur_px: float,
    least: float,
    near: Bool | None,
) -> tuple[I64, F32, F32]:
    """Return the place, full darkness and trust of the pixels on top of ridges of ink.

    ``ink`` is reflectance; only the part ``inner`` of it is asked, places count in that, and of it
    only where ``near`` is true. On the
    ridge of a bar of width w under a Gaussian blur σ, with a = w/2σ, the bend −σ²·C″/C is
    2a·φ(a)/(2Φ(a) − 1) and the height (2Φ(a) − 1) of full ink: the bend, which does not depend
    on the ink's darkness, tells how much of it the blur has taken.
    """
    absorbed = absorbed_by(ink)
    at, height, share = _tops(absorbed, inner, blur_px, least, near)
    trust = (share**6 * (share > LEAST_TOLD)).astype(np.float32)
    return at, np.minimum(height / share, 1), trust


def told_ridges(
    ink: F32, inner: tuple[slice, slice], blur_px: float, near: Bool
) -> tuple[I64, F32]:
    """Return the place of the pixels on top of ridges, and how much of full ink is left there.

    As in ``_ridges``, whatever the ink's darkness.
    """
    at, _, share = _tops(absorbed_by(ink), inner, blur_px, PALEST, near)
    return at, share


def _tops(
    absorbed: F32, inner: tuple[slice, slice], blur_px: float, least: float, near: Bool | None
) -> tuple[I64, F32, F32]:
    """Return the place and the height of pixels on top of ridges, and its share of full ink."""
    top = absorbed >= cv2.dilate(absorbed, np.ones((3, 3), np.uint8))
    top &= absorbed > least
    at = np.flatnonzero(top[inner] if near is None else top[inner] & near)
    height = absorbed[inner].ravel()[at]
    bend = -(blur_px**2) * laplacian(absorbed)[inner].ravel()[at] / height
    full_bend, told = _bend_table()
    return at, height, np.interp(bend, full_bend, told).astype(np.float32)


def absorbed_by(ink: F32) -> F32:
    """Return the share of light that is absorbed where ``ink`` is the reflectance."""
    absorbed = np.subtract(np.float32(1), ink)
    return np.asarray(np.maximum(absorbed, np.float32(-0.2), out=absorbed), np.float32)


@lru_cache(maxsize=1)
def _bend_table() -> tuple[F64, F64]:
    a = np.linspace(4.0, 0.2, 400)  # half width over blur; the bend rises as it falls
    density = np.exp(-(a**2) / 2) / math.sqrt(2 * math.pi)
    height = np.array([math.erf(v / math.sqrt(2)) for v in a])
    return 2 * a * density / height, height


def ink_depth(
    ink: F32, px_per_mm: float, blur_px: float, noise: float, places: Places | None = None
) -> Depth:
    """Return how dark full ink is around each pixel.

    ``ink`` is (H, W) reflectance; where ``places`` has ink pale marks are asked too, where it
    is undecided dark ones. Ridges that the blur has left whole speak for themselves, thinner
    ones lean on those around them, weighted to the darkest, and on the page.
    """
    shape = (-(-ink.shape[0] // BLOCK_PX), -(-ink.shape[1] // BLOCK_PX))
    weight, value = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    least = max(0.1, SURE_NOISES * noise)
    if places is not None:
        least = max(PALEST, PALEST_NOISES * noise)
        inked, possible, factor = places.inked, ~places.denied, places.factor
    nothing = np.zeros(0, np.float32)

    def gather(tile: Tile) -> tuple[F32, F32]:
        part = ink[tile.around]
        if part.min(initial=1.0) >= 1 - least:
            return nothing, nothing
        near = None
        if places is not None:
            near = part[tile.inner] < 1 - OTHER_INK
            near &= repeated(possible, factor, tile.own)
            near |= repeated(inked, factor, tile.own)
        at, dark, trust = _ridges(part, tile.inner, blur_px, least, near)
        row, column = np.divmod(at, tile.own[1].stop - tile.own[1].start)
        blocks = tuple(slice(p.start // BLOCK_PX, -(-p.stop // BLOCK_PX)) for p in tile.own)
        target = weight[blocks].shape
        block = (row // BLOCK_PX) * target[1] + column // BLOCK_PX
        says = trust * dark**2
        size = target[0] * target[1]
        weight[blocks] = np.bincount(block, says, size).reshape(target)
        value[blocks] = np.bincount(block, says * dark, size).reshape(target)
        return dark, trust

    found = side_by_side(gather, tiles((ink.shape[0], ink.shape[1]), TILE, 1))
    dark, trust = (np.concatenate([*part, nothing]) for part in zip(*found, strict=True))
    del found
    if dark.size == 0:
        return Depth(np.ones(shape, np.float32))
    page = float(np.percentile(dark[trust >= median(trust)], 75))

    def around(grid: F32, reach_mm: float) -> F32:
        radius = max(1, round(reach_mm * px_per_mm / BLOCK_PX))
        return cv2.blur(grid, (2 * radius + 1, 2 * radius + 1), borderType=cv2.BORDER_CONSTANT)  # type: ignore[return-value]

    far = around(weight, FAR_MM) + PAGE_SAY
    far_dark = (around(value, FAR_MM) + PAGE_SAY * page) / far
    near = around(weight, NEAR_MM) + FAR_SAY
    depth = (around(value, NEAR_MM) + FAR_SAY * far_dark) / near
    # near the page's own darkness the difference is chance, well below it another pen
    pale = np.clip((SAME_PEN - depth / page) / (SAME_PEN - OTHER_PEN), 0, 1).astype(np.float32)
    return Depth(np.asarray(page + pale * (depth - page), np.float32))
