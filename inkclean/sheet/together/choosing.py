"""Which photo shows each place best, and where photos disagree.

Everything is told in cells of the canvas, from the photos laid over each other: how sharp each is,
how much of it is clipped, and where one shows what the others do not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, U8, Bool
from inkclean.base.colour import to_linear
from inkclean.sheet.together.page import page_mask, scaled_maps
from inkclean.sheet.together.seen import Glance
from inkclean.sheet.together.values import Canvas, Placed, within
from inkclean.sheet.values import Differing

# the pictures compared, beside the canvas
QUARTER = 0.25
SOFT = 1.3  # blur, in their px, under which photos of other sharpness look alike
APART = 0.3  # of the paper's light: more is a difference
LEAST_APART = 0.1  # of a cell's px
PAPER, INK = 0.72, 0.2  # what is lighter or darker than these is plainly paper, or ink
GLARE = 252  # code of the darkest channel from which nothing is shown
CHROMA = 0.32  # and of one colour with the paper
UNLIKELY = 0.1  # share by which one photo's tones must be less like a page's than another's
ODD = 1.6  # times as far off the middle of all photos as the nearest
LEAST_CELLS = 3
# costs of a cell, in the seams' units
SHARP, CLIPPED, RIM, WRONG, TABLE = 0.6, 1.0, 0.5, 60.0, 5.0
RIM_SHARE = 0.04  # of a photo's width, from its border on
HAND = "one photo shows something else here; it was taken from another"
MOVED = "the photos differ here, and it is not sure which is right"


@dataclass(frozen=True)
class Choice:
    """What is told of each cell.

    ``cost`` (K, h, w) float32 of taking each photo there, inf where it does not reach; ``ink``
    (H, W) float32, quarter size: the darkest of all photos, 1 = paper; ``paper`` (K, h, w, 3)
    float32: the linear light of the paper that all photos show there, 0 where there is none;
    ``wrong`` (K, h, w) bool where a photo is not to be taken; ``differing`` the places to check.
    """

    cost: F32
    ink: F32
    paper: F32
    wrong: Bool
    differing: tuple[Differing, ...]


def choose(
    canvas: Canvas,
    placed: Sequence[Placed],
    seen: Sequence[Glance],
    cell: int,
    first: int,
    outline: F64 | None,
) -> Choice:
    """Return what each photo is worth in each cell of ``cell`` canvas px.

    Beside the page, if its ``outline`` is known, the ``first`` photo is shown wherever it reaches.
    """
    looks = [_look(canvas, placed[k], seen[k]) for k in range(len(seen))]
    known = np.stack([look[2] for look in looks])
    ink = np.stack([look[0] for look in looks])
    colour = [look[1] for look in looks]
    shape = (-(-canvas.size[0] // cell), -(-canvas.size[1] // cell))
    part = cell * QUARTER

    def pooled(plane: F32) -> F32:
        return pool(plane, part, shape)

    whole = np.stack([pooled(one.astype(np.float32)) > 0.999 for one in known])
    page = page_mask(outline, known[0].shape, QUARTER)
    wrong, differing = _disagreements(ink, colour, known & page, whole, cell, shape)
    sharp = np.stack([_sharpness(one, part, shape) for one in ink])
    best = np.maximum(np.where(whole, sharp, 0).max(axis=0), 1e-6)
    cost = SHARP * (1.0 - np.minimum(sharp / best, 1.0))
    for k, (pixels, _) in enumerate(colour):
        clipped = (pixels.min(axis=2) >= GLARE).astype(np.float32)
        cost[k] += CLIPPED * pooled(clipped)
    cost += np.stack([_rim(canvas, placed[k], cell, shape) for k in range(len(seen))])
    cost[wrong] += WRONG
    beside = pooled(page.astype(np.float32)) < 0.5
    cost[:, beside] += TABLE
    cost[first, beside] -= TABLE
    cost[~whole] = np.inf
    lightest = np.where(known, ink, 2.0)
    blank = lightest.min(axis=0)
    common = page & (blank > 0.85) & (np.where(known, ink, 0.0).max(axis=0) < 1.15)
    paper = np.zeros((len(seen), *shape, 3), np.float32)
    for k, (pixels, _) in enumerate(colour):
        mask = (common & known[k]).astype(np.float32)
        share = pooled(mask)
        lit = to_linear(pixels)
        for channel in range(3):
            sums = pooled(np.ascontiguousarray(lit[..., channel]) * mask)
            paper[k, ..., channel] = np.where(share > 0.08, sums / np.maximum(share, 1e-6), 0)
    paper[~whole | wrong] = 0
    return Choice(
        cost.astype(np.float32), np.where(blank > 1.5, 1.0, blank), paper, wrong, differing
    )


def replaced(choice: Choice, old: int) -> Choice:
    """Return the choice where the photo ``old`` is shown only where no other reaches.

    What differs was changed on the page: there is nothing to check.
    """
    cost = np.where(np.isfinite(choice.cost), 0, np.inf).astype(np.float32)
    cost[old] += WRONG
    return replace(choice, cost=cost, differing=())


def pool(plane: F32, part: float, shape: tuple[int, int]) -> F32:
    """Return the means of a plane over cells ``part`` px wide, the rim repeated."""
    size = round(shape[1] * part), round(shape[0] * part)
    more = max(0, size[1] - plane.shape[0]), max(0, size[0] - plane.shape[1])
    if any(more):
        plane = cv2.copyMakeBorder(plane, 0, more[0], 0, more[1], cv2.BORDER_REPLICATE)  # type: ignore[assignment]
    plane = plane[: size[1], : size[0]]
    return np.asarray(cv2.resize(plane, shape[::-1], interpolation=cv2.INTER_AREA), np.float32)


def _look(canvas: Canvas, placed: Placed, seen: Glance) -> tuple[F32, tuple[U8, F32], Bool]:
    """Return a photo on the canvas, quarter size: ink, pixels with its light, where it is known."""
    high, wide = (max(1, round(n * QUARTER)) for n in canvas.size)
    size = seen.size
    less = (max(1, round(size[1] * QUARTER)), max(1, round(size[0] * QUARTER)))
    small = cv2.resize(seen.photo.pixels, less, interpolation=cv2.INTER_AREA)
    maps = scaled_maps(placed, canvas, (high, wide), QUARTER, less[::-1])
    known = within(maps, (less[1], less[0]), 1.5)
    border = cv2.BORDER_REPLICATE
    pixels = np.asarray(
        cv2.remap(small, maps[0], maps[1], cv2.INTER_LINEAR, borderMode=border), np.uint8
    )
    lamp = [
        (m + 0.5) * (n / length) - 0.5
        for m, n, length in zip(maps, seen.light.shape[::-1], less, strict=True)
    ]
    light = cv2.remap(seen.light, lamp[0], lamp[1], cv2.INTER_LINEAR, borderMode=border)
    grey = to_linear(np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), np.uint8))
    ink = np.minimum(grey / np.asarray(light, np.float32), np.float32(1.2))
    return np.asarray(ink, np.float32), (pixels, np.asarray(light, np.float32)), known


def _sharpness(ink: F32, part: float, shape: tuple[int, int]) -> F32:
    """Return how steep the ink's edges are around each cell."""
    x = cv2.Sobel(ink, cv2.CV_32F, 1, 0, scale=1 / 8)
    y = cv2.Sobel(ink, cv2.CV_32F, 0, 1, scale=1 / 8)
    energy = pool(np.asarray(x * x + y * y, np.float32), part, shape)
    around = np.asarray(cv2.blur(energy, (9, 9)), np.float32)
    return np.asarray(np.sqrt(around + np.float32(1e-5)), np.float32)


