"""The way a drawing is laid before it is judged: turned or mirrored, it comes out the same.

No network sees a page and the same page turned quite alike. So each is first laid one way that
the drawing itself decides, and what was found is turned back.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from inkclean.base.arrays import F32, F64

_Map = TypeVar("_Map", bound=np.generic)


@dataclass(frozen=True)
class Turn:
    """One of the eight ways to lay a raster of ``high`` × ``wide`` px.

    ``swapped``: rows become columns; then ``down``: the top comes last, and ``across``: the left.
    """

    high: int
    wide: int
    swapped: bool = False
    down: bool = False
    across: bool = False

    def there(self, raster: NDArray[_Map]) -> NDArray[_Map]:
        """Return a raster (high, wide) laid that way."""
        return np.ascontiguousarray(self._mirrored(raster.T if self.swapped else raster))

    def back(self, raster: NDArray[_Map]) -> NDArray[_Map]:
        """Return a raster laid that way as it was."""
        upright = self._mirrored(raster)
        return np.ascontiguousarray(upright.T if self.swapped else upright)

    def _mirrored(self, raster: NDArray[_Map]) -> NDArray[_Map]:
        return raster[:: -1 if self.down else 1, :: -1 if self.across else 1]

    def box_back(self, rows: slice, columns: slice) -> tuple[slice, slice]:
        """Return a box of the laid raster as it was."""
        high, wide = (self.wide, self.high) if self.swapped else (self.high, self.wide)
        if self.down:
            rows = slice(high - rows.stop, high - rows.start)
        if self.across:
            columns = slice(wide - columns.stop, wide - columns.start)
        return (columns, rows) if self.swapped else (rows, columns)

    def points(self, points: NDArray[Any]) -> F64:
        """Return points (…, 2), x and y in px of the raster, where they come to lie."""
        x, y = np.moveaxis(np.asarray(points, np.float64), -1, 0)
        if self.swapped:
            x, y = y, x
        return self._flipped(x, y)

    def points_back(self, points: NDArray[Any]) -> F64:
        """Return points (…, 2) of the laid raster as they were."""
        x, y = np.moveaxis(np.asarray(points, np.float64), -1, 0)
        found = self._flipped(x, y)
        return found[..., ::-1].copy() if self.swapped else found

    def _flipped(self, x: F64, y: F64) -> F64:
        high, wide = (self.wide, self.high) if self.swapped else (self.high, self.wide)
        return np.stack([wide - x if self.across else x, high - y if self.down else y], axis=-1)


def turn_of(coverage: F32) -> Turn:
    """Return how a drawing is laid: upright, most of its ink below and to the right.

    Most drawings are heavier below, so these stay as they are.
    """
    high, wide = coverage.shape
    # how far the ink's middle lies below the raster's, and to its right
    below, right = (
        float(
            (along := coverage.sum(axis=axis, dtype=np.float64))
            @ (np.arange(len(along)) - (len(along) - 1) / 2)
        )
        for axis in (1, 0)
    )
    swapped = wide > high if wide != high else abs(right) > abs(below)
    if swapped:
        below, right = right, below
    return Turn(high, wide, swapped, below < 0, right < 0)
