"""Strokes that a dry pen broke up, made whole where the network sees them.

Light tells the edge of a wet stroke better than any network, but on a dry one it sees the grain
of the paper. What the network sees beyond light's ink tells the one from the other: along a
wet stroke it is a rim less than two px thick, in a dry one there are gaps that hold a square of
two px a side. Near such gaps the stroke is as wide as the network sees it; elsewhere
light has the last word, and only nicks of a px or two are closed.
"""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F32, Bool
from inkclean.base.tiles import side_by_side, strips
from inkclean.ink.seen.places import Places
from inkclean.sheet.lit import STRIP, averaged, repeated, stretched

# Length of stroke, in mm, over which is asked how much of it are gaps.
ALONG_MM = 0.5
# Shares of the stroke that are gaps: of a wet one at most, of a dry one at least.
WET, DRY = 0.02, 0.08
# Gaps longer than this, in mm, and up to twice so many px wide are paper between lines.
LONG_MM, CHANNEL_PX = 0.9, 2
# Paper clearly shows where light's ink covers less than this.
CLEAR = 0.25
# What light alone takes for ink is as long as the second, in mm, else it is a scrap; what is
# shorter than the first may be dust, which is removed where it can be brought back.
DUST_MM, SCRAP_MM = 0.5, 0.8


def bridge(coverage: F32, places: Places, px_per_mm: float) -> None:
    """Raise ``coverage`` (H, W), in place, to what the network sees of dry strokes."""
    inked = places.inked
    share = averaged(coverage, places.factor)
    light = share >= 0.5
    beyond = inked & ~light
    beyond &= ~paper_between(share, light, LONG_MM * px_per_mm / places.factor)
    gaps = squares(beyond)
    nicks = beyond & closed(light, 1)
    if not gaps.any() and not nicks.any():
        return
    size = 2 * max(1, round(ALONG_MM * px_per_mm / places.factor)) + 1
    stroke = np.asarray(cv2.blur(inked.astype(np.float32), (size, size)), np.float32)
    part = np.asarray(cv2.blur(gaps.astype(np.float32), (size, size)), np.float32)
    part /= np.maximum(stroke, np.float32(1e-6))
    dry = np.clip((part - np.float32(WET)) / np.float32(DRY - WET), 0, 1)
    np.maximum(dry, nicks, out=dry)
    seen = np.asarray(dry * places.share, np.float32)
    high, wide = coverage.shape

    def fill(rows: slice) -> None:
        own = coverage[rows]
        above = seen[rows] if places.factor == 1 else stretched(seen, places.factor, rows, wide)
        np.maximum(own, above, out=own)

    side_by_side(fill, strips(high, STRIP * places.factor))


def drop_scraps(coverage: F32, places: Places, px_per_mm: float) -> None:
    """Take short shapes out of ``coverage`` (H, W), in place, in which the network sees no ink.

    Those of the size of dust stay: they are told as removed later, one by one.
    """
    light = averaged(coverage, places.factor) >= 0.5
    count, label, stats, _ = cv2.connectedComponentsWithStats(light.view(np.uint8), connectivity=8)
    extent = np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    at = np.flatnonzero(places.inked & light)
    seen = np.bincount(np.asarray(label).ravel()[at], minlength=count) > 0
    unit = px_per_mm / places.factor
    scrap = ~seen & (extent < SCRAP_MM * unit) & (extent >= DUST_MM * unit)
    scrap[0] = False
    gone = scrap[np.asarray(label)]
    if not gone.any():
        return
    around = cv2.dilate(gone.view(np.uint8), np.ones((3, 3), np.uint8)) > 0
    around &= ~light | gone
    high, wide = coverage.shape

    def clear(rows: slice) -> None:
        coverage[rows][repeated(around, places.factor, (rows, slice(0, wide)))] = 0

    side_by_side(clear, strips(high, STRIP * places.factor))


def squares(mask: Bool) -> Bool:
    """Return where ``mask`` (H, W) holds a square of two px a side."""
    full = mask[:-1, :-1] & mask[1:, :-1]
    full &= mask[:-1, 1:] & mask[1:, 1:]
    result = np.zeros_like(mask)
    for down in (slice(None, -1), slice(1, None)):
        for across in (slice(None, -1), slice(1, None)):
            result[down, across] |= full
    return result


def closed(mask: Bool, reach: int) -> Bool:
    """Return ``mask`` (H, W) with gaps closed that are up to twice ``reach`` px wide."""
    side = 2 * reach + 1
    kernel = np.ones((side, side), np.uint8)
    shut = cv2.morphologyEx(mask.view(np.uint8), cv2.MORPH_CLOSE, kernel)
    return np.asarray(shut, np.uint8).view(np.bool_)


def paper_between(share: F32, light: Bool, long_px: float) -> Bool:
    """Return where paper lies between lines of ``light``'s ink, whose coverage is ``share``.

    Close lines that the network runs together leave a long narrow gap between them, or cells
    with ink all around in which paper clearly shows; the gaps of a dry stroke are short and open.
    """
    between = closed(light, CHANNEL_PX) & ~light
    count, label, stats, _ = cv2.connectedComponentsWithStats(
        between.view(np.uint8), connectivity=8
    )
    at = np.flatnonzero(between)
    which = np.asarray(label).ravel()[at]
    outside = (~light & ~between).view(np.uint8)
    beside = cv2.dilate(outside, np.ones((3, 3), np.uint8)).ravel()[at]
    cell = np.bincount(which, beside, count) == 0
    clear = np.bincount(which, share.ravel()[at] < CLEAR, count) > 0
    extent = np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    paper = (extent > long_px) | (cell & clear)
    paper[0] = False
    return np.asarray(paper[np.asarray(label)], np.bool_)
