"""The cut: from the grey sheet to how much of each pixel is ink.

Two questions. Where ink is a network tells (``places``). Where its edge runs is read in linear
light, at the level that the height of the stroke against full ink gives (``levels``, ``depth``):
there a blurred edge passes half. Where a pen ran dry light breaks a stroke up, and what the
network sees bridges it (``bridges``). On coarse pictures, where no level of light can be read,
the network and the crispness of edges are added up (``coarse``).
"""

from __future__ import annotations

import math

import cv2
import numpy as np

from inkclean.base.arrays import F32, Bool
from inkclean.base.memory import hand_back
from inkclean.base.tiles import TILE, Tile, side_by_side, tiles
from inkclean.ink.depth import BLOCK_PX, absorbed_by, ink_depth
from inkclean.ink.edges import settle_edges
from inkclean.ink.levels import EdgeLevels, deblur, deblur_gain, disc
from inkclean.ink.seen.bridges import DUST_MM, bridge, drop_scraps
from inkclean.ink.seen.coarse import coarse_ink
from inkclean.ink.seen.parts import parts_of
from inkclean.ink.seen.places import Places, find_places
from inkclean.ink.values import Grey
from inkclean.sheet.lit import repeated

# Scale in px/mm from which on the level of light tells the edge, and below which the decision
# does: there a fine pen's line is under two px wide, sampled too coarsely to read a level, and
# small pictures are old, stained or squeezed more often than not.
COARSE = (8.5, 7.2)
# The same where the scale is known, not guessed from the picture's shape: a scan that states its
# resolution is even and sharp, and its lines keep their width down to about 100 dpi.
COARSE_KNOWN = (4.5, 3.5)
# How far, in σ and a half px on top, the edge may lie outside of what was decided.
SLACK_BLURS = 1.0
# What absorbs the first share of full ink is ink, unless the network is sure that it is none;
# what absorbs the second is ink in any case.
SURELY_INK, FULL_INK = 0.45, 0.8


def cut(
    grey: Grey,
    *,
    noise: float,
    blur_px: float,
    scale_known: bool = False,
) -> F32:
    """Return the coverage of ink.

    Args:
        grey: the sheet with ink alone on it.
        noise: standard deviation of bare paper's reflectance.
        blur_px: standard deviation of the blur at edges, in px, the pixel's own box included.
        scale_known: the sheet's scale is measured or stated, not guessed.

    Returns:
        (H, W) float32, 0..1; read bilinearly between pixel centres, its 0.5 level is the ink's
        edge.
    """
    places = find_places(grey.ink, grey.px_per_mm)
    trust = _trust_in_light(grey.px_per_mm, COARSE_KNOWN if scale_known else COARSE)
    if trust == 0:
        coverage = coarse_ink(grey.ink, places)
    else:
        coverage = by_light(grey, places, noise, blur_px)
        settle_edges(coverage, blur_px)
        drop_scraps(coverage, places, grey.px_per_mm)
        bridge(coverage, places, grey, blur_px)
        if trust < 1:
            coverage *= np.float32(trust)
            coverage += np.float32(1 - trust) * coarse_ink(grey.ink, places)
    hand_back()  # no step to come takes as much
    return np.asarray(np.clip(coverage, 0, 1, out=coverage), np.float32)


def _trust_in_light(px_per_mm: float, coarse: tuple[float, float]) -> float:
    """Return 0..1: how far the level of light tells the edge on this page."""
    return float(np.interp(px_per_mm, coarse[::-1], (0.0, 1.0)))


def by_light(grey: Grey, places: Places, noise: float, blur_px: float) -> F32:
    """Return the coverage (H, W) as the level of light has it, under 0 and over 1 too."""
    ink = grey.ink
    shape = (ink.shape[0], ink.shape[1])
    depth = ink_depth(ink, grey.px_per_mm, blur_px, noise, places)
    reach = SLACK_BLURS * blur_px + 0.5
    grown = cv2.dilate(places.inked.view(np.uint8), disc(reach / places.factor))
    around = np.asarray(grown).view(np.bool_)
    gain = deblur_gain(blur_px)
    levels = EdgeLevels(blur_px, gain)
    palest = 1 - SURELY_INK * depth.least
    denied = places.denied
    coverage = np.zeros(shape, np.float32)

    def fill(tile: Tile) -> None:
        near = repeated(around, places.factor, tile.around)
        part = ink[tile.around]
        if not near.any() and part.min(initial=1.0) > palest:
            return
        share = absorbed_by(part)
        share /= depth.over(tile.around)
        np.clip(share, -0.2, 1.1, out=share)
        paper = share < SURELY_INK
        none = repeated(denied, places.factor, tile.around) & (share < FULL_INK) & ~paper
        paper |= _larger(none, DUST_MM * grey.px_per_mm)
        share = deblur(share, blur_px, gain)
        share -= levels.of(share)
        share += np.float32(0.5)
        nothing = cv2.erode(paper.view(np.uint8), disc(reach)) > 0
        nothing &= ~near
        np.putmask(share, nothing, 0)
        coverage[tile.own] = share[tile.inner]

    halo = BLOCK_PX * math.ceil((levels.reach + math.ceil(reach) + 2) / BLOCK_PX)
    side_by_side(fill, tiles(shape, TILE, halo))
    return coverage


def _larger(mask: Bool, px: float) -> Bool:
    """Return the parts of ``mask`` (H, W) that are ``px`` or more high or wide.

    Smaller ones may be dust, which is removed where it can be brought back.
    """
    parts = parts_of(mask, px)
    return np.zeros_like(mask) if parts is None else parts
