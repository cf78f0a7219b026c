"""The layers of a coloured page: what they are called, how they lie and what is on them.

Layers are painted a window at a time, so that a page of many colours never has to be held
as many times over as it has layers.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal, TypeAlias

import cv2
import numpy as np

from inkclean.base.arrays import U8
from inkclean.base.units import MM_PER_INCH
from inkclean.deliver.pictures.bitmap import own_alpha
from inkclean.flats.colour.colours import Colouring
from inkclean.flats.colour.shade import Shading, lit, shaded
from inkclean.flats.lettering.values import Lettering, Part
from inkclean.flats.values import Flats
from inkclean.ink.values import Ink

# The layers that the ink is split into, uppermost first.
LINES: dict[str, Part] = {"text": "text", "balloons": "balloons", "lines": "art"}
Op: TypeAlias = Literal["svg:src-over", "svg:multiply", "svg:screen", "svg:src-atop"]


@dataclass(frozen=True)
class Box:
    """A window of the sheet in px: rows top ≤ y < bottom, columns left ≤ x < right."""

    top: int
    left: int
    bottom: int
    right: int

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width in px."""
        return self.bottom - self.top, self.right - self.left

    @property
    def slices(self) -> tuple[slice, slice]:
        """The window as an index into an array of the sheet."""
        return slice(self.top, self.bottom), slice(self.left, self.right)

    def within(self, other: Box) -> Box | None:
        """Return what both windows share, None if nothing."""
        top, left = max(self.top, other.top), max(self.left, other.left)
        bottom, right = min(self.bottom, other.bottom), min(self.right, other.right)
        return Box(top, left, bottom, right) if top < bottom and left < right else None


@dataclass(frozen=True)
class Layer:
    """One layer. ``box`` is the window that holds all its content, None if it is empty.

    ``paint`` gives the pixels of a window inside ``box`` as (h, w, 4) uint8 RGBA, colour not
    multiplied by alpha.
    """

    name: str
    op: Op
    box: Box | None
    paint: Callable[[Box], U8]

    def pixels(self) -> U8:
        """Return the layer cropped to its content; one transparent pixel if it is empty."""
        return self.paint(self.box) if self.box else np.zeros((1, 1, 4), np.uint8)


@dataclass(frozen=True)
class Group:
    """Layers composed by themselves first, uppermost first."""

    name: str
    layers: tuple[Layer, ...]


@dataclass(frozen=True)
class Stack:
    """A page of layers and groups, uppermost first."""

    width: int
    height: int
    px_per_mm: float
    children: tuple[Layer | Group, ...]

    def every_layer(self) -> Iterator[tuple[Group | None, Layer]]:
        """Yield every layer with its group, uppermost first."""
        for child in self.children:
            if isinstance(child, Group):
                yield from ((child, layer) for layer in child.layers)
            else:
                yield None, child


def layered(
    flats: Flats,
    colouring: Colouring,
    ink: Ink,
    shading: Shading | None = None,
    lettering: Lettering | None = None,
) -> Stack:
    """Return the page as layers.

    From the top: ``glow`` (empty, screen), ``lines`` (black, multiply), a group for each
    colour, the one with most paper lowest, and ``background``. A group holds ``light`` and
    ``shade``, kept inside their colour by source-atop, over the ``flat``. Where there is
    ``lettering``, its ``text`` and ``balloons`` lie over the ``lines``, which lack them: together
    the three are the ink.
    """
    height, width = flats.labels.shape
    whole = Box(0, 0, height, width)
    index = colouring.of_area[flats.labels]
    alpha = own_alpha(ink)
    paper = _plain(colouring.palette[0])
    size = np.bincount(
        colouring.of_area[1:], flats.areas["size_mm2"], minlength=len(colouring.palette)
    )
    rows = sorted(colouring.used, key=lambda row: (size[row], row))
    return Stack(
        width,
        height,
        flats.px_per_mm,
        (
            _empty("glow", "svg:screen"),
            *_lines(alpha, lettering, flats.px_per_mm * MM_PER_INCH),
            *(_colour_group(index, row, colouring, shading) for row in rows),
            Layer("background", "svg:src-over", whole, paper),
        ),
    )


def _lines(alpha: U8, lettering: Lettering | None, dpi: float) -> Iterator[Layer]:
    parts = {"lines": alpha}
    if lettering is not None and lettering.found:
        own = lettering.at_dpi(dpi, alpha.shape)
        parts = {name: own.part(alpha, part) for name, part in LINES.items()}
    for name, part in parts.items():
        yield Layer(name, "svg:multiply", _content(part), _black(part))


def _colour_group(index: U8, row: int, colouring: Colouring, shading: Shading | None) -> Group:
    colour, name = colouring.palette[row], colouring.names[row]
    box = _content((index == row).view(np.uint8))
    light, shade = _empty("light", "svg:src-atop"), _empty("shade", "svg:src-atop")
    if shading is not None:
        light = Layer("light", "svg:src-atop", box, _glaze(index, row, shading.light, lit(colour)))
        shade = Layer(
            "shade", "svg:src-atop", box, _glaze(index, row, shading.shade, shaded(colour))
        )
    return Group(
        name, (light, shade, Layer("flat", "svg:src-over", box, _flat(index, row, colour)))
    )


def _content(alpha: U8) -> Box | None:
    left, top, width, height = cv2.boundingRect(alpha)
    return Box(top, left, top + height, left + width) if width and height else None


def _empty(name: str, op: Op) -> Layer:
    return Layer(name, op, None, lambda box: np.zeros((*box.shape, 4), np.uint8))


def _plain(colour: U8) -> Callable[[Box], U8]:
    pixel = np.array([*colour, 255], np.uint8)
    return lambda box: np.broadcast_to(pixel, (*box.shape, 4)).copy()


def _black(alpha: U8) -> Callable[[Box], U8]:
    def paint(box: Box) -> U8:
        pixels = np.zeros((*box.shape, 4), np.uint8)
        pixels[..., 3] = alpha[box.slices]
        return pixels

    return paint


def _flat(index: U8, row: int, colour: U8) -> Callable[[Box], U8]:
    table = np.zeros((256, 4), np.uint8)
    table[row] = [*colour, 255]
    words = table.view(np.uint32).ravel()

    def paint(box: Box) -> U8:
        return words[index[box.slices]].view(np.uint8).reshape(*box.shape, 4)

    return paint


def _glaze(index: U8, row: int, alpha: U8, colour: U8) -> Callable[[Box], U8]:
    flat = _flat(index, row, colour)

    def paint(box: Box) -> U8:
        pixels = flat(box)
        np.bitwise_and(pixels[..., 3], alpha[box.slices], out=pixels[..., 3])
        return pixels

    return paint
