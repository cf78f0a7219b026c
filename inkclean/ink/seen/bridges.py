"""Strokes that a dry pen broke up, made whole where the network sees them.

Light tells the edge of a wet stroke better than any network, but on a dry one it sees the grain
of the paper. What the network sees beyond light's ink tells the one from the other: along a
wet stroke it is a rim less than two px thick, in a dry one there are gaps that hold a square of
two px a side. Near such gaps the stroke is as wide as the network sees it. Where soft marks lie
round about, its ink must be uneven, too, as grain is and pencil on smooth paper is not. Elsewhere
light has the last word, and only nicks of a px or two are closed.
"""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np

from inkclean.base.arrays import F32, I64, Bool
from inkclean.base.compiled import compiled
from inkclean.base.tiles import TILE, Tile, side_by_side, strips, tiles
from inkclean.ink.seen.parts import beside_broad, parts_of
from inkclean.ink.seen.places import FOLD, Places
from inkclean.ink.values import Grey
from inkclean.sheet.lit import STRIP, averaged, repeated, stretched

# one that was compiled earlier lacks it
_above: Any = getattr(compiled("inkclean.ink.seen._cells"), "above", None)

# Length of stroke, in mm, over which is asked how much of it are gaps.
ALONG_MM = 0.65
# Shares of the stroke that are gaps: of a wet one at most, of a dry one at least.
WET, DRY = 0.07, 0.14
# Side of the square, in mm, in which ink is uneven if its coverage deviates by this share of the
# mean: where a pen ran dry grain lies beside gaps, what is left of pencil is even. Blur, in px,
# evens out grain.
GRAIN_MM, BLURS_PX, UNEVEN = 0.75, (0.75, 1.15), (0.3, 0.15)
# Px around a place by which is told whether a stroke is whole there.
WHOLE_PX = 4
# At even odds strokes come out a little wide. The log-odds at the edge are this share of the most
# within so many px, as far as that is more than the last. Whether a stroke is dry is told by a
# wider one: gaps in thin strokes hold no square of two px else.
EDGE, TOLD_EDGE, NEAR_PX, SURE_FROM = 0.33, 0.1, 2, 0.75
# Fall of the log-odds by soft marks round about from which on only uneven ink is a dry stroke's.
WARY = 0.45
# What is broader, in mm, is no fine pen's stroke: unless the odds are so high it keeps its texture.
BROAD_MM, SURE_ODDS = 1.2, 4.0
# Two strokes side by side leave a slit at least so long, in mm: it is filled at such odds only.
SLIT_MM = 1.0
# How far, in mm, a pencil's trace reaches beyond where it was seen.
PENCIL_REACH_MM = 0.2
# What light alone takes for ink is as long as the second, in mm, else it is a scrap; what is
# shorter than the first may be dust, which is removed where it can be brought back.
DUST_MM, SCRAP_MM = 0.5, 0.8


def bridge(coverage: F32, places: Places, grey: Grey, blur_px: float) -> None:
    """Raise ``coverage`` (H, W), in place, to what the network sees of dry strokes.

    ``blur_px`` is the standard deviation of the blur at edges. Where pencil lay none is
    bridged: what is left of it looks like a dry stroke.
    """
    px_per_mm = grey.px_per_mm
    inked = _inked(places)
    inked &= ~_pencilled(grey, places.odds.shape, px_per_mm / places.factor)
    share = averaged(coverage, places.factor)
    light = share >= 0.5
    shut = closed(light, 1)
    shut &= ~light
    unit = px_per_mm / places.factor
    broad = _broad(inked | light | shut, unit)
    _leave_slits(inked, shut, places.odds, unit)
    beyond = inked & ~light
    gaps = squares(beyond)
    nicks = np.logical_and(beyond, shut, out=shut)
    del beyond
    if not gaps.any() and not nicks.any():
        return
    uneven = float(np.interp(blur_px / places.factor, BLURS_PX, UNEVEN))

    def whole(tile: Tile) -> tuple[I64, F32] | None:
        some = nicks[tile.own].astype(np.float32)
        if gaps[tile.around].any():
            here = tile.around
            dry = _dryness(inked[here], gaps[here], unit)
            even = ~_uneven(inked[here], share[here], light[here], unit, uneven)
            dry[even & (places.wary_at(here) > WARY)] = 0
            np.maximum(some, dry[tile.inner], out=some)
        if not some.any():
            return None
        around = cv2.dilate(inked[tile.around].view(np.uint8), np.ones((3, 3), np.uint8))
        some[np.asarray(around)[tile.inner] == 0] = 0
        some[broad[tile.own] & (places.odds[tile.own] < SURE_ODDS)] = 0
        at = np.flatnonzero(some)
        above = _above_edge(places, tile.around, EDGE)[tile.inner].ravel()[at]
        return at, some.ravel()[at] / (1 + np.exp(-above))

    halo = max(_reach(ALONG_MM, unit), _reach(GRAIN_MM / 2, unit) + WHOLE_PX)
    parts = tiles((inked.shape[0], inked.shape[1]), TILE, halo)
    _raise(coverage, places.factor, parts, side_by_side(whole, parts))


