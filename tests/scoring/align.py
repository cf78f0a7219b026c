"""The truth brought into the frame of a found sheet, by composing mappings: no estimation."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64
from inkclean.base.units import MM_PER_INCH
from inkclean.demo.camera.shot import Shot
from inkclean.demo.drawing.page import DrawnPage
from inkclean.demo.sampling import look_up

Mapping = Callable[[F64], F64]
PX_PER_MM = 600.0 / MM_PER_INCH
_NODE = 32


@dataclass(frozen=True)
class Aligned:
    """Truth on the caller's grid.

    ``ink`` and ``pencil`` (H, W) float32 coverage, ``px_per_mm`` of the grid. ``to_page`` takes
    (N, 2) mm of the caller's sheet to mm of the true page, ``to_sheet`` back.
    """

    ink: F32
    pencil: F32
    px_per_mm: float
    to_page: Mapping
    to_sheet: Mapping


def align(
    page: DrawnPage,
    shot: Shot,
    sheet_to_photo: Mapping,
    width_mm: float,
    height_mm: float,
    px_per_mm: float = PX_PER_MM,
    size: tuple[int, int] | None = None,
) -> Aligned:
    """Warp the truth to a sheet that lies in the photo as ``sheet_to_photo`` says.

    ``sheet_to_photo`` takes (N, 2) mm on the sheet, origin top left, to (N, 2) continuous photo
    px. ``size`` is (H, W) of the grid if not the rounded one.
    """

    def to_page(xy: F64) -> F64:
        return shot.to_page(np.asarray(sheet_to_photo(xy), np.float64))

    height, width = size or (round(height_mm * px_per_mm), round(width_mm * px_per_mm))
    rows = np.arange(-_NODE, height + 2 * _NODE, _NODE) + _NODE / 2
    cols = np.arange(-_NODE, width + 2 * _NODE, _NODE) + _NODE / 2
    nodes = np.stack(np.meshgrid(cols, rows), axis=-1)
    mm = to_page(nodes.reshape(-1, 2) / px_per_mm).reshape(nodes.shape)
    ink = np.empty((height, width), np.float32)
    pencil = np.empty((height, width), np.float32)
    band = 16
    for k in range(0, len(rows) - 1, band):
        part = mm[k : k + band + 2]
        fine = cv2.resize(
            part.astype(np.float32),
            (part.shape[1] * _NODE, part.shape[0] * _NODE),
            interpolation=cv2.INTER_LINEAR,
        )
        top = k * _NODE
        high = min(band * _NODE, height - top)
        if high <= 0:
            break
        # rows of `fine` start half a node before its first node, which lies one node above
        at = fine[_NODE : _NODE + high, _NODE : _NODE + width]
        for truth, scale, out in (
            (page.ink, page.px_per_mm, ink),
            (page.pencil, page.pencil_px_per_mm, pencil),
        ):
            grid = np.ascontiguousarray(at * np.float32(scale) - np.float32(0.5))
            out[top : top + high] = look_up(truth, grid)
    return Aligned(ink, pencil, px_per_mm, to_page, _inverse(to_page, width_mm, height_mm))


def _inverse(to_page: Mapping, width_mm: float, height_mm: float) -> Mapping:
    """Return the inverse of a nearly affine mapping, by iterating on its affine part."""
    u = np.linspace(0.05, 0.95, 8)
    at = np.stack(np.meshgrid(u * width_mm, u * height_mm), axis=-1).reshape(-1, 2)
    ones = np.concatenate([at, np.ones((len(at), 1))], axis=1)
    matrix = np.linalg.lstsq(ones, to_page(at), rcond=None)[0]
    back = np.linalg.inv(matrix[:2])

    def to_sheet(page_mm: F64) -> F64:
        target = np.asarray(page_mm, np.float64)
        guess = (target - matrix[2]) @ back
        for _ in range(12):
            guess = guess + (target - to_page(guess)) @ back
        return np.asarray(guess, np.float64)

    return to_sheet