def _rim(canvas: Canvas, placed: Placed, cell: int, shape: tuple[int, int]) -> F32:
    """Return the cost of a photo's own rim: there lenses are soft, and scanners lit from aside."""
    x = (np.arange(shape[1]) + 0.5) * cell
    y = (np.arange(shape[0]) + 0.5) * cell
    at = placed.to_photo(canvas, np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2))
    high, wide = placed.lens.size
    depth = np.minimum(np.minimum(at[:, 0], wide - at[:, 0]), np.minimum(at[:, 1], high - at[:, 1]))
    share = np.clip(1.0 - depth / (RIM_SHARE * min(high, wide)), 0, 1).reshape(shape)
    return np.asarray(RIM * share, np.float32)


def _disagreements(
    ink: F32,
    colour: Sequence[tuple[U8, F32]],
    known: Bool,
    whole: Bool,
    cell: int,
    shape: tuple[int, int],
) -> tuple[Bool, tuple[Differing, ...]]:
    """Return (K, h, w) where a photo is wrong, and the places where photos disagree."""
    count = len(ink)
    soft = np.stack([cv2.GaussianBlur(one, (0, 0), SOFT) for one in ink])
    low = np.where(known, soft, 9.0).min(axis=0)
    high = np.where(known, soft, -9.0).max(axis=0)
    apart = ((high - low) > APART) & (known.sum(axis=0) > 1)
    part = cell * QUARTER
    some = (pool(apart.astype(np.float32), part, shape) > LEAST_APART).astype(np.uint8)
    cells = cv2.morphologyEx(some, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    regions, label, stats, _ = cv2.connectedComponentsWithStats(cells, connectivity=8)
    unlikely = np.stack([pool(_unlikely(soft[k], *colour[k]), part, shape) for k in range(count)])
    dark = np.stack([pool(1.0 - np.minimum(one, 1.0), part, shape) for one in soft])
    middle = np.median(np.where(known, soft, np.nan), axis=0) if count > 2 else soft[0]
    off = np.stack([pool(np.abs(np.nan_to_num(one - middle)), part, shape) for one in soft])
    wrong = np.zeros((count, *shape), np.bool_)
    found = []
    grow = np.ones((5, 5), np.uint8)
    for region in range(1, regions):
        if stats[region, cv2.CC_STAT_AREA] < LEAST_CELLS:
            continue
        here = label == region
        # a photo that shows only a part of the place cannot be judged by it
        shown = [k for k in range(count) if whole[k][here].mean() > 0.5]
        if len(shown) < 2:
            continue
        bad, why = _bad(shown, here, unlikely, dark, off)
        wide = cv2.dilate(here.astype(np.uint8), grow) > 0
        for k in bad:
            wrong[k] |= wide
        x, y, w, h = stats[region, :4].tolist()
        size = float(np.hypot(w, h)) * cell
        found.append(Differing((x + w / 2) * cell, (y + h / 2) * cell, size, why))
    # where nobody else is left, a photo is not wrong
    alone = (whole & ~wrong).sum(axis=0) == 0
    wrong &= ~alone
    return wrong, tuple(sorted(found, key=lambda place: -place.size_px))


def _unlikely(ink: F32, pixels: U8, light: F32) -> F32:
    """Return 1 where the tone is neither paper's nor ink's: grey, another colour, or clipped."""
    linear = to_linear(pixels)
    chroma = (linear.max(axis=2) - linear.min(axis=2)) / light
    odd = ((ink < PAPER) & (ink > INK)) | ((chroma > CHROMA) & (ink < 1.0))
    return np.asarray(odd | (pixels.min(axis=2) >= GLARE), np.float32)


def _bad(
    shown: Sequence[int], here: Bool, unlikely: F32, dark: F32, off: F32
) -> tuple[list[int], str]:
    """Return the photos that are wrong in a place, and what to say of it.

    Three photos or more settle it by the middle of all; two by which looks more like a page, and
    failing that by which shows more ink: glare and slips of paper hide it.
    """
    odd = {k: float(unlikely[k][here].mean()) for k in shown}
    if len(shown) > 2:
        away = {k: float(off[k][here].mean()) for k in shown}
        nearest = min(away.values())
        bad = [k for k in shown if away[k] > max(ODD * nearest, nearest + 0.04)]
        return bad, HAND
    likely = min(shown, key=lambda k: odd[k])
    other = next(k for k in shown if k != likely)
    if odd[other] - odd[likely] > UNLIKELY:
        return [other], HAND
    more = max(shown, key=lambda k: float(dark[k][here].mean()))
    return [k for k in shown if k != more], MOVED
