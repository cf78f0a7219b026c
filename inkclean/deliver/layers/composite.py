"""Layers laid over one another, by the formulas of the W3C.

"Compositing and Blending Level 1", W3C Recommendation, sections 5, 9 and 10: with colours
multiplied by their alpha (s the source's, b the backdrop's; αs, αb the alphas)

- source-over    s + b·(1 − αs)
- source-atop    s·αb + b·(1 − αs), alpha αb
- multiply       s·(1 − αb) + b·(1 − αs) + s·b
- screen         s + b − s·b

and alpha αs + αb − αs·αb where nothing else is said. Done in sRGB as it is encoded, as
OpenRaster has it.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np

from inkclean.base.arrays import F32, U8, Bool
from inkclean.deliver.layers.stack import Box, Group, Layer, Op, Stack

# a tile and what is computed on it stay in the cache
_TILE = 256
_WORKERS = 2


class _Canvas:
    """A tile being composed: bytes as long as plain copies will do, planes of floats after.

    ``planes`` is (4, h, w) float32, R G B multiplied by alpha, and alpha; 0..1.
    """

    def __init__(self, box: Box) -> None:
        self.box = box
        self._bytes: U8 | None = np.zeros((*box.shape, 4), np.uint8)
        self._planes: F32 | None = None

    def copy_in(self, pixels: U8, mask: U8, place: tuple[slice, slice]) -> None:
        """Copy ``pixels`` (h, w, 4), each all there or not at all, where ``mask`` is not 0."""
        if self._bytes is not None:
            part: U8 = self._bytes[place]
            part[:] = cv2.copyTo(pixels, mask, part.copy())
        else:
            np.copyto(self.planes[:, *place], planes_of(pixels), where=mask != 0)

    @property
    def planes(self) -> F32:
        if self._planes is None:
            assert self._bytes is not None  # noqa: S101 - it is one or the other
            self._planes = planes_of(self._bytes)
            self._bytes = None
        return self._planes

    def as_bytes(self) -> U8:
        """Return the tile (h, w, 4) uint8 RGBA, colour not multiplied by alpha."""
        if self._bytes is not None:
            return self._bytes
        red, green, blue, alpha = self.planes
        if alpha.min() < 1.0:
            safe = np.where(alpha > 0, alpha, np.float32(1))
            red, green, blue = red / safe, green / safe, blue / safe
        merged = cv2.merge([red, green, blue, alpha])
        return np.asarray(cv2.convertScaleAbs(merged, alpha=255.0), np.uint8)


def render_group(stack: Stack, only: U8 | None = None) -> U8:
    """Return the page (H, W, 4) uint8 RGBA, colour not multiplied by alpha.

    Parts of it without any pixel of ``only`` (H, W) are left transparent.
    """
    page = np.zeros((stack.height, stack.width, 4), np.uint8)

    def band(top: int) -> None:
        bottom = min(top + _TILE, stack.height)
        for left in range(0, stack.width, _TILE):
            box = Box(top, left, bottom, min(left + _TILE, stack.width))
            if only is None or only[box.slices].any():
                page[box.slices] = _composed(stack.children, box).as_bytes()

    with ThreadPoolExecutor(_WORKERS) as pool:
        list(pool.map(band, range(0, stack.height, _TILE)))
    return page


def planes_of(pixels: U8) -> F32:
    """Return (4, h, w) float32 of (h, w, 4) uint8 RGBA, the colours multiplied by alpha."""
    planes = np.empty((4, *pixels.shape[:2]), np.float32)
    for plane, channel in zip(planes, cv2.split(pixels), strict=True):
        np.multiply(channel, np.float32(1 / 255), out=plane)
    planes[:3] *= planes[3]
    return planes


def lay_over(backdrop: F32, source: F32, op: Op) -> None:
    """Lay ``source`` over ``backdrop``, in place; both (4, h, w), 0..1, premultiplied."""
    under, over, a_over = backdrop[:3], source[:3], source[3]
    a_under, rest = backdrop[3].copy(), 1 - source[3]
    if op == "svg:multiply":
        under *= rest + over
        under += over * (1 - a_under)
    elif op == "svg:screen":
        under *= 1 - over
        under += over
    elif op == "svg:src-atop":
        under *= rest
        under += over * a_under
        return
    else:
        under *= rest
        under += over
    backdrop[3] *= rest
    backdrop[3] += a_over


def _composed(children: Sequence[Layer | Group], box: Box) -> _Canvas:
    canvas = _Canvas(box)
    for child in reversed(children):
        if isinstance(child, Layer):
            _lay_layer(canvas, child)
            continue
        seen = [layer for layer in child.layers if layer.box and layer.box.within(box)]
        if len(seen) == 1 and seen[0].op == "svg:src-over":
            # alone in its group and laid plainly: the group changes nothing
            _lay_layer(canvas, seen[0])
        elif seen and _touched(seen[-1], box) and not _lay_hard_group(canvas, seen):
            lay_over(canvas.planes, _composed(seen, box).planes, "svg:src-over")
    return canvas


def _lay_hard_group(canvas: _Canvas, seen: Sequence[Layer]) -> bool:
    """Lay a group whose lowest layer covers a pixel or not, with all others kept inside it.

    Only pixels that it covers are worked out. False, and nothing done, if the group is another.
    """
    flat, box = seen[-1], canvas.box
    shared = flat.box.within(box) if flat.box else None
    inside = all(
        layer.op == "svg:src-atop" and layer.box and layer.box.within(box) == shared
        for layer in seen[:-1]
    )
    if shared is None or flat.op != "svg:src-over" or not inside:
        return False
    pixels = flat.paint(shared)
    alpha = np.asarray(cv2.extractChannel(pixels, 3), np.uint8)
    there = alpha != 0
    if ((alpha != 255) & there).any():
        return False
    own = planes_of(_only(pixels, there))
    for layer in reversed(seen[:-1]):
        glaze = _only(layer.paint(shared), there)
        if glaze[..., 3].any():
            lay_over(own, planes_of(glaze), layer.op)
    rows = slice(shared.top - box.top, shared.bottom - box.top)
    columns = slice(shared.left - box.left, shared.right - box.left)
    for plane, made in zip(canvas.planes[:, rows, columns], own, strict=True):
        plane[there] = made[:, 0]
    return True


def _only(pixels: U8, there: Bool) -> U8:
    """Return the pixels (h, w, 4) that are ``there`` as a column, (n, 1, 4)."""
    words = np.ascontiguousarray(pixels).view(np.uint32)[..., 0]
    return words[there].view(np.uint8).reshape(-1, 1, 4)


def _touched(layer: Layer, box: Box) -> bool:
    shared = layer.box.within(box) if layer.box else None
    return bool(shared and layer.paint(shared)[..., 3].any())


def _lay_layer(canvas: _Canvas, layer: Layer) -> None:
    box = canvas.box
    shared = layer.box.within(box) if layer.box else None
    if shared is None:
        return
    pixels = layer.paint(shared)
    alpha = np.asarray(cv2.extractChannel(pixels, 3), np.uint8)
    if not cv2.countNonZero(alpha):
        return
    rows = slice(shared.top - box.top, shared.bottom - box.top)
    columns = slice(shared.left - box.left, shared.right - box.left)
    if layer.op == "svg:src-over" and not ((alpha != 0) & (alpha != 255)).any():
        canvas.copy_in(pixels, alpha, (rows, columns))
    else:
        lay_over(canvas.planes[:, rows, columns], planes_of(pixels), layer.op)