def _inked(places: Places) -> Bool:
    """Return (h, w): where a stroke is seen, as wide as it is told by."""
    high, wide = places.odds.shape
    inked: Bool = np.empty((high, wide), np.bool_)

    def fill(tile: Tile) -> None:
        above = _above_edge(places, tile.around, TOLD_EDGE)[tile.inner]
        np.greater(above, 0, out=inked[tile.own])

    side_by_side(fill, tiles((high, wide), TILE, NEAR_PX))
    return inked


def _above_edge(places: Places, part: tuple[slice, slice], edge: float) -> F32:
    """Return (h, w) how far the log-odds of a part lie above those at the ``edge``.

    A stroke that is surer in its middle has its edge at higher odds.
    """
    return (above_by_numpy if _above is None else above_compiled)(places, part, edge)


def above_compiled(places: Places, part: tuple[slice, slice], edge: float) -> F32:
    """Return what ``above_by_numpy`` does, by ``_cells.c``: the same."""
    rows, columns = part
    told = np.empty((rows.stop - rows.start, columns.stop - columns.start), np.float32)
    wide = places.odds.shape[1], rows.start, columns.start
    numbers = [*wide, *told.shape, places.wary.shape[1], FOLD, NEAR_PX]
    _above(places.odds, places.wary, told, np.array(numbers, np.int64), edge, SURE_FROM)
    return told


def above_by_numpy(places: Places, part: tuple[slice, slice], edge: float) -> F32:
    """Return (h, w) how far the log-odds of a part lie above those at the ``edge``."""
    odds = places.odds[part] - places.wary_at(part)
    most = np.asarray(cv2.dilate(odds, np.ones((2 * NEAR_PX + 1,) * 2, np.uint8)), np.float32)
    above = odds - np.float32(edge) * np.maximum(most - np.float32(SURE_FROM), np.float32(0))
    return np.asarray(above, np.float32)


