"""The paper under the drawing: tint, grain, dust, squares, show-through; layers put together."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F32, U8
from inkclean.base.tiles import strips
from inkclean.demo.camera.conditions import Conditions
from inkclean.demo.camera.view import View
from inkclean.demo.drawing.page import DrawnPage
from inkclean.demo.sampling import blur, enlarge, noise

# linear reflectance R, G, B, by eye (no source)
TINTS: dict[str, tuple[float, float, float]] = {
    "white": (0.86, 0.86, 0.87),
    "cream": (0.84, 0.79, 0.66),
    "grey": (0.60, 0.60, 0.59),
}
GRID_RGB = (0.45, 0.68, 0.86)
_GRID_LINE_MM = 0.25
_ROWS = 32  # rows coloured at once: what fits in the cache
_DUST_CLEARANCE_MM = 0.35


def layers(
    page: DrawnPage, dust: int, grid_mm: float, show_through: float, rng: np.random.Generator
) -> tuple[list[U8], F32]:
    """Return the page's shares as 8-bit pictures, and the dust (N, 3) mm.

    First (H, W, 4): ink, pencil beside the ink, dust, the sheet itself; then, only if wanted,
    (H, W, 2): printed squares beside the ink, show-through.
    """
    height, width = page.ink.shape
    ink = cv2.convertScaleAbs(page.ink, alpha=255.0)
    pencil = enlarge(page.pencil, (height, width))
    pencil *= 1.0 - page.ink
    specks, places = _dust(page, dust, rng)
    sheet = np.full((height, width), 255, np.uint8)
    # the last row and column reach only as far as the paper does
    sheet[:, -1] = round(255 * min(1.0, page.paper.width_mm * page.px_per_mm - width + 1))
    sheet[-1] = round(255 * min(1.0, page.paper.height_mm * page.px_per_mm - height + 1))
    first = cv2.merge([ink, cv2.convertScaleAbs(pencil, alpha=255.0), specks, sheet])
    out = [np.asarray(first, np.uint8)]
    if grid_mm or show_through:
        lines = squares(page, grid_mm) if grid_mm else np.zeros((height, width), np.float32)
        lines *= 1.0 - page.ink
        behind = cv2.GaussianBlur(ink[:, ::-1], (0, 0), 0.22 * page.px_per_mm)
        behind = cv2.convertScaleAbs(behind, alpha=show_through)
        second = cv2.merge([cv2.convertScaleAbs(lines, alpha=255.0), behind])
        out.append(np.asarray(second, np.uint8))
    return out, places


def colour(
    shares: F32, page: DrawnPage, c: Conditions, view: View, rng: np.random.Generator
) -> F32:
    """Return the reflectance (H, W, 3) of the sheet, 0 beside it, from its layers' shares."""
    shape = shares.shape[:2]
    grain = _grain(shape, c.grain, view.px_per_mm(), rng)
    sheen = _sheen(shape, c, rng)
    image = np.empty((*shape, 3), np.float32)
    for rows in strips(shape[0], _ROWS):
        ink, pencil, dust, sheet, *printed = cv2.split(shares[rows])
        clean = 1.0 - dust
        for k, (tint, pigment, black) in enumerate(
            zip(TINTS[c.tint], page.pencil_rgb, page.ink_rgb, strict=True)
        ):
            bare = sheet - ink - pencil * (1.0 - pigment)
            if printed:
                bare -= printed[0] * (1.0 - GRID_RGB[k])
                bare *= 1.0 - printed[1]
            image[rows, :, k] = (tint * bare * grain[rows] + ink * (black + sheen[rows])) * clean
    return image


def _grain(
    shape: tuple[int, ...], amount: float, px_per_mm: float, rng: np.random.Generator
) -> F32:
    """Fibres and tooth: about 1 around which the light varies, of 0.1 to 0.3 mm and clouds."""
    fine = blur(noise(shape, rng), max(0.08 * px_per_mm, 0.5))
    fine *= np.float32(amount / max(float(fine[::7, ::7].std()), 1e-6))
    fine += 1.0
    clouds = noise((shape[0] // 40 + 2, shape[1] // 40 + 2), rng) * np.float32(0.4 * amount)
    fine += enlarge(clouds, shape, cubic=True)
    return fine


def _sheen(shape: tuple[int, ...], c: Conditions, rng: np.random.Generator) -> F32:
    """Added reflectance of blacks: the lamp's broad gloss and the brush's uneven film."""
    h, w = shape[0], shape[1]
    y, x = np.mgrid[0:h:16, 0:w:16].astype(np.float32)
    a = np.radians(c.light_from)
    gx, gy = w * (0.5 + 0.3 * np.cos(a)), h * (0.5 + 0.3 * np.sin(a))
    gloss = c.gloss * np.exp(-(((x - gx) / (0.45 * w)) ** 2 + ((y - gy) / (0.35 * h)) ** 2))
    coarse = enlarge(gloss.astype(np.float32), (h, w))
    if c.ink_texture:
        film = np.maximum(noise((h // 5 + 2, w // 14 + 2), rng) - np.float32(0.3), 0.0)
        coarse += np.float32(c.ink_texture) * enlarge(film, (h, w))
    return coarse


def _dust(page: DrawnPage, count: int, rng: np.random.Generator) -> tuple[U8, F32]:
    """Return the specks' layer and places: soft grey, 0.05 to 0.2 mm, away from the ink."""
    height, width = page.ink.shape
    layer = np.zeros((height, width), np.uint8)
    if count == 0:
        return layer, np.zeros((0, 3), np.float32)
    reach = round(_DUST_CLEARANCE_MM * page.px_per_mm)
    near = cv2.boxFilter(page.ink, -1, (2 * reach + 1, 2 * reach + 1))
    margin = 3.0
    places: list[tuple[float, float, float]] = []
    while len(places) < count:
        x = rng.uniform(margin, page.paper.width_mm - margin)
        y = rng.uniform(margin, page.paper.height_mm - margin)
        size = float(rng.uniform(0.05, 0.2))
        row, col = int(y * page.px_per_mm), int(x * page.px_per_mm)
        if near[row, col] < 1e-4:
            places.append((x, y, size))
            _speck(layer, x * page.px_per_mm, y * page.px_per_mm, size * page.px_per_mm, rng)
    return layer, np.array(places, np.float32)


def _speck(layer: U8, x: float, y: float, size: float, rng: np.random.Generator) -> None:
    col, row, half = int(x), int(y), 8
    dy, dx = np.mgrid[-half : half + 1, -half : half + 1]
    rr = ((dx + col + 0.5 - x) ** 2 + (dy + row + 0.5 - y) ** 2) / (0.45 * size) ** 2
    spot = 255 * rng.uniform(0.35, 0.75) * np.exp(-rr / 2)
    part = layer[row - half : row + half + 1, col - half : col + half + 1]
    np.maximum(part, spot.astype(np.uint8), out=part)


def squares(page: DrawnPage, grid_mm: float) -> F32:
    """Share (H, W) of printed squares on the paper: lines of 0.25 mm, a fifth open."""
    share = []
    for count in page.ink.shape[::-1]:
        at = (np.arange(count * 8) + 0.5) / 8 / page.px_per_mm
        line = np.abs((at + grid_mm / 2) % grid_mm - grid_mm / 2) < _GRID_LINE_MM / 2
        share.append(line.reshape(count, 8).mean(axis=1).astype(np.float32))
    across, down = share
    return np.asarray(0.8 * np.maximum(across[None, :], down[:, None]), np.float32)
