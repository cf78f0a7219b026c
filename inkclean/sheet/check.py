"""How well the page was photographed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import cv2
import numpy as np

from inkclean.base.arrays import F32, U8, length
from inkclean.sheet.lit import every
from inkclean.sheet.values import Capture, Photo, Sheet

# Tiles of the page, its busiest, in which edges are looked for: enough for a steady estimate.
TILES = 40
TILE_PX = 192  # side of a tile
# Busy ones are told by every so many rows and columns.
THIN = 4
# An edge counts if it falls by this much of the paper's brightness, more than grain does.
LEAST_STEP = 0.2
# Fewer of them say nothing.
LEAST_EDGES = 40
# Share of the page's firmest steps that an edge has: thin strokes look sharper than they are.
FIRM_SHARE = 0.93
# What a page without any edge is taken to have.
USUAL_BLUR_PX = 1.0
# Widest blur looked for: three of it must fit the window that finds an edge's two levels.
BLUR_STEPS_PX = (1.1, 2.2, 4.4)
# Variance that the central difference adds to an edge's width (a box of two px).
DIFFERENCE_VARIANCE = 1.0 / 3.0
# Edges are blurred at least by the pixel's own box.
PIXEL_SIGMA = 0.289
# The sharp ones among the edges: those of thin or curved strokes look softer than the lens is.
SHARP_QUANTILE = 0.35
# Blurs that a line is wide to keep 93 % of its width when cut half-way; below 1.349 it vanishes.
WHOLE_LINE = 2.0
# No lens and sensor give edges sharper than this, in px.
SHARPEST_PX = 0.5
# From where a photo is no longer good, and poor (common practice, no source).
LINE_MM = (0.22, 0.45)  # thinnest whole line; fine pens draw 0.2 to 0.3
LIGHT_RATIO = (2.5, 6.0)  # brightest over darkest light
CLIPPED = (0.25, 0.6)  # share of pixels without any detail
PAPER_CODE = (110, 60)  # sRGB code of the paper: darker paper drowns its ink in noise
_GRADES: tuple[Literal["good", "fair", "poor"], ...] = ("good", "fair", "poor")


def edge_blur_px(channel: F32) -> float:
    """Return the standard deviation of the blur at the sharp edges of a page, in px.

    ``channel`` is (H, W) float32 reflectance in linear light, 1.0 = paper. An edge of step h
    under Gaussian blur σ has the steepest slope h / (σ √2π); the steps are read from the
    lightest and darkest level around each crest of the slope. The pixel's own box counts as
    blur. A page without any edge gives 1.
    """
    thin = np.ascontiguousarray(channel[::THIN, ::THIN])
    height, width = channel.shape
    return _blur_px(thin, (height, width), lambda rows, columns: channel[rows, columns])


def sheet_blur_px(sheet: Sheet) -> float:
    """Return the blur of a sheet as ``edge_blur_px`` does, from its green."""

    def green(rows: slice, columns: slice) -> F32:
        return every(sheet.tone, rows, columns, 1)

    thin = slice(None, None, THIN)
    return _blur_px(green(thin, thin), sheet.shape, green)


def _blur_px(thin: F32, shape: tuple[int, int], cut: Callable[[slice, slice], F32]) -> float:
    """Return the blur of a channel given every ``THIN``-th px of it and a way to cut tiles."""
    if min(shape) < 16:
        return USUAL_BLUR_PX
    tiles = _busy_tiles(thin, shape, cut)
    found = USUAL_BLUR_PX
    for sigma in BLUR_STEPS_PX:
        found_edges = [_edges(tile, int(np.ceil(3 * sigma))) for tile in tiles]
        edges = np.concatenate([*found_edges, np.zeros((0, 2), np.float32)])
        if len(edges) < LEAST_EDGES:
            continue
        firm = edges[:, 0] >= FIRM_SHARE * np.quantile(edges[:, 0], 0.9)
        variance = float(np.quantile(edges[firm, 1], SHARP_QUANTILE)) ** 2 - DIFFERENCE_VARIANCE
        found = float(np.sqrt(max(variance, PIXEL_SIGMA**2)))
        if found <= sigma:
            break
    return found


def _busy_tiles(thin: F32, shape: tuple[int, int], cut: Callable[[slice, slice], F32]) -> list[F32]:
    """Return the tiles of the page with the most edges in them."""
    height, width = shape
    rough = np.abs(thin[1:, 1:] - thin[:-1, :-1])
    step = TILE_PX // THIN
    rows, columns = max(1, rough.shape[0] // step), max(1, rough.shape[1] // step)
    means = cv2.resize(rough, (columns, rows), interpolation=cv2.INTER_AREA)
    order = np.argsort(np.asarray(means).ravel())[::-1][:TILES]
    tiles = []
    for at in order:
        y, x = divmod(int(at), columns)
        y, x = y * height // rows, x * width // columns
        down, across = slice(y, min(y + TILE_PX, height)), slice(x, min(x + TILE_PX, width))
        tiles.append(np.ascontiguousarray(cut(down, across)))
    return [tile for tile in tiles if min(tile.shape) > 8]


def _edges(tile: F32, reach: int) -> F32:
    """Return (N, 2): step and σ in px, the difference's own width included, at every crest."""
    kernel = np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)
    light, dark = cv2.dilate(tile, kernel), cv2.erode(tile, kernel)
    across = np.zeros_like(tile)
    down = np.zeros_like(tile)
    across[:, 1:-1] = 0.5 * (tile[:, 2:] - tile[:, :-2])
    down[1:-1] = 0.5 * (tile[2:] - tile[:-2])
    slope = length(across, down)
    crest = slope >= np.asarray(cv2.dilate(slope, np.ones((3, 3), np.uint8)))
    step = np.minimum(np.asarray(light), 1.05) - np.asarray(dark)
    middle = np.abs(tile - 0.5 * (np.asarray(light) + np.asarray(dark))) < 0.2 * step
    crest &= (step > LEAST_STEP) & middle & (slope > 0)
    width = step[crest] / (slope[crest] * np.float32(np.sqrt(2 * np.pi)))
    return np.stack([step[crest], width], axis=1)