def _raise(
    coverage: F32, factor: int, parts: list[Tile], seen: list[tuple[I64, F32] | None]
) -> None:
    """Raise ``coverage`` (H, W), in place, to what is ``seen`` in each part, elsewhere to 0.

    What is seen are places in the part, raveled, and the coverage there: few, so that they take
    less memory than a plane; ``factor``² px of the coverage make one of theirs.
    """
    high, wide = coverage.shape
    plane = coverage
    if factor > 1:
        plane = np.zeros((-(-high // factor), -(-wide // factor)), np.float32)

    def put(part: tuple[Tile, tuple[I64, F32] | None]) -> None:
        tile, found = part
        own = plane[tile.own]
        np.maximum(own, 0, out=own)
        if found is not None:
            at = np.divmod(found[0], own.shape[1])
            own[at] = np.maximum(own[at], found[1])

    side_by_side(put, list(zip(parts, seen, strict=True)))
    if factor == 1:
        return

    def fill(rows: slice) -> None:
        above = stretched(plane, factor, rows, wide)
        np.maximum(coverage[rows], above, out=coverage[rows])

    side_by_side(fill, strips(high, STRIP * factor))


def _dryness(inked: Bool, gaps: Bool, px_per_mm: float) -> F32:
    """Return (h, w) 0..1: how far the stroke is a dry one; the planes as in ``bridge``."""
    size = (2 * _reach(ALONG_MM, px_per_mm) + 1,) * 2
    stroke = np.asarray(cv2.blur(inked.astype(np.float32), size), np.float32)
    part = np.asarray(cv2.blur(gaps.astype(np.float32), size), np.float32)
    part /= np.maximum(stroke, np.float32(1e-6))
    dry = np.clip((part - np.float32(WET)) / np.float32(DRY - WET), 0, 1)
    return np.asarray(dry, np.float32)


def _broad(inked: Bool, px_per_mm: float) -> Bool:
    """Return where ink is broader than a fine pen's: a brush, or hatching grown together."""
    reach = _reach(BROAD_MM / 2, px_per_mm)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1,) * 2)
    disc = np.asarray(kernel, np.uint8)
    broad = np.zeros_like(inked)

    def fill(tile: Tile) -> None:
        found = beside_broad(inked[tile.around], disc, WHOLE_PX)
        if found is not None:
            broad[tile.own] = found[tile.inner]

    parts = tiles((inked.shape[0], inked.shape[1]), TILE, 2 * reach + WHOLE_PX)
    side_by_side(fill, parts)
    return broad


def _reach(mm: float, px_per_mm: float) -> int:
    """Return how many px around it a place is judged by."""
    return max(1, round(mm * px_per_mm))


def drop_scraps(coverage: F32, places: Places, px_per_mm: float) -> None:
    """Take short shapes out of ``coverage`` (H, W), in place, in which the network sees no ink.

    Those of the size of dust stay: they are told as removed later, one by one.
    """
    light = averaged(coverage, places.factor) >= 0.5
    unit = px_per_mm / places.factor

    def scraps(tile: Tile) -> Bool | None:
        here = light[tile.around]
        seen = places.odds[tile.around] > 0
        gone = parts_of(here, DUST_MM * unit, SCRAP_MM * unit, seen)
        if gone is None:
            return None
        around = cv2.dilate(gone.view(np.uint8), np.ones((3, 3), np.uint8)) > 0
        around &= ~here | gone
        return np.ascontiguousarray(around[tile.inner])

    # so far around a tile that what is a scrap, and a px beside it, lies wholly in sight
    parts = tiles((light.shape[0], light.shape[1]), TILE, math.ceil(SCRAP_MM * unit) + 2)
    for tile, around in zip(parts, side_by_side(scraps, parts), strict=True):
        if around is None:
            continue
        rows, columns = (
            slice(own.start * places.factor, min(own.stop * places.factor, length))
            for own, length in zip(tile.own, coverage.shape, strict=True)
        )
        whole = slice(0, rows.stop - rows.start), slice(0, columns.stop - columns.start)
        coverage[rows, columns][repeated(around, places.factor, whole)] = 0


def _pencilled(grey: Grey, shape: tuple[int, ...], px_per_mm: float) -> Bool:
    """Return (h, w): where pencil was taken away, and close by."""
    if grey.pencilled is None:
        return np.zeros(shape, np.bool_)
    reach = 2 * round(PENCIL_REACH_MM * px_per_mm) + 1
    mask = cv2.resize(grey.pencilled.view(np.uint8), shape[::-1], interpolation=cv2.INTER_NEAREST)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    return np.asarray(cv2.dilate(mask, kernel), np.uint8).view(np.bool_)


def _leave_slits(inked: Bool, shut: Bool, odds: F32, px_per_mm: float) -> None:
    """Take what is not sure in long slits out of ``inked`` (h, w), in place.

    ``shut`` are the gaps of at most two px between strokes of light.
    """
    long = SLIT_MM * px_per_mm

    def slits(tile: Tile) -> None:
        own = inked[tile.own]
        slit = parts_of(shut[tile.around], long) if (own & shut[tile.own]).any() else None
        if slit is not None:
            own &= ~slit[tile.inner] | (odds[tile.own] > SURE_ODDS)

    # a slit that leaves what is seen around a tile is long enough
    halo = math.ceil(long) + 1
    side_by_side(slits, tiles((inked.shape[0], inked.shape[1]), TILE, halo))


def _uneven(inked: Bool, share: F32, light: Bool, px_per_mm: float, least: float) -> Bool:
    """Return where ink deviates by ``least`` of its mean; ``share`` (h, w) is its coverage.

    Whole strokes have no say.
    """
    whole = cv2.morphologyEx(light.view(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    asked = inked & (cv2.dilate(whole, np.ones((5, 5), np.uint8)) == 0)
    size = (2 * _reach(GRAIN_MM / 2, px_per_mm) + 1,) * 2
    some = asked.astype(np.float32)
    count = np.asarray(cv2.blur(some, size), np.float32)
    told = count > np.float32(0.5 / size[0] ** 2)  # running sums leave a trace where nothing is
    count = np.maximum(count, np.float32(1e-6))
    own = np.clip(share, 0, 1) * some
    mean = np.asarray(cv2.blur(own, size), np.float32) / count
    spread = np.asarray(cv2.blur(own * own, size), np.float32) / count - mean * mean
    return np.asarray(told & (spread > (np.float32(least) * mean) ** 2), np.bool_)


def squares(mask: Bool) -> Bool:
    """Return where ``mask`` (H, W) holds a square of two px a side."""
    # beyond the border is paper: at it, too, a square takes two px a side
    square, border = np.ones((2, 2), np.uint8), cv2.BORDER_CONSTANT
    corner = cv2.erode(
        mask.view(np.uint8), square, anchor=(0, 0), borderType=border, borderValue=(0,)
    )
    full = cv2.dilate(corner, square, anchor=(1, 1), borderType=border, borderValue=(0,))
    return np.asarray(full, np.uint8).view(np.bool_)


def closed(mask: Bool, reach: int) -> Bool:
    """Return ``mask`` (H, W) with gaps closed that are up to twice ``reach`` px wide."""
    side = 2 * reach + 1
    kernel = np.ones((side, side), np.uint8)
    shut = cv2.morphologyEx(mask.view(np.uint8), cv2.MORPH_CLOSE, kernel)
    return np.asarray(shut, np.uint8).view(np.bool_)
