"""The light on the paper, found from the paper itself.

Paper is the bright envelope of the page and light on it changes slowly, save at the edge of a
cast shadow or a fold (the shading model of trade practice: picture = reflectance × light).
Lines are closed over by grey-scale morphology, which, unlike a blur, leaves the edge of a
shadow where it is. What is left dark is light or drawing: blacks are too dark to be paper,
and a dark or tinted patch with a sharp rim that lies wholly inside the page was
drawn there, since what casts a shadow stands outside the page. Drawn regions are
interpolated across. Lamps of different colours are light too: tint alone is no sign of drawing.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, U8, Bool, length, median
from inkclean.base.colour import to_linear
from inkclean.base.tiles import ROWS, both, side_by_side, strips
from inkclean.sheet.pale import PALE, PALEST, line_tone, pale_blacks, upper_light

PITCH_MM = 0.3  # a sample of the shading: finer than the penumbra of any usual shadow
MOST_SAMPLES = 1_200_000  # keeps a sheet of A2 as quick as one of A3
LINE_MM = 2.4  # dark marks narrower than this are closed over before light is looked for
DARKEST_PAPER = 0.17  # of the paper in the lit neighbourhood; black ink lies under it
# What is lighter than this is in a deep shadow if it comes in from the rim, so many mm wide, and
# its edge is soft over so much of its length: the log of light changes by less a mm than ink's.
DEEPEST_SHADE, SHADE_MM, SOFT_PER_MM, SOFT = 0.05, 20.0, 1.4, 0.6
PENUMBRA_MM = 5.0  # from where it is that dark the steepest place lies so near
REACH_MM = 60.0  # how far the lit neighbourhood reaches
SHARP_PER_MM = 0.14  # a change of the log of light steeper than this splits regions
SHALLOW = 0.06  # an enclosed region this much darker than the light around it was drawn
CALM_MM = 1.5  # smoothing of the light where it has no edge
SIDE_MM = 3.0  # how far from a shadow's edge both its sides are looked for
RELAXATIONS = 6  # at each scale: carries slopes across blacks, which plain filling flattens
EDGE_STEP = 1.12  # ratio of the light on both sides that makes an edge one to check
MOST_GRAIN = 14.0  # of 255: samples this far under the closed envelope hold a line
GRAIN_MM = 5.0
_EPS = np.float32(1e-4)


@dataclass(frozen=True)
class LightGrid:
    """The light on a coarse grid over the whole sheet.

    ``light`` is (h, w, 3) float32, linear; ``edge`` (h, w) bool, the edge of a shadow or a
    fold; ``paper`` (h, w) bool, samples of bare paper without a mark.
    """

    light: F32
    edge: Bool
    paper: Bool


def grid_size(shape: tuple[int, ...], px_per_mm: float) -> tuple[int, int]:
    """Return (height, width) of the grid of samples for a sheet of ``shape`` px."""
    high, wide = shape[0], shape[1]
    pitch = max(1.0, px_per_mm * PITCH_MM, (high * wide / MOST_SAMPLES) ** 0.5)
    return max(1, round(high / pitch)), max(1, round(wide / pitch))


def find_shading(samples: U8, per_mm: float, inside: Bool | None) -> LightGrid:
    """Return the light on the paper.

    Args:
        samples: (h, w, 3) uint8, the sheet averaged onto the grid, sRGB-encoded.
        per_mm: samples in a millimetre.
        inside: (h, w) bool, False where there is no photo; None if it is everywhere.
    """
    bright = _close(np.asarray(cv2.medianBlur(samples, 3), np.uint8), LINE_MM * per_mm)
    light = to_linear(bright)
    level = _mean(light)
    usable = _usable(light, level, per_mm, inside)
    paper, tone = both(
        lambda: _paper(light, usable, per_mm, inside), lambda: line_tone(bright, samples)
    )
    if not paper.any():
        paper = np.ones(level.shape, np.bool_) if inside is None else inside.copy()
    if tone is not None and PALE < tone < PALEST:
        paper = _without_blacks(light, paper, tone, per_mm)
    calm = _fill(light, paper, CALM_MM * per_mm)
    side = _disc(SIDE_MM * per_mm)
    low, high = both(
        lambda: np.asarray(cv2.erode(calm, side), np.float32),
        lambda: np.asarray(cv2.dilate(calm, side), np.float32),
    )
    edge = (_mean(high) > EDGE_STEP * (_mean(low) + _EPS)) & ~paper
    held = np.empty_like(light)

    def hold(rows: slice) -> None:
        np.clip(light[rows], low[rows], high[rows], out=held[rows])

    side_by_side(hold, strips(len(light), ROWS))
    followed = np.asarray(cv2.GaussianBlur(held, (0, 0), 0.7), np.float32)
    depth = np.asarray(cv2.subtract(bright, samples), np.uint8)
    bare = paper & (_mean(depth) < MOST_GRAIN)
    if bare.any():  # closing favours bright grain; paper is its mean

        def divide(rows: slice) -> None:
            least = np.maximum(followed[rows], _EPS)
            cv2.divide(to_linear(samples[rows]), least, held[rows])

        side_by_side(divide, strips(len(light), ROWS))
        followed *= _fill(held, bare, GRAIN_MM * per_mm)
    bare &= cv2.erode(bare.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(np.bool_)
    return LightGrid(np.maximum(followed, _EPS), edge, bare)


def _mean(image: F32 | U8) -> F32:
    return np.asarray(cv2.transform(image, np.full((1, 3), 1 / 3, np.float32)), np.float32)


def _disc(diameter: float) -> U8:
    size = max(3, int(diameter) | 1)
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)


def _close(samples: U8, diameter: float) -> U8:
    return np.asarray(cv2.morphologyEx(samples, cv2.MORPH_CLOSE, _disc(diameter)), np.uint8)


def _usable(light: F32, level: F32, per_mm: float, inside: Bool | None) -> Bool:
    """Samples that are neither black nor on a sharp edge of shadow or tint."""
    lit = level if inside is None else np.where(inside, level, np.float32(0.0))
    around = _neighbourhood(lit, per_mm)
    usable = level > DARKEST_PAPER * around
    shade = _deep_shade(level, around, usable, per_mm)
    if shade is not None:
        usable |= shade
    if inside is not None:
        usable &= inside
    usable &= level > 2e-3
    logs = [np.log(plane + _EPS) for plane in cv2.split(cv2.GaussianBlur(light, (0, 0), 1.0))]
    red, green, blue = logs
    # beside steps the rim of a tint, which the lamps' colours don't have
    tints = [green, red - green, blue - green]
    slopes = side_by_side(lambda values: _slope(values, per_mm), tints)
    slope = np.maximum(np.maximum(slopes[0], slopes[1]), slopes[2])
    limit = SHARP_PER_MM
    if usable.any():
        limit = max(limit, 4.0 * float(median(slope[usable][::5])))
    return np.asarray(usable & (slope < limit), np.bool_)


def _deep_shade(level: F32, around: F32, usable: Bool, per_mm: float) -> Bool | None:
    """What is as dark as ink may be, but in the shadow of a hand or a phone: its edge is soft."""
    dark = ~usable & (level > DEEPEST_SHADE * around)
    rim = (dark[0].sum(), dark[-1].sum(), dark[:, 0].sum(), dark[:, -1].sum())
    if max(rim) < SHADE_MM * per_mm:
        return None
    count, labels = cv2.connectedComponents(dark.view(np.uint8), connectivity=4)
    sides = (labels[0], labels[-1], labels[:, 0], labels[:, -1])
    at_rim = np.max([np.bincount(side, minlength=count) for side in sides], axis=0)
    square = np.ones((round(SHADE_MM * per_mm),) * 2, np.uint8)
    inner = np.asarray(cv2.erode(dark.view(np.uint8), square), np.bool_)
    entering = (at_rim >= SHADE_MM * per_mm) & (np.bincount(labels[inner], minlength=count) > 0)
    entering[0] = False
    if not entering.any():
        return None
    slope = _slope(np.log(cv2.GaussianBlur(level, (0, 0), 1.0) + _EPS), per_mm)
    wide = 2 * round(PENUMBRA_MM * per_mm) + 1
    steepest = np.asarray(cv2.dilate(slope, np.ones((wide, wide), np.uint8)), np.float32)
    lit = np.asarray(cv2.dilate(usable.view(np.uint8), _disc(3)), np.bool_)
    edge = lit & dark
    whose = labels[edge]
    length_of = np.bincount(whose, minlength=count)
    soft = np.bincount(whose, steepest[edge] < SOFT_PER_MM, count)
    shaded = entering & (soft > SOFT * np.maximum(length_of, 1))
    return np.asarray(shaded[labels], np.bool_) if shaded.any() else None


def _slope(values: F32, per_mm: float) -> F32:
    """Steepness in every direction, per mm."""
    across = cv2.Sobel(values, cv2.CV_32F, 1, 0, scale=per_mm / 8)
    down = cv2.Sobel(values, cv2.CV_32F, 0, 1, scale=per_mm / 8)
    return length(across, down)


def _neighbourhood(level: F32, per_mm: float) -> F32:
    """The brightest level within reach, robust against single bright samples."""
    factor = max(1.0, 2.0 * per_mm)
    size = (max(1, round(level.shape[1] / factor)), max(1, round(level.shape[0] / factor)))
    coarse = cv2.resize(level, size, interpolation=cv2.INTER_AREA)
    coarse = cv2.dilate(coarse, _disc(2 * REACH_MM * per_mm / factor))
    return np.asarray(cv2.resize(coarse, level.shape[::-1]), np.float32)


def _paper(light: F32, usable: Bool, per_mm: float, inside: Bool | None) -> Bool:
    """Of the usable regions, those that reach the rim or are as bright as the light there."""
    count, labels = cv2.connectedComponents(usable.astype(np.uint8), connectivity=4)
    if count <= 1:
        return usable
    rim = np.zeros(usable.shape, np.bool_)
    band = max(1, round(1.5 * per_mm))
    rim[:band], rim[-band:], rim[:, :band], rim[:, -band:] = True, True, True, True
    if inside is not None:
        outside = (~inside).astype(np.uint8)
        rim |= cv2.dilate(outside, _disc(2 * band + 1)).astype(np.bool_)
    flat = labels.ravel().astype(np.intp)
    area = np.bincount(flat, minlength=count)
    at_rim = np.bincount(labels[rim], minlength=count)
    kept = (at_rim >= band * band) & (area > (3.0 * per_mm) ** 2)
    largest = 1 + int(np.argmax(area[1:]))
    kept[largest] = True
    kept[0] = False
    for _ in range(2):  # a second look, now that rooms beside other rooms count
        before = kept.copy()
        around = np.maximum(_fill(light, kept[labels], CALM_MM * per_mm, rough=False), _EPS)
        share = cv2.split(cv2.divide(light, around))
        totals = side_by_side(lambda plane: np.bincount(flat, plane.ravel(), count), share)
        kept |= np.min(totals, axis=0) / np.maximum(area, 1) > 1.0 - SHALLOW
        kept[0] = False
        if kept[1:].all() or (kept == before).all():
            break
    paper = kept[labels].astype(np.uint8)
    return np.asarray(cv2.erode(paper, np.ones((3, 3), np.uint8)), np.bool_)


def _without_blacks(light: F32, paper: Bool, tone: float, per_mm: float) -> Bool:
    """Paper without what was filled with a pale ink, whose lines have that ``tone``."""
    level = _mean(light)
    slope = _slope(np.log(cv2.GaussianBlur(level, (0, 0), 1.0) + _EPS), per_mm)
    around = upper_light(level)
    for look in range(2):  # the second by the paper between what the first found
        drawn = pale_blacks(level, around, slope, tone, per_mm)
        rest = paper & ~cv2.dilate(drawn.view(np.uint8), _disc(3)).view(np.bool_)
        if not drawn.any() or not rest.any():
            return paper
        if look == 0:
            around = _mean(_fill(light, rest, CALM_MM * per_mm))
    return np.asarray(rest, np.bool_)


def _fill(values: F32, known: Bool, sigma: float, *, rough: bool = False) -> F32:
    """Smooth the known values and carry them across the unknown, from coarse to fine.

    Done on a quarter of the samples, ``sigma`` permitting, or a quarter of these if ``rough``:
    what comes out is smooth.
    """
    size = (known.shape[1], known.shape[0])
    image = np.empty((*known.shape, 4), np.float32)

    def weigh(rows: slice) -> None:
        weight = known[rows].astype(np.float32)
        planes = [cv2.multiply(plane, weight) for plane in cv2.split(values[rows])]
        cv2.merge([*planes, weight], image[rows])

    side_by_side(weigh, strips(len(known), ROWS))
    for factor in (4, 2) if rough else (2,):
        if sigma >= factor and min(size) >= 4 * factor:
            fewer = (size[0] // factor, size[1] // factor)
            image = np.asarray(cv2.resize(image, fewer, interpolation=cv2.INTER_AREA), np.float32)
            sigma /= factor
            break
    filled = push_pull(np.asarray(cv2.GaussianBlur(image, (0, 0), sigma), np.float32))
    return np.asarray(cv2.resize(filled, size), np.float32)


def push_pull(planes: F32) -> F32:
    """Values of weighted ``planes`` (h, w, n + 1; the last is the weight), holes filled."""
    *sums, weight = cv2.split(planes)
    least = np.maximum(weight, np.float32(1e-6))
    values = cv2.merge([cv2.divide(plane, least) for plane in sums])
    if min(planes.shape[:2]) <= 2 or float(weight.min()) > 0.5:
        total = float(weight.sum())
        if total <= 1e-6:
            return np.ones(values.shape, np.float32)
        mean = [float(plane.sum()) / total for plane in sums]
        return np.asarray(
            np.where((weight > 1e-6)[..., None], values.reshape(*weight.shape, -1), mean),
            np.float32,
        )
    coarse = push_pull(np.asarray(cv2.pyrDown(planes), np.float32))
    below = cv2.resize(coarse, (planes.shape[1], planes.shape[0]), interpolation=cv2.INTER_LINEAR)
    trust = np.clip(2.0 * weight, 0.0, 1.0)
    filled = cv2.blendLinear(values, below, trust, 1.0 - trust)
    for _ in range(RELAXATIONS):
        filled = cv2.blendLinear(values, cv2.blur(filled, (3, 3)), trust, 1.0 - trust)
    return np.asarray(filled, np.float32)
