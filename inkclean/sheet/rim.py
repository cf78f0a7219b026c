"""What lies along a sheet's border and is no ink: a scanner's rim, its lid's shadow, crumbs.

A rim is dark from the border on, a few mm deep at most, its inner edge as smooth as the glass's or
the paper's own; strokes that run off the page are short along the border, and blacks go on into the
page. On a sheet cut out along its found edges, what is dark for less than the error of the edge is
the table, or the shadow under a curled edge.
"""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F32, I64, U8, Bool
from inkclean.sheet.lit import Tone, every, shape_of

# Darker than this, of bare paper, is dark.
DARK = 0.6
# A rim starts so near the border, is at most so deep and at least so long, in mm.
START_MM, DEEPEST_MM, SHORTEST_MM = 0.3, 4.0, 12.0
# One no deeper than this, a px or two of the glass's edge, is one already if it is no paper.
FAINT, FAINT_MM = 0.93, 0.2
# Its inner edge strays so little from its own median over so many mm; so short gaps are no end.
SMOOTH_MM, WINDOW_MM, GAP_MM = 0.25, 8.0, 1.5
# On a sheet that was found, all that is dark no deeper than this is none of its own.
CRUMB_MM = 0.8
# What is taken off reaches so far beyond the dark: its blurred edge, in mm.
BEYOND_MM = 0.25
# Every so many px along the border are asked; they are averaged over so many mm.
STEP_PX, MEAN_MM = 2, 0.5


def find_rim(tone: Tone, px_per_mm: float, *, cut_out: bool) -> Bool | None:
    """Return (H, W) bool, True on the rim; None without one.

    ``tone`` is the sheet's reflectance, ``cut_out`` whether it was cut out along found edges.
    """
    high, wide = shape_of(tone)
    most = round((DEEPEST_MM + BEYOND_MM) * px_per_mm) + 2
    if min(high, wide) < 4 * most:
        return None
    thin = slice(None, None, STEP_PX)
    near = slice(0, most)
    mask = np.zeros((high, wide), np.bool_)
    for border, turned in (
        (every(tone, near, thin, 1), mask),
        (every(tone, _upwards(high, most), thin, 1)[::-1], mask[::-1]),
        (every(tone, thin, near, 1).T, mask.T),
        (every(tone, thin, _upwards(wide, most), 1)[:, ::-1].T, mask[:, ::-1].T),
    ):
        depth = _rim_depth(np.ascontiguousarray(border), px_per_mm, cut_out)
        if depth.any():
            along = np.repeat(depth, STEP_PX)[: turned.shape[1]]
            turned[:most, : len(along)] |= np.arange(most)[:, None] < along
    return mask if mask.any() else None


def _upwards(length: int, most: int) -> slice:
    return slice(length - most, length)


def _rim_depth(border: F32, px_per_mm: float, cut_out: bool) -> U8:
    """Return (n,) how many px of each column of ``border`` (m, n), from its border on, are rim."""
    pace = STEP_PX / px_per_mm  # mm between columns
    mean = np.asarray(cv2.blur(border, (max(1, round(MEAN_MM / pace)) | 1, 1)), np.float32)
    depth = _deep(mean, DARK, px_per_mm)
    faint = _deep(mean, FAINT, px_per_mm)
    depth = np.where((depth == 0) & (faint <= max(2.0, FAINT_MM * px_per_mm)), faint, depth)
    shallow = (depth > 0) & (depth < DEEPEST_MM * px_per_mm)
    window = min(255, max(3, round(WINDOW_MM / pace)) | 1)
    codes = np.minimum(depth, 255).astype(np.uint8)[None]
    median = cv2.medianBlur(np.repeat(codes, 3, axis=0), window)[1].astype(np.int64)
    smooth = shallow & (np.abs(depth - median) <= max(1.0, SMOOTH_MM * px_per_mm))
    row = smooth.astype(np.uint8)[None]
    row = cv2.morphologyEx(row, cv2.MORPH_CLOSE, _run(GAP_MM / pace))
    row = cv2.morphologyEx(
        np.asarray(row), cv2.MORPH_OPEN, _run(SHORTEST_MM / pace), borderType=cv2.BORDER_REPLICATE
    )
    rim = np.asarray(row)[0] > 0
    # a stroke that runs off the page ends where the rim around it does
    depth = np.where(rim & ~smooth, median, depth)
    if cut_out:
        rim |= shallow & (depth <= CRUMB_MM * px_per_mm)
    beyond = round(BEYOND_MM * px_per_mm)
    return np.where(rim & (depth > 0), np.minimum(depth + beyond, 255), 0).astype(np.uint8)


def _deep(mean: F32, level: float, px_per_mm: float) -> I64:
    """Return (n,) how many px of each column, from its border on, are darker than ``level``."""
    dark = mean < level
    first = dark.argmax(axis=0)
    starts = dark.any(axis=0) & (first <= START_MM * px_per_mm)
    light = ~(dark | (np.arange(len(dark))[:, None] < first))
    depth = np.where(light.any(axis=0), light.argmax(axis=0), len(dark)) * starts
    return np.asarray(depth, np.int64)


def _run(length: float) -> U8:
    return np.ones((1, max(1, round(length)) | 1), np.uint8)
