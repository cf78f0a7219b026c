"""Lines that are thin, long, nearly straight and evenly spaced over most of a sheet.

They are found locally: runs of some mm, gaps to the next run.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, U8, Bool

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
# Rows of writing, one a square, are as evenly spaced: between printed lines, these shares of the
# spacing from one, shorter by so much, lies no other, if that holds for so much of its length.
BETWEEN, SHORTER, MOSTLY = (0.2, 0.75), 2.0, 0.5
EACH = 4  # columns asked as one


def hinted(density: F32, per_mm: float) -> bool:
    """Tell, from columns averaged along the rows, whether lines along them may be print."""
    factor = max(1, round(HINT_MM * per_mm))
    size = (max(1, density.shape[1] // factor), density.shape[0])
    along = per_mm * size[0] / density.shape[1]
    return evenness(ridges(density, per_mm, along), per_mm, along).proves(HINT)


def ridges(density: F32, per_mm: float, along: float) -> Bool:
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


def followed(ridge: Bool, spacing: float, per_mm: float, blank: U8 | None) -> U8:
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
    return _between_none(np.asarray(thin | lines, np.uint8), spacing)


def _between_none(lines: U8, spacing: float) -> U8:
    """Lines along the rows, (h, w) of 0 and 1, but short ones between longer ones."""
    high, wide = lines.shape
    size = -(-wide // EACH), high
    padded = np.zeros((high, EACH * size[0]), np.uint8)
    np.multiply(lines, np.uint8(255), out=padded[:, :wide])
    few = np.asarray(cv2.resize(padded, size, interpolation=cv2.INTER_AREA), np.uint8)
    _, parts, stats, _ = cv2.connectedComponentsWithStats(few, connectivity=8)
    long = stats[:, cv2.CC_STAT_WIDTH].astype(np.uint16)
    long[0] = 0
    rows, columns = np.nonzero(few)
    part = parts[rows, columns]
    inner, outer = (round(share * spacing) for share in BETWEEN)
    half = (outer - inner) // 2
    most = np.asarray(cv2.dilate(long[parts], np.ones((2 * half + 1, 1), np.uint8)), np.uint16)
    beaten = np.zeros(len(rows), np.bool_)
    for away in (-inner - half, inner + half):
        at = rows + away
        there = (at >= 0) & (at < high)
        near = most[np.clip(at, 0, high - 1), columns]
        beaten |= there & (near >= SHORTER * long[part])
    count = np.bincount(part, minlength=len(long))
    lost = np.bincount(part[beaten], minlength=len(long)) > MOSTLY * count
    if not lost.any():
        return lines
    gone = (lost * np.uint8(255))[parts]
    whole = cv2.resize(gone, padded.shape[::-1], interpolation=cv2.INTER_NEAREST)
    return np.asarray(cv2.bitwise_and(lines, cv2.bitwise_not(whole[:, :wide])), np.uint8)


def to_their_ends(lines: U8, per_mm: float) -> U8:
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
class Evenness:
    """Spacing of lines in px, the share of the sheet between such lines, of blocks with them."""

    spacing: float = 0.0
    covered: float = 0.0
    spread: float = 0.0

    def proves(self, part: float) -> bool:
        """Tell whether that is ``part`` of what proves print."""
        return self.covered >= part * COVERED and self.spread >= part * SPREAD


def evenness(ridge: Bool, per_mm: float, along: float) -> Evenness:
    """How evenly the lines are spaced, from the gaps between neighbours in some columns.

    ``per_mm`` is px/mm across the rows, ``along`` along them.
    """
    high, wide = ridge.shape
    columns = np.arange(round(RUN_MM * along / 2), wide, max(1, round(3 * along)))
    column, row = np.nonzero(ridge[:, columns].T)
    if columns.size < 8 or row.size < 40:
        return Evenness()
    gap = np.diff(row)
    fits = (np.diff(column) == 0) & (gap > SPACING_MM[0] * per_mm)
    fits &= gap < SPACING_MM[1] * per_mm
    if fits.sum() < 40:
        return Evenness()
    length = np.bincount(gap[fits], gap[fits])
    spacing = float(np.argmax(np.convolve(length, np.ones(3), "same")))
    even = fits & (np.abs(gap - spacing) <= max(1.0, EVEN * spacing))
    if not even.any():
        return Evenness()
    block = row[:-1][even] * 5 // high * 5 + column[:-1][even] * 5 // columns.size
    filled = np.bincount(block, gap[even], minlength=25) > 0.15 * high * columns.size / 25
    covered = float(gap[even].sum()) / (high * columns.size)
    return Evenness(float(np.mean(gap[even])), covered, float(filled.mean()))