def check_capture(sheet: Sheet, photo: Photo) -> Capture:
    """Return how well the page was photographed, with the cure in plain words.

    A line w wide under blur σ, cut half-way, keeps 93 % of its width at w = 2 σ and is gone
    below 1.35 σ; the first is reported as the thinnest line that stays whole.
    """
    blur = sheet_blur_px(sheet)
    thinnest_mm = WHOLE_LINE * blur / sheet.px_per_mm
    ratio = _light_ratio(sheet)
    shown = _shown(photo, sheet)
    red, green, blue = cv2.split(shown)
    lowest, highest = cv2.min(cv2.min(red, green), blue), cv2.max(cv2.max(red, green), blue)
    clipped = float(((np.asarray(lowest) == 255) | (np.asarray(highest) == 0)).mean())
    paper = float(np.quantile(green, 0.8))
    findings = [
        (_grade(thinnest_mm, LINE_MM), _line_advice(thinnest_mm, blur)),
        (
            _grade(ratio, LIGHT_RATIO),
            f"uneven light, {ratio:.1f} to 1 across the page: move the page out of the shadow",
        ),
        (
            _grade(-paper, (-PAPER_CODE[0], -PAPER_CODE[1])),
            "too dark: use more light",
        ),
        (
            0 if sheet.frame.framed == "whole" else _grade(clipped, CLIPPED),
            f"{clipped:.0%} of the picture is too bright or dark to show detail: expose it less",
        ),
    ]
    worst = max(grade for grade, _ in findings)
    advice = "; ".join(text for grade, text in findings if grade) or "no problems found"
    return Capture(
        sharpness=min(1.0, SHARPEST_PX / blur),
        blur_px=blur,
        thinnest_mm=thinnest_mm,
        light_ratio=ratio,
        clipped_share=clipped,
        verdict=_GRADES[worst],
        advice=advice,
    )


def _grade(value: float, limits: tuple[float, float]) -> int:
    """Return 0, 1 or 2: below both limits, between them, above them."""
    return int(value > limits[0]) + int(value > limits[1])


def _line_advice(thinnest_mm: float, blur_px: float) -> str:
    soft = blur_px > 1.6
    cause = "soft focus" if soft else "too few pixels for this page"
    cure = "hold the camera still and let it focus" if soft else "hold the camera closer"
    return f"{cause}: lines under {thinnest_mm:.2f} mm will break; {cure}, or scan the page"


def _light_ratio(sheet: Sheet) -> float:
    light = sheet.shading.mean(axis=2)
    low, high = np.quantile(light, [0.02, 0.98])
    return float(high / max(low, 1e-6))


def _shown(photo: Photo, sheet: Sheet) -> U8:
    """Return the part of the photo around the page, thinned out."""
    height, width = photo.pixels.shape[:2]
    low = np.clip(sheet.frame.corners_px.min(axis=0), 0, (width - 1, height - 1)).astype(int)
    high = np.clip(sheet.frame.corners_px.max(axis=0), low + 1, (width, height)).astype(int)
    return np.ascontiguousarray(photo.pixels[low[1] : high[1] : 4, low[0] : high[0] : 4])
