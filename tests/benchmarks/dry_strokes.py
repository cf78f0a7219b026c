"""Strokes of a fine pen that runs dry: how many come out whole.

``python -m tests.benchmarks.dry_strokes`` prints the table. Strokes of KanjiVG and the Hershey
letters (``vector`` where ``INKCLEAN_DATA`` points), which have no part in any fitting, are laid on
a patch of real paper from an open scan, each in a place of its own. Ink lies on the paper's own
tooth as the scan shows it, less and less of it from row to row. Whole: the centreline is covered
and the stroke is in at most two pieces.
"""

from __future__ import annotations

import io
import re
from dataclasses import dataclass

import cv2
import numpy as np
from svgelements import SVG
from svgelements import Path as SvgPath

from inkclean.base.arrays import F32, F64, U8, Bool
from inkclean.page import Page as Chain
from inkclean.sheet.framing.frame import whole_frame
from inkclean.sheet.framing.squaring import square_up
from inkclean.sheet.light import even_light
from inkclean.sheet.values import Photo
from tests.data import folder

GROUPS = ("kanjivg", "hershey_text")
PX_PER_MM = 300 / 25.4
FINE = 4  # the pen draws on a grid so much finer
CELL_MM = 14.0
SHARES = (0.95, 0.7, 0.5, 0.35, 0.25, 0.15)  # of the stroke that ink is left on
WIDTHS_MM = (0.18, 0.25, 0.35, 0.5)
COVERED = 0.97  # share of the centreline that must lie in ink, its last half width aside


@dataclass(frozen=True)
class DryPage:
    """A page of strokes: ``pixels`` (H, W, 3), centrelines in px, their width and share of ink."""

    pixels: U8
    lines: tuple[F64, ...]
    width_px: F64
    share: F64


def centrelines(count: int, rng: np.random.Generator) -> list[F64]:
    """Return strokes of the open sets, each scaled to fit a cell, in mm about its middle."""
    found: list[F64] = []
    files = [path for group in GROUPS for path in sorted((folder("vector") / group).glob("*.svg"))]
    for path in files:
        text = re.sub(r"\skvg:\w+=\"[^\"]*\"", "", path.read_text("utf-8"))
        for element in SVG.parse(io.StringIO(text)).elements():
            if isinstance(element, SvgPath):
                for part in element.as_subpaths():
                    points = np.asarray(SvgPath(part).npoint(np.linspace(0, 1, 60)), np.float64)
                    if np.ptp(points, axis=0).max() > 0:
                        found.append(points)
    result = []
    for k in rng.permutation(len(found))[:count]:
        points = found[k]
        scale = rng.uniform(0.45, 0.8) * CELL_MM / np.ptp(points, axis=0).max()
        result.append((points - (points.max(0) + points.min(0)) / 2) * scale)
    return result


