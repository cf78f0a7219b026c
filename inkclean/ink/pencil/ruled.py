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
from inkclean.sheet.lit import STRIP, Lit, Tone, at, repeated, rows_of, shape_of, stretched

MOST_BAND = 0.65  # share of the sheet; beyond, taking lines off takes pen strokes too
RUN_MM = 9.0  # a printed line is dark over this length almost without a break
SLANTS = (-0.06, -0.045, -0.03, -0.015, 0.0, 0.015, 0.03, 0.045, 0.06)  # dy/dx of a run
HINT_MM = 0.8  # over which rows are averaged to ask whether there is print at all
HINT = 0.5  # of the proof: a page with less of it has no print
UNBROKEN = 0.72  # share of a run that must be dark
FAINT = 0.07  # density that counts as dark for a thin line: above the grain of paper
WIDEST_MM = 1.0  # lines this wide are no print
# So far before its end a line is no longer dark over enough of a run; so near the sheet's border
# a line may end, farther in a pen's stroke hides it.
END_MM, BORDER_MM = 2.4, 9.0
SPACING_MM = (3.2, 12.5)  # squares of 4 mm to wide ruled lines, the scale being a guess
EVEN = 0.12  # a gap may differ from the spacing by this share
COVERED = 0.25  # share of the sheet between evenly spaced lines; drawings reach 0.1
SPREAD = 0.4  # share of the sheet's blocks (5 by 5) in which such gaps are found
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
    if not any(side_by_side(lambda plane: _hinted(plane, per_mm), planes)):
        return None
    ridges = side_by_side(lambda plane: _ridges(plane, per_mm, per_mm), planes)
    evenness = [_evenness(ridge, per_mm, per_mm) for ridge in ridges]
    families = []
    blank = _blank(tone, factor, density.shape)
    for turned, (ridge, own, other) in enumerate(
        zip(ridges, evenness, evenness[::-1], strict=True)
    ):
        ratio = max(own.spacing, other.spacing) / max(min(own.spacing, other.spacing), 1e-6)
        if own.proves(1.0) or (other.proves(1.0) and ratio < SQUARE and own.proves(FELLOW)):
            nothing = blank if blank is None or not turned else np.ascontiguousarray(blank.T)
            families.append((_followed(ridge, own.spacing, per_mm, nothing), turned))
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
        whole = lines | (_to_their_ends(lines, per_mm) & (1 - (inky.T if turned else inky)))
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


