"""Layers read from a file, flattened as OpenRaster's stacks are composed.

Operators after W3C Compositing and Blending Level 1, to which the OpenRaster specification
refers (formulas of both). Pictures are (H, W, 4) float32, 0..1, colour times
alpha; composing happens on encoded values, as paint programs do.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from inkclean.base.arrays import F32, U8
from inkclean.deliver.layers.composite import lay_over
from inkclean.deliver.layers.stack import Op

Blend = Callable[[F32, F32], F32]
_TILE = 256  # px: a tile and what is composed on it stay in the cache
_WORKERS = 2


@dataclass(frozen=True)
class ReadLayer:
    """One picture, (h, w, 4) uint8 with straight alpha, at an offset in px, as in stack.xml."""

    name: str
    pixels: U8
    x: int = 0
    y: int = 0
    opacity: float = 1.0
    operator: str = "svg:src-over"


@dataclass(frozen=True)
class ReadStack:
    """Layers and stacks within one another, the uppermost first."""

    children: tuple[ReadLayer | ReadStack, ...]
    name: str = ""
    opacity: float = 1.0
    operator: str = "svg:src-over"
    isolated: bool = False


def _hard_light(below: F32, above: F32) -> F32:
    double = 2 * above
    return np.where(above <= 0.5, below * double, below + (double - 1) * (1 - below))


def _dodge(below: F32, above: F32) -> F32:
    full = np.minimum(1, below / np.maximum(1 - above, 1e-6))
    return np.where(below <= 0, 0, full).astype(np.float32)


def _burn(below: F32, above: F32) -> F32:
    full = 1 - np.minimum(1, (1 - below) / np.maximum(above, 1e-6))
    return np.where(below >= 1, 1, full).astype(np.float32)


def _soft_light(below: F32, above: F32) -> F32:
    curve = np.where(below <= 0.25, ((16 * below - 12) * below + 4) * below, np.sqrt(below))
    darker = below - (1 - 2 * above) * below * (1 - below)
    return np.where(above <= 0.5, darker, below + (2 * above - 1) * (curve - below))


# what the package's own pages need stands in composite; these are for pages from elsewhere
BLENDS: dict[str, Blend] = {
    "svg:overlay": lambda below, above: _hard_light(above, below),
    "svg:darken": np.minimum,
    "svg:lighten": np.maximum,
    "svg:color-dodge": _dodge,
    "svg:color-burn": _burn,
    "svg:hard-light": _hard_light,
    "svg:soft-light": _soft_light,
    "svg:difference": lambda below, above: np.abs(below - above),
}
# Shares of source and backdrop by the alpha of backdrop and source (Porter and Duff, 1984).
SHARES: dict[str, Callable[[F32, F32], tuple[F32, F32]]] = {
    "svg:plus": lambda below, above: (np.ones_like(above), np.ones_like(below)),
    "svg:dst-in": lambda below, above: (np.zeros_like(above), above),
    "svg:dst-out": lambda below, above: (np.zeros_like(above), 1 - above),
    "svg:dst-atop": lambda below, above: (1 - below, above),
}
OWN: dict[str, Op] = {
    "svg:src-over": "svg:src-over",
    "svg:src-atop": "svg:src-atop",
    "svg:multiply": "svg:multiply",
    "svg:screen": "svg:screen",
}
OPERATORS = frozenset(BLENDS) | frozenset(SHARES) | frozenset(OWN)


def compose(backdrop: F32, source: F32, operator: str) -> None:
    """Lay ``source`` on ``backdrop`` in place; both (h, w, 4), premultiplied, of one shape."""
    if operator in OWN:
        lay_over(np.moveaxis(backdrop, -1, 0), np.moveaxis(source, -1, 0), OWN[operator])
        return
    above, below = source[..., 3:], backdrop[..., 3:].copy()
    if operator in SHARES:
        share, rest = SHARES[operator](below, above)
        backdrop *= rest
        backdrop += source * share
        np.minimum(backdrop, 1.0, out=backdrop)
        return
    colour = np.asarray(backdrop[..., :3] / np.maximum(below, 1e-6), np.float32)
    own = np.asarray(source[..., :3] / np.maximum(above, 1e-6), np.float32)
    mixed = BLENDS[operator](colour, own)
    backdrop[..., :3] *= 1 - above
    backdrop[..., :3] += source[..., :3] * (1 - below) + mixed * (above * below)
    backdrop[..., 3:] = above + below * (1 - above)


def flatten_stack(stack: ReadStack, height: int, width: int) -> F32:
    """Return the stack on nothing, (height, width, 4) float32, premultiplied."""
    picture = np.empty((height, width, 4), np.float32)

    def keep(rows: slice, columns: slice, tile: F32) -> None:
        picture[rows, columns] = np.moveaxis(tile, 0, -1)

    _by_tiles(stack, height, width, keep)
    return picture


def flattened(stack: ReadStack, height: int, width: int) -> U8:
    """Return the stack on white paper, (height, width, 3) uint8."""
    picture = np.empty((height, width, 3), np.uint8)

    def keep(rows: slice, columns: slice, tile: F32) -> None:
        picture[rows, columns] = on_white(np.moveaxis(tile, 0, -1))

    _by_tiles(stack, height, width, keep)
    return picture


def _by_tiles(
    stack: ReadStack, height: int, width: int, keep: Callable[[slice, slice, F32], None]
) -> None:
    """Compose a tile at a time, which stays in the cache; ``keep`` is given each (4, h, w)."""

    def band(top: int) -> None:
        rows = slice(top, min(top + _TILE, height))
        for left in range(0, width, _TILE):
            columns = slice(left, min(left + _TILE, width))
            tile = np.zeros((4, rows.stop - top, columns.stop - left), np.float32)
            _lay(tile, stack, top, left)
            keep(rows, columns, tile)

    with ThreadPoolExecutor(_WORKERS) as pool:
        list(pool.map(band, range(0, height, _TILE)))


def _lay(tile: F32, stack: ReadStack, top: int, left: int) -> None:
    """Lay a stack on a tile (4, h, w) whose first pixel lies at ``top``, ``left``."""
    for child in reversed(stack.children):
        if isinstance(child, ReadLayer):
            _lay_layer(tile, child, top, left)
        elif not child.isolated and child.opacity >= 1 and child.operator == "svg:src-over":
            _lay(tile, child, top, left)
        else:
            group = np.zeros_like(tile)
            _lay(group, child, top, left)
            if child.opacity != 1:
                group *= child.opacity
            if child.operator in SHARES or group[3].any():
                _lay_planes(tile, group, child.operator)


def _lay_planes(backdrop: F32, source: F32, operator: str) -> None:
    """:func:`compose` on planes, (4, h, w)."""
    if operator in OWN:
        lay_over(backdrop, source, OWN[operator])
    else:
        compose(np.moveaxis(backdrop, 0, -1), np.moveaxis(source, 0, -1), operator)


def _lay_layer(tile: F32, layer: ReadLayer, above: int, before: int) -> None:
    height, width = layer.pixels.shape[:2]
    x, y = layer.x - before, layer.y - above
    top, left = max(y, 0), max(x, 0)
    bottom, right = min(y + height, tile.shape[1]), min(x + width, tile.shape[2])
    # these take away what the source does not cover, outside its own rectangle too
    outside = layer.operator in ("svg:dst-in", "svg:dst-atop")
    if bottom <= top or right <= left:
        if outside:
            tile[:] = 0
        return
    pixels = layer.pixels[top - y : bottom - y, left - x : right - x]
    window = tile[:, top:bottom, left:right]
    alpha = pixels[..., 3]
    # without alpha nothing is laid, whatever the blend; shares may take away
    if layer.operator not in SHARES and not alpha.any():
        return
    if layer.operator == "svg:src-over" and layer.opacity == 1 and _all_or_nothing(alpha):
        there = alpha != 0
        for plane, channel in zip(window, np.moveaxis(pixels, -1, 0), strict=True):
            np.copyto(plane, channel * np.float32(1 / 255), where=there)
        return
    source = np.moveaxis(pixels, -1, 0).astype(np.float32, order="C")
    source *= 1 / 255
    source[3] *= layer.opacity
    source[:3] *= source[3]
    if outside:
        inside = window.copy()
        tile[:] = 0
        window[:] = inside
    _lay_planes(window, source, layer.operator)


def _all_or_nothing(alpha: U8) -> bool:
    return not ((alpha != 0) & (alpha != 255)).any()


def on_white(picture: F32) -> U8:
    """Return a premultiplied picture (H, W, 4) on white paper, (H, W, 3) uint8."""
    out = picture[..., :3] + (1 - picture[..., 3:])
    np.clip(out, 0, 1, out=out)
    out *= 255
    return np.asarray(np.rint(out, out=out), np.uint8)
