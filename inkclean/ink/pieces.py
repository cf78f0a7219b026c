"""Small pieces of ink, and small holes in it, looked at many at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from inkclean.base.arrays import F64, I32, I64, Bool
from inkclean.base.memory import zeros_of
from inkclean.base.tiles import both

# Px of the pictures of pieces that are looked at at once.
WINDOW_PX = 1 << 19


@dataclass(frozen=True)
class Pieces:
    """N small pieces of a picture: of ink, or of the paper in it.

    ``kind`` (H, W) bool is where the picture is of their kind, ``number`` (H, W) int32 names
    the pieces there, 1 to ``named``, 0 elsewhere. Of each its ``name`` (N,), ``area`` in px,
    ``box`` (N, 4): left, top, width and height, ``centre`` (N, 2) in continuous px.
    """

    kind: Bool
    number: I32
    named: int
    name: I64
    box: I64
    area: I64
    centre: F64

    def only(self, chosen: Bool) -> Pieces:
        """Return these with some of the pieces."""
        return replace(
            self,
            name=self.name[chosen],
            box=self.box[chosen],
            area=self.area[chosen],
            centre=self.centre[chosen],
        )

    def windows(self, margin: int) -> Iterator[tuple[I64, I64, I64, Bool]]:
        """Yield small pictures of the small ones, ``margin`` px around them, many at once.

        Each time which of them (n,), their rows (n, h, 1), columns (n, 1, w), and which
        pixels are theirs (n, h, w). Rows and columns beyond the border are those at it, and
        nobody's.
        """
        left, top, wide, high = self.box.T
        size = np.maximum(wide, high) + 2 * margin
        order = np.argsort(size, kind="stable")
        start = 0
        while start < len(order):
            # as many as keep the pictures in the cache; the last one is the largest
            stop = min(len(order), start + max(1, WINDOW_PX // int(size[order[start]]) ** 2))
            stop = start + max(1, min(stop - start, WINDOW_PX // int(size[order[stop - 1]]) ** 2))
            which = order[start:stop]
            steps = np.arange(int(size[which[-1]])) - margin
            down, across = top[which, None] + steps, left[which, None] + steps
            rows = np.clip(down, 0, self.kind.shape[0] - 1)[..., None]
            columns = np.clip(across, 0, self.kind.shape[1] - 1)[:, None]
            whose = self.number[rows, columns] == self.name[which, None, None]
            whose &= self.kind[rows, columns]
            whose &= (rows[..., 0] == down)[..., None] & (columns[:, 0] == across)[:, None]
            yield which, rows, columns, whose
            start = stop


def small_pieces(ink: Bool, largest: float, widest: float) -> tuple[Pieces, Pieces]:
    """Return the small components of the ink (H, W), and the small holes in it.

    ``largest`` is the side in px of the box around a component, ``widest`` the diameter in px of
    a disc that has the area of a hole. Borders are followed, which is faster than to measure
    all components (Suzuki, Abe, CVGIP 30(1), 1985); the px within one by Pick's theorem.
    """
    found, tree = cv2.findContours(ink.view(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
    count = np.fromiter(map(len, found), np.int64, len(found))
    short = np.flatnonzero(count <= 4 * max(largest**2, widest**2))
    if not len(short):
        return _pieces(ink, [], np.zeros((0, 4), np.int64)), _pieces(
            ~ink, [], np.zeros((0, 4), np.int64)
        )
    outlines = [np.asarray(found[k]) for k in short.tolist()]
    hole = np.asarray(tree)[0, short, 3] >= 0
    points = np.concatenate(outlines).reshape(-1, 2).astype(np.int64)
    count = count[short]
    first = np.cumsum(count) - count
    low, high = np.minimum.reduceat(points, first), np.maximum.reduceat(points, first)
    following = np.arange(1, len(points) + 1)
    following[first + count - 1] = first
    x, y = points.T
    step = np.abs(points[following] - points).max(axis=1)
    turned = np.add.reduceat(x * y[following] - x[following] * y, first)
    within = (np.abs(turned) - np.add.reduceat(step, first)) / 2 + 1
    compact = ~hole & ((high - low).max(axis=1) + 1 < largest)
    narrow = hole & (within < np.pi / 4 * widest**2)
    # a hole's outline runs through the ink around it
    boxes = np.concatenate([low + hole[:, None], high - low + 1 - 2 * hole[:, None]], axis=1)

    def of(kind: Bool, chosen: Bool) -> Pieces:
        return _pieces(kind, [outlines[k] for k in np.flatnonzero(chosen)], boxes[chosen])

    return both(lambda: of(ink, compact), lambda: of(~ink, narrow))


def _pieces(kind: Bool, outlines: list[NDArray[Any]], box: I64) -> Pieces:
    """Return the pieces of ``kind`` within ``outlines``, whose boxes are ``box`` (N, 4)."""
    number = zeros_of(kind.shape)
    for name, outline in enumerate(outlines, 1):
        cv2.drawContours(number, [outline], 0, (name,), cv2.FILLED)
    names = np.arange(1, len(outlines) + 1)
    area, centre = np.zeros(len(names), np.int64), np.zeros((len(names), 2))
    shapes = Pieces(kind, number, len(names), names, box, area, centre)
    for which, rows, columns, whose in shapes.windows(0):
        area[which] = size = whose.sum(axis=(1, 2))
        for axis, places in enumerate((columns, rows)):
            total = (whose * places).sum(axis=(1, 2))
            centre[which, axis] = total / np.maximum(size, 1) + 0.5
    return shapes.only(area > 0)


def grown(stack: Bool) -> Bool:
    """Return each plane of ``stack`` (N, h, w) grown by a px all round."""
    tall = stack.copy()
    tall[:, 1:] |= stack[:, :-1]
    tall[:, :-1] |= stack[:, 1:]
    wide = tall.copy()
    wide[:, :, 1:] |= tall[:, :, :-1]
    wide[:, :, :-1] |= tall[:, :, 1:]
    return wide