def paper(size: tuple[int, int]) -> F32:
    """Return the reflectance (H, W) of real paper about 1, mirrored to fill ``size``."""
    scan = cv2.imread(str(folder("ink_scans") / "scan05.jpg"), cv2.IMREAD_GRAYSCALE)
    assert scan is not None
    linear = np.asarray((scan / 255.0) ** 2.2, np.float32)
    side = 220
    means = cv2.boxFilter(linear, -1, (side, side))
    dark = cv2.erode(linear, np.ones((side, side), np.uint8))
    y, x = np.unravel_index(
        np.argmax(dark[side:-side, side:-side] + means[side:-side, side:-side]),
        (scan.shape[0] - 2 * side, scan.shape[1] - 2 * side),
    )
    patch = linear[y + side // 2 : y + side // 2 + side, x + side // 2 : x + side // 2 + side]
    patch = patch / patch.mean()
    tile = np.block([[patch, patch[:, ::-1]], [patch[::-1], patch[::-1, ::-1]]])
    times = (-(-size[0] // tile.shape[0]), -(-size[1] // tile.shape[1]))
    return np.tile(tile, times)[: size[0], : size[1]].astype(np.float32)


def page(seed: int, density: float = 2.6, blur_px: float = 0.6) -> DryPage:
    """Draw a page: a row for each share of ink, widths along it."""
    rng = np.random.default_rng(seed)
    columns = 12
    size = round(len(SHARES) * CELL_MM * PX_PER_MM), round(columns * CELL_MM * PX_PER_MM)
    bare = paper(size)
    large = size[1] * FINE, size[0] * FINE
    tooth = np.asarray(cv2.resize(bare, large, interpolation=cv2.INTER_CUBIC), np.float32)
    own = rng.normal(size=(size[0] * 2, size[1] * 2)).astype(np.float32)
    fine = np.asarray(cv2.resize(own, large, interpolation=cv2.INTER_CUBIC), np.float32)
    fine = np.asarray(cv2.GaussianBlur(fine, (0, 0), 1.2), np.float32)
    tooth = tooth / tooth.std() + fine / fine.std()
    tooth -= np.asarray(cv2.GaussianBlur(tooth, (0, 0), 12.0), np.float32)
    light = np.ones(large[::-1], np.float32)
    lines, widths, shares = [], [], []
    strokes = centrelines(len(SHARES) * columns, rng)
    for k, stroke in enumerate(strokes):
        row, column = divmod(k, columns)
        middle = (np.array([column, row]) + 0.5) * CELL_MM
        at = (stroke + middle) * PX_PER_MM
        width = WIDTHS_MM[column % len(WIDTHS_MM)] * PX_PER_MM
        mask = np.zeros(large[::-1], np.uint8)
        pts = np.round(at * FINE * 16).astype(np.int32)
        cv2.polylines(mask, [pts], False, (255,), max(1, round(width * FINE)), cv2.LINE_AA, 4)
        inside = mask > 127
        level = np.quantile(tooth[inside], 1 - SHARES[row])
        laid = np.clip((tooth - level) / (0.35 * tooth[inside].std()) + 0.5, 0, 1)
        light *= np.exp(-density * laid * (mask / np.float32(255)))
        lines.append(at)
        widths.append(width)
        shares.append(SHARES[row])
    small = np.asarray(cv2.resize(light, size[::-1], interpolation=cv2.INTER_AREA), np.float32)
    seen = np.asarray(cv2.GaussianBlur(small * bare, (0, 0), blur_px), np.float32)
    seen += rng.normal(0, 0.006, size).astype(np.float32)
    codes = np.clip(255 * (0.86 * np.maximum(seen, 0)) ** (1 / 2.2), 0, 255).astype(np.uint8)
    grey = np.repeat(codes[..., None], 3, 2)
    return DryPage(grey, tuple(lines), np.array(widths), np.array(shares))


def ink_of(pixels: U8) -> Bool:
    """Return the ink that the package finds, at the picture's own resolution."""
    photo = Photo(pixels, 300.0, "dry")
    frame = whole_frame(photo)
    squared = square_up(photo, frame)
    sheet = even_light(squared.pixels, squared.px_per_mm, frame, squared.inside)
    found: Bool = Chain(None, given={"sheet": sheet, "differing": ()}).ink.coverage > 0.5
    return found


def whole(drawn: DryPage, ink: Bool) -> tuple[Bool, F64]:
    """Return (N,) which strokes are whole, and how many pieces each is in."""
    good, pieces = [], []
    for line, width in zip(drawn.lines, drawn.width_px, strict=True):
        mask = np.zeros(ink.shape, np.uint8)
        pts = np.round((line - 0.5) * 16).astype(np.int32)
        cv2.polylines(mask, [pts], False, (1,), max(1, round(width + 2)), 8, 4)
        own = (ink & (mask > 0)).view(np.uint8)
        count = cv2.connectedComponents(own, connectivity=8)[0] - 1
        along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
        at = np.arange(width / 2, along[-1] - width / 2, 0.5)
        x, y = (np.interp(at, along, line[:, k]) for k in (0, 1))
        near = cv2.dilate(ink.view(np.uint8), np.ones((3, 3), np.uint8))
        covered = near[y.astype(int).clip(0, len(ink) - 1), x.astype(int).clip(0, ink.shape[1] - 1)]
        good.append(covered.mean() >= COVERED and 1 <= count <= 2)
        pieces.append(count)
    return np.array(good), np.array(pieces, np.float64)


def main() -> None:
    """Print the share of whole strokes and their pieces, by the share of ink left on them."""
    kinds = {"dark": (2.6, 0.6), "pale": (0.7, 0.6), "soft": (2.6, 1.1)}
    for name, (density, blur) in kinds.items():
        results = []
        for seed in range(2):
            drawn = page(seed, density, blur)
            good, pieces = whole(drawn, ink_of(drawn.pixels))
            results.append((drawn.share, good, pieces))
        share, good, pieces = (np.concatenate(parts) for parts in zip(*results, strict=True))
        row = "  ".join(
            f"{s:.2f}: {good[share == s].mean():.2f} {pieces[share == s].mean():4.1f}"
            for s in SHARES
        )
        print(f"{name:5} all {good.mean():.3f}   {row}", flush=True)


if __name__ == "__main__":
    main()
