"""Printed squares and ruled lines that no hue tells from ink: found by their even spacing.

A printed line is thin, long and nearly straight, and has fellows at one distance over most of
the sheet; hatching is local, drawn borders are not evenly spaced, letters are short. Lines are
found locally (runs of some mm, gaps to the next run), so curl and rest errors of the framing
do no harm. Densities add where print and ink lie on each other (Beer-Lambert law), so what is
lifted is the print's own depth, and ink on a printed line stays ink.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, U8, Bool
from inkclean.base.colour import as_hex, encode
from inkclean.base.tiles import side_by_side, strips
from inkclean.ink.pencil.spacing import evenness, followed, hinted, ridges, to_their_ends
from inkclean.sheet.lit import STRIP, Lit, Tone, at, repeated, rows_of, shape_of, stretched

MOST_BAND = 0.65  # share of the sheet; beyond, taking lines off takes pen strokes too
FELLOW = 0.4  # of both is enough for lines that cross printed ones at the same spacing
SQUARE = 1.15  # ratio of the spacings, at most, at which crossing lines make squares
HALF_BAND_MM = 0.34  # half of what a printed line takes up: its width, blur, doubt of place
FAINTEST = 0.12  # density of a printed line that would show in the ink
PALER = 0.5  # print's depth over that of ink: above this they cannot be told apart
LOCAL_MM = 12.0  # over this distance the depth of print is one
ACROSS_MM = 1.5  # over this one across a line, its fellows left out
LINE_MM = 45.0  # over this one along a line: longer than most strokes of a pen on it
MARGIN = 0.5  # standard deviations over the mean depth that are print still
SPARED = 0.5  # of the depth: what is taken beside ink, where the whole would thin it
CLEAR = 1.15  # of the depth: what is taken from a line alone, its grain with it
BESIDE = 1.5  # of the depth: a neighbour this dark is ink
DARKEST = 1.15  # density of a line's core from which it is ink's: thin pens look paler than broad
APART = 9.0  # degrees between the densities of print and of a coloured ink that tell them apart
HUE_MM = 0.35  # over which a px's hue is averaged
OWN = 0.4  # share of a px's density from which on it is the ink's
_EPS = np.float32(0.02)


@dataclass(frozen=True)
class Ruled:
    """Printed lines on the sheet.

    ``band`` is (h, w) bool: what the lines may take up, ``factor``² px of the sheet each,
    ``per_mm`` of these a mm;
    ``depth`` (h, w) float32, the density they reach at their core; ``pale`` is False where
    they are as dark as the ink; ``squares`` is True for lines in two directions.
    """

    band: Bool
    factor: int
    per_mm: float
    depth: F32
    pale: bool
    squares: bool
    colour: str


def find_ruled(tone: Tone, reduced: F32, per_mm: float, factor: int) -> Ruled | None:
    """Return the printed lines, or None if there are none.

    Args:
        tone: the sheet's reflectance, by which print is told from ink.
        reduced: (h, w) float32, the ink alone (pencil gone) averaged to about 5 px/mm.
        per_mm: scale of ``reduced``.
        factor: px of the sheet that make one of ``reduced``.
    """
    density = _density(reduced)
    planes = [density, np.ascontiguousarray(density.T)]
    if not any(side_by_side(lambda plane: hinted(plane, per_mm), planes)):
        return None
    found = side_by_side(lambda plane: ridges(plane, per_mm, per_mm), planes)
    even = [evenness(ridge, per_mm, per_mm) for ridge in found]
    families = []
    blank = _blank(tone, factor, density.shape)
    for turned, (ridge, own, other) in enumerate(zip(found, even, even[::-1], strict=True)):
        ratio = max(own.spacing, other.spacing) / max(min(own.spacing, other.spacing), 1e-6)
        if own.proves(1.0) or (other.proves(1.0) and ratio < SQUARE and own.proves(FELLOW)):
            nothing = blank if blank is None or not turned else np.ascontiguousarray(blank.T)
            families.append((followed(ridge, own.spacing, per_mm, nothing), turned))
    if not families:
        return None
    deep = _density(_darkest(tone, factor))
    core = np.zeros(density.shape, np.uint8)
    for lines, turned in families:
        core |= lines.T if turned else lines
    shared, typical = _depth(deep, core, per_mm)
    band = np.zeros(density.shape, np.bool_)
    depth = _enlarged(shared, density)
    reach = max(1, round(HALF_BAND_MM * per_mm))
    square = np.ones((2 * reach + 1,) * 2, np.uint8)
    inky = np.asarray(cv2.dilate((deep > BESIDE * typical).view(np.uint8), square), np.uint8)
    for lines, turned in families:
        whole = lines | (to_their_ends(lines, per_mm) & (1 - (inky.T if turned else inky)))
        wide = np.asarray(cv2.dilate(whole, np.ones((2 * reach + 1, 1), np.uint8)), np.bool_)
        along = wide.T if turned else wide
        # a line may be printed darker, or be blurred less, than those across it and beside it
        upright = np.ascontiguousarray(lines.T) if turned else lines
        theirs = _depth(
            deep, upright, per_mm, (ACROSS_MM, LINE_MM) if turned else (LINE_MM, ACROSS_MM)
        )[0]
        np.maximum(depth, _enlarged(theirs, density), out=depth, where=along)
        band |= along
    outside = deep[~band & (deep > max(0.3, 0.6 * typical))]
    inked = float(np.percentile(outside, 75)) if outside.size > 50 else np.inf
    line = (core > 0) & (deep > 0.8 * typical) & (deep < 1.2 * typical)
    colour = _colour(tone, line, factor)
    pale = typical < min(DARKEST, PALER * inked) and float(band.mean()) <= MOST_BAND
    return Ruled(band, factor, per_mm, depth, pale, len(families) == 2, colour)


def lift(ink: F32, tone: Tone, ruled: Ruled) -> float:
    """Remove the printed lines from ``ink`` in place; return the share of the sheet they marked.

    ``tone`` is the sheet's reflectance. The part of its density that is print's is
    taken from the ink's density; where ink stands in or beside the line, its mean alone.
    """
    high, wide = ink.shape
    factor = ruled.factor
    depth = ruled.depth

    def fill(rows: slice) -> int:
        band = repeated(ruled.band, factor, (rows, slice(0, wide)))
        if not band.any():
            return 0
        above = min(rows.start, 1)
        grey = grey_of(rows_of(tone, slice(rows.start - above, min(rows.stop + 1, high))))
        inner = slice(above, above + rows.stop - rows.start)
        darkest = np.asarray(cv2.erode(grey, np.ones((3, 3), np.uint8)), np.float32)[inner]
        near, density = _density(darkest[band]), _density(grey[inner][band])
        here = stretched(depth, factor, rows, wide)[band]
        taken = np.where(near > BESIDE * here, SPARED * here, CLEAR * here)
        left = np.clip(1.0 - taken / np.maximum(density, np.float32(1e-3)), 0.0, 1.0)
        ink[rows][band] = np.maximum(ink[rows][band], np.float32(1e-4)) ** left
        return int((density > 0.1).sum())

    marked = side_by_side(fill, strips(high, factor * max(1, STRIP // factor)))
    return sum(marked) / ink.size


def lift_other_hue(ink: F32, tone: Tone, ruled: Ruled, print_density: F64, own: F64) -> float:
    """Remove printed lines of another hue than the ink's from ``ink`` in place, however dark.

    ``print_density`` and ``own`` (3,) are the densities of print and of the page's ink; each px's
    density is told as a sum of both (as in ``unmix``). Returns the share of the sheet they marked,
    0 where the hues are too near each other.
    """
    both = np.stack([print_density, own], axis=1)
    length = np.sqrt((both * both).sum(axis=0))
    cosine = float(print_density @ own) / max(float(length.prod()), 1e-6)
    if cosine > np.cos(np.radians(APART)):
        return 0.0
    amounts = (np.linalg.pinv(both) * length[:, None]).astype(np.float32)
    high, wide = ink.shape
    factor = ruled.factor
    window = max(3, round(HUE_MM * factor * ruled.per_mm) | 1)

    def fill(rows: slice) -> int:
        band = repeated(ruled.band, factor, (rows, slice(0, wide)))
        if not band.any():
            return 0
        above = min(rows.start, window)
        density = _density(rows_of(tone, slice(rows.start - above, min(rows.stop + window, high))))
        soft = cv2.blur(density, (window, window))[above : above + rows.stop - rows.start]
        shares = np.maximum(np.asarray(cv2.transform(soft, amounts), np.float32), 0.0)
        print_part, ink_part = shares[..., 0], shares[..., 1]
        taken = band & (ink_part < OWN * (print_part + ink_part))
        marked = int((taken & (ink[rows] < 0.9)).sum())
        ink[rows][taken] = 1.0
        return marked

    marked = side_by_side(fill, strips(high, factor * max(1, STRIP // factor)))
    return sum(marked) / ink.size


def grey_of(tone: F32) -> F32:
    """The mean of the channels, (H, W)."""
    return np.asarray(cv2.transform(tone, np.full((1, 3), 1 / 3, np.float32)), np.float32)


def _darkest(tone: Tone, factor: int) -> F32:
    """The darkest px near the middle of each ``factor``² px: thin lines are pale when averaged."""
    high, wide = shape_of(tone)
    result = np.empty((-(-high // factor), -(-wide // factor)), np.float32)
    columns = np.minimum(np.arange(result.shape[1]) * factor + factor // 2, wide - 1)

    def fill(part: slice) -> None:
        middle = np.minimum(np.arange(part.start, part.stop) * factor + factor // 2, high - 1)
        top = max(int(middle[0]) - 1, 0)
        grey = grey_of(rows_of(tone, slice(top, min(int(middle[-1]) + 2, high))))
        darkest = np.asarray(cv2.erode(grey, np.ones((3, 3), np.uint8)), np.float32)
        result[part] = darkest[(middle - top)[:, None], columns]

    side_by_side(fill, strips(len(result), max(1, STRIP // factor)))
    return result


def _enlarged(depth: F32, like: F32) -> F32:
    size = like.shape[1], like.shape[0]
    return np.asarray(cv2.resize(depth, size, interpolation=cv2.INTER_LINEAR), np.float32)


def _colour(tone: Tone, line: Bool, factor: int) -> str:
    """The colour of the lines' samples on white, each the darkest near its place."""
    rows, columns = np.nonzero(line)
    if rows.size == 0:
        return "#808080"
    stride = max(1, rows.size // 2000)
    places = np.stack([columns[::stride], rows[::stride]], axis=1) * factor + factor // 2
    return colour_at(tone, places.astype(np.float64))


def colour_at(tone: Tone, places: F64) -> str:
    """Return the colour on white of what is printed at ``places`` (N, 2), x and y in px."""
    high, wide = shape_of(tone)
    columns, rows = places.astype(np.int64).T
    offsets = np.arange(-1, 2)
    rows = np.clip(rows[:, None, None] + offsets[:, None], 0, high - 1)
    columns = np.clip(columns[:, None, None] + offsets, 0, wide - 1)
    near = at(tone, *np.broadcast_arrays(rows, columns)).reshape(len(rows), 9, 3)
    core = np.take_along_axis(near, near.sum(axis=2).argmin(axis=1)[:, None, None], axis=1)
    linear = np.clip(np.median(core[:, 0], axis=0), 0.0, 1.0).astype(np.float64)
    return as_hex(np.rint(255 * encode(linear)).astype(np.uint8)).upper()


def _density(ink: F32) -> F32:
    return np.asarray(-np.log(np.maximum(ink, _EPS)), np.float32)


def _blank(tone: Tone, factor: int, shape: tuple[int, ...]) -> U8 | None:
    """Return (h, w) of 0 and 1: what was made blank, holes or a rim; None if nothing was."""
    if not isinstance(tone, Lit) or tone.blank is None:
        return None
    size = shape[1], shape[0]
    blank = cv2.resize(tone.blank.view(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    return np.asarray(blank, np.uint8)


def _depth(
    deep: F32, core: U8, per_mm: float, over_mm: tuple[float, float] = (LOCAL_MM, LOCAL_MM)
) -> tuple[F32, float]:
    """Density of the lines' core, over so many mm and the whole sheet; ink on them left out."""
    at = (core > 0) & (deep > FAINTEST)  # a follower that strayed off its line lies on paper
    typical = float(np.median(deep[at])) if at.any() else FAINTEST
    weight = (at & (deep > 0.4 * typical) & (deep < 1.6 * typical)).astype(np.float32)
    sigma, upright = (over * per_mm / 4 for over in over_mm)
    small = (max(1, deep.shape[1] // 4), max(1, deep.shape[0] // 4))
    planes = cv2.merge([weight, weight * deep, weight * deep * deep])
    planes = cv2.GaussianBlur(
        cv2.resize(planes, small, interpolation=cv2.INTER_AREA), (0, 0), sigma, sigmaY=upright
    )
    count, total, square = cv2.split(planes)
    count = np.maximum(count, np.float32(1e-6))
    mean = total / count
    spread = np.sqrt(np.maximum(square / count - mean * mean, 0.0))
    known = count > 1e-4
    return np.asarray(np.where(known, mean + MARGIN * spread, typical), np.float32), typical