def _hinted(density: F32, per_mm: float) -> bool:
    """Tell, from columns averaged along the rows, whether lines along them may be print."""
    factor = max(1, round(HINT_MM * per_mm))
    size = (max(1, density.shape[1] // factor), density.shape[0])
    along = per_mm * size[0] / density.shape[1]
    return _evenness(_ridges(density, per_mm, along), per_mm, along).proves(HINT)


def _ridges(density: F32, per_mm: float, along: float) -> Bool:
    """Centres of thin unbroken lines along the rows, whose px are brought to ``along`` a mm."""
    wide = max(3, round(WIDEST_MM * per_mm) | 1)
    ground = cv2.morphologyEx(density, cv2.MORPH_OPEN, np.ones((wide, 1), np.uint8))
    dark = np.asarray(np.clip((density - ground) / FAINT, 0.0, 1.0), np.float32)
    if along < per_mm:
        size = (max(1, round(dark.shape[1] * along / per_mm)), dark.shape[0])
        dark = np.asarray(cv2.resize(dark, size, interpolation=cv2.INTER_AREA), np.float32)
    runs = _runs(dark, along, along / per_mm)
    apart = max(3, round(SPACING_MM[0] / 2 * per_mm) | 1)
    crest = runs >= cv2.dilate(runs, np.ones((apart, 1), np.uint8))
    return np.asarray(crest & (runs > 240 * UNBROKEN), np.bool_)


def _blank(tone: Tone, factor: int, shape: tuple[int, ...]) -> U8 | None:
    """Return (h, w) of 0 and 1: what was made blank, holes or a rim; None if nothing was."""
    if not isinstance(tone, Lit) or tone.blank is None:
        return None
    size = shape[1], shape[0]
    blank = cv2.resize(tone.blank.view(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    return np.asarray(blank, np.uint8)


def _followed(ridge: Bool, spacing: float, per_mm: float, blank: U8 | None) -> U8:
    """The ridges that have a fellow at ``spacing`` px, (h, w) of 0 and 1, small breaks closed.

    Beside what is ``blank`` as beside a break: there half a run is bare.
    """
    slack = max(1, round(EVEN * spacing))
    near = cv2.dilate(ridge.astype(np.uint8), np.ones((2 * slack + 1, 3), np.uint8)) > 0
    step = round(spacing)
    fellow = np.zeros(ridge.shape, np.bool_)
    fellow[step:] |= near[:-step]
    fellow[:-step] |= near[step:]
    lines = (ridge & fellow).astype(np.uint8)
    # where a letter or a crossing hides the line for a moment, it goes on
    bridge = np.ones((1, max(3, round(0.7 * RUN_MM * per_mm) | 1)), np.uint8)
    thick = np.asarray(cv2.dilate(lines, np.ones((3, 1), np.uint8)), np.uint8)
    if blank is not None:
        thick |= blank
    closed = np.asarray(cv2.morphologyEx(thick, cv2.MORPH_CLOSE, bridge), np.uint8)
    if blank is not None:
        closed &= 1 - blank
    thin = np.asarray(cv2.erode(closed, np.ones((3, 1), np.uint8)), np.uint8)
    return np.asarray(thin | lines, np.uint8)


def _to_their_ends(lines: U8, per_mm: float) -> U8:
    """Lines along the rows, (h, w) of 0 and 1, up to where they end beside the sheet's border.

    Half of a run about the end of a line is bare, so it was found to some way before it.
    """
    far, border = round(END_MM * per_mm), round(BORDER_MM * per_mm)
    beside = np.asarray(cv2.dilate(lines, np.ones((3, 1), np.uint8)), np.uint8)
    run = np.ones((1, far + 1), np.uint8)
    first, last = lines.copy(), lines.copy()
    first[:, 1:] &= 1 - beside[:, :-1]
    first[:, border:] = 0
    last[:, :-1] &= 1 - beside[:, 1:]
    last[:, : max(0, last.shape[1] - border)] = 0
    before = np.asarray(cv2.dilate(first, run, anchor=(0, 0)), np.uint8)
    after = np.asarray(cv2.dilate(last, run, anchor=(far, 0)), np.uint8)
    return lines | before | after


def _runs(dark: F32, along: float, squeeze: float) -> U8:
    """The darkest mean, 0..240, over a run along the row through each pixel, over all slants.

    ``along`` is px/mm along the rows, ``squeeze`` that over px/mm across them.
    """
    high, wide = dark.shape
    length = max(3, round(RUN_MM * along) | 1)
    level = np.asarray(cv2.convertScaleAbs(dark, alpha=240.0), np.uint8)
    soft = cv2.dilate(level, np.ones((2, 1), np.uint8))
    best = np.zeros(dark.shape, np.uint8)
    for slant in np.array(SLANTS) / squeeze:
        shear = np.array([[1, 0, 0], [slant, 1, -slant * wide / 2]], np.float32)
        flags = cv2.INTER_NEAREST
        sheared = cv2.warpAffine(soft, shear, (wide, high), flags=flags | cv2.WARP_INVERSE_MAP)
        mean = cv2.blur(sheared, (length, 1))
        best = np.maximum(best, cv2.warpAffine(mean, shear, (wide, high), flags=flags))
    # of equals the middle wins: a flat top has no one ridge
    middle = cv2.GaussianBlur(level, (0, 0), sigmaX=length / 4, sigmaY=0.8)
    return np.asarray(cv2.scaleAdd(middle, 0.06, best), np.uint8)


@dataclass(frozen=True)
class _Evenness:
    """Spacing of lines in px, the share of the sheet between such lines, of blocks with them."""

    spacing: float = 0.0
    covered: float = 0.0
    spread: float = 0.0

    def proves(self, part: float) -> bool:
        return self.covered >= part * COVERED and self.spread >= part * SPREAD


def _evenness(ridge: Bool, per_mm: float, along: float) -> _Evenness:
    """How evenly the lines are spaced, from the gaps between neighbours in some columns.

    ``per_mm`` is px/mm across the rows, ``along`` along them.
    """
    high, wide = ridge.shape
    columns = np.arange(round(RUN_MM * along / 2), wide, max(1, round(3 * along)))
    column, row = np.nonzero(ridge[:, columns].T)
    if columns.size < 8 or row.size < 40:
        return _Evenness()
    gap = np.diff(row)
    fits = (np.diff(column) == 0) & (gap > SPACING_MM[0] * per_mm)
    fits &= gap < SPACING_MM[1] * per_mm
    if fits.sum() < 40:
        return _Evenness()
    length = np.bincount(gap[fits], gap[fits])
    spacing = float(np.argmax(np.convolve(length, np.ones(3), "same")))
    even = fits & (np.abs(gap - spacing) <= max(1.0, EVEN * spacing))
    if not even.any():
        return _Evenness()
    block = row[:-1][even] * 5 // high * 5 + column[:-1][even] * 5 // columns.size
    filled = np.bincount(block, gap[even], minlength=25) > 0.15 * high * columns.size / 25
    covered = float(gap[even].sum()) / (high * columns.size)
    return _Evenness(float(np.mean(gap[even])), covered, float(filled.mean()))


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
