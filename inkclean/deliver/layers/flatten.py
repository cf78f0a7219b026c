"""Layers read from a file, flattened as OpenRaster's stacks are composed.

Operators after W3C Compositing and Blending Level 1, to which the OpenRaster specification
refers (formulas of both). Pictures are (H, W, 4) float32, 0..1, colour times
alpha; composing happens on encoded values, as paint programs do.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from inkclean.base.arrays import F32, U8
from inkclean.deliver.layers.composite import lay_over
from inkclean.deliver.layers.stack import Op

Blend = Callable[[F32, F32], F32]


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
    picture = np.zeros((height, width, 4), np.float32)
    _lay(picture, stack)
    return picture


def _lay(picture: F32, stack: ReadStack) -> None:
    for child in reversed(stack.children):
        if isinstance(child, ReadLayer):
            _lay_layer(picture, child)
        elif not child.isolated and child.opacity >= 1 and child.operator == "svg:src-over":
            _lay(picture, child)
        else:
            group = flatten_stack(child, *picture.shape[:2])
            group *= child.opacity
            compose(picture, group, child.operator)


def _lay_layer(picture: F32, layer: ReadLayer) -> None:
    height, width = layer.pixels.shape[:2]
    top, left = max(layer.y, 0), max(layer.x, 0)
    bottom, right = min(layer.y + height, len(picture)), min(layer.x + width, picture.shape[1])
    # these take away what the source does not cover, outside its own rectangle too
    outside = layer.operator in ("svg:dst-in", "svg:dst-atop")
    if bottom <= top or right <= left:
        if outside:
            picture[:] = 0
        return
    pixels = layer.pixels[top - layer.y : bottom - layer.y, left - layer.x : right - layer.x]
    source = pixels.astype(np.float32)
    source *= 1 / 255
    source[..., 3] *= layer.opacity
    source[..., :3] *= source[..., 3:]
    window = picture[top:bottom, left:right]
    if outside:
        inside = window.copy()
        picture[:] = 0
        window[:] = inside
    compose(window, source, layer.operator)


def on_white(picture: F32) -> U8:
    """Return a premultiplied picture (H, W, 4) on white paper, (H, W, 3) uint8."""
    out = picture[..., :3] + (1 - picture[..., 3:])
    np.clip(out, 0, 1, out=out)
    out *= 255
    return np.asarray(np.rint(out, out=out), np.uint8)
