"""What is drawn inside an area and parts nothing: hatching, stipple, lettering, strokes, blacks."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I32, U8, Bool
from tests.flats.shapes import bowed

WORDS = ["NOW", "over", "HELLO", "so?", "BOAT", "ago", "8 PM"]


@dataclass(frozen=True)
class Place:
    """The box around one area: ``inside`` it, and ``depth`` in px from its outline."""

    inside: Bool
    depth: F32
    px_per_mm: float

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in px."""
        return self.inside.shape[1], self.inside.shape[0]

    @property
    def diagonal(self) -> float:
        """Length of the box's diagonal in px."""
        return float(np.hypot(*self.inside.shape))

    def layer(self) -> U8:
        """Return an empty layer."""
        return np.zeros(self.inside.shape, np.uint8)


def _sixteenths(points: F64) -> I32:
    return np.round(points * 16).astype(np.int32)


def hatching(
    place: Place, rng: np.random.Generator, *, crossed: float, heavy: bool, three: bool
) -> U8:
    """Return parallel strokes over part of the area, crossed by a second family at times."""
    layer = place.layer()
    angles = [rng.uniform(0, np.pi)]
    if not three and rng.random() < crossed:
        angles.append(angles[0] + rng.uniform(0.9, 1.6))
    spacing = rng.uniform(0.8, 1.4) * place.px_per_mm
    thick = int(rng.integers(3, 7)) if heavy else int(rng.integers(2, 4))
    cover = rng.uniform(0.35, 1.0)
    for angle in angles:
        along = np.array([np.cos(angle), np.sin(angle)])
        across = np.array([-np.sin(angle), np.cos(angle)])
        offsets = np.arange(-place.diagonal / 2, place.diagonal / 2, spacing)
        if three:
            offsets = rng.choice([-0.2, 0.1]) * place.diagonal + np.arange(3) * spacing
        else:
            offsets = offsets[: int(len(offsets) * cover)]
        for offset in offsets:
            middle = np.array(place.size) / 2 + across * (offset + rng.normal() * spacing * 0.08)
            way = along + across * rng.normal() * 0.03
            reach = 0.25 + rng.normal() * 0.02 if three else rng.uniform(0.3, 0.6)
            ends = np.stack(
                [middle - way * reach * place.diagonal, middle + way * reach * place.diagonal]
            )
            start, stop = _sixteenths(ends).tolist()
            cv2.line(layer, start, stop, 255, thick, cv2.LINE_AA, 4)
    return layer


def stipple(place: Place, rng: np.random.Generator) -> U8:
    """Return dots strewn over the area."""
    layer = place.layer()
    count = int(place.inside.sum() / place.px_per_mm**2 / 2.5)
    for x, y in rng.uniform(0, 1, (count, 2)) * place.size:
        cv2.circle(layer, (int(x), int(y)), int(rng.integers(2, 4)), 255, -1, cv2.LINE_AA)
    return layer


def lettering(place: Place, rng: np.random.Generator) -> U8:
    """Return up to three lines of words where the area is widest."""
    layer = place.layer()
    height = place.size[1]
    middle = place.depth * place.inside
    y, x = np.unravel_index(int(np.argmax(middle)), middle.shape)
    for line in (-1, 0, 1):
        base = int(y + line * 4 * place.px_per_mm)
        row = np.clip(base, 0, height - 1)
        if middle[row, x] < 6 * place.px_per_mm:
            continue
        at = (int(x - min(place.depth[row, x], 70)), base)
        word = str(rng.choice(WORDS))
        cv2.putText(layer, word, at, cv2.FONT_HERSHEY_SIMPLEX, 1.15, 255, 4, cv2.LINE_AA)
    return layer


def details(place: Place, rng: np.random.Generator) -> U8:
    """Return a few strokes that close nothing, some of them starting at the outline."""
    layer = place.layer()
    width, height = place.size
    ys, xs = np.nonzero(place.inside & (place.depth > 2 * place.px_per_mm))
    for _ in range(int(rng.integers(1, 4))):
        if len(ys) == 0:
            break
        i = int(rng.integers(len(ys)))
        start = np.array([xs[i], ys[i]], float)
        if rng.random() < 0.3:  # from the outline inwards
            edge = np.argwhere(place.inside & (place.depth < 2))
            start = edge[rng.integers(len(edge))][::-1].astype(float)
        stop = start + rng.uniform(-1, 1, 2) * min(place.diagonal * 0.25, 12 * place.px_per_mm)
        curve = bowed(start, stop, rng.uniform(-0.2, 0.2))
        at = np.clip(curve.astype(int), 0, [width - 1, height - 1])
        clear = (place.depth * place.inside)[at[:, 1], at[:, 0]] > 0.8 * place.px_per_mm
        if clear[3:].all():
            thick = int(rng.integers(3, 6))
            cv2.polylines(layer, [_sixteenths(curve)], False, 255, thick, cv2.LINE_AA, 4)
    return layer


def black(place: Place, rng: np.random.Generator) -> U8:
    """Return a solid black inside the area."""
    layer = place.layer()
    ys, xs = np.nonzero(place.inside & (place.depth > 3 * place.px_per_mm))
    if len(ys):
        i = int(rng.integers(len(ys)))
        axes = (int(rng.uniform(3, 9) * place.px_per_mm), int(rng.uniform(2, 5) * place.px_per_mm))
        turn = float(rng.uniform(0, 180))
        middle = (int(xs[i]), int(ys[i]))
        cv2.ellipse(layer, middle, axes, turn, 0, 360, 255, -1, cv2.LINE_AA)
    return layer
