"""The part of a sheet that the drawing takes up: paper around it changes no area."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

MARGIN_MM = 8.0  # paper around the drawing that is looked at, though the sheet may have less
INKED = 0.05  # coverage that counts as drawn

_Map = TypeVar("_Map", bound=np.generic)


@dataclass(frozen=True)
class Around:
    """A box in px of a sheet, ``shape``; it may reach beyond the sheet.

    ``top`` and ``left`` are its first row and column, ``high`` and ``wide`` its size.
    """

    shape: tuple[int, int]
    top: int
    left: int
    high: int
    wide: int

    @property
    def corner(self) -> NDArray[np.float64]:
        """The box's corner, x and y."""
        return np.array([self.left, self.top], float)

    def cut(self, sheet: NDArray[_Map]) -> NDArray[_Map]:
        """Return what lies in the box, 0 beyond the sheet."""
        rows, columns = (
            _inside(self.top, self.high, self.shape[0]),
            _inside(self.left, self.wide, self.shape[1]),
        )
        if (rows.stop - rows.start, columns.stop - columns.start) == (self.high, self.wide):
            return np.ascontiguousarray(sheet[rows, columns])
        out = np.zeros((self.high, self.wide), sheet.dtype)
        out[
            rows.start - self.top : rows.stop - self.top,
            columns.start - self.left : columns.stop - self.left,
        ] = sheet[rows, columns]
        return out

    def seen(self, sheet: NDArray[_Map]) -> NDArray[_Map]:
        """Return the same as ``cut``, not copied where the box lies in the sheet."""
        rows, columns = (
            slice(self.top, self.top + self.high),
            slice(self.left, self.left + self.wide),
        )
        inside = min(self.top, self.left) >= 0 and rows.stop <= self.shape[0]
        return sheet[rows, columns] if inside and columns.stop <= self.shape[1] else self.cut(sheet)

    def back(self, part: NDArray[_Map]) -> NDArray[_Map]:
        """Return a map of the box as one of the sheet: outside lies what is on the box's rim."""
        if (self.top, self.left, self.high, self.wide) == (0, 0, *self.shape):
            return part
        sheet = np.empty(self.shape, part.dtype)
        rows = _inside(self.top, self.high, self.shape[0])
        columns = _inside(self.left, self.wide, self.shape[1])
        sheet[rows, columns] = part[
            rows.start - self.top : rows.stop - self.top,
            columns.start - self.left : columns.stop - self.left,
        ]
        sheet[rows, : columns.start] = sheet[rows, columns.start][:, None]
        sheet[rows, columns.stop :] = sheet[rows, columns.stop - 1][:, None]
        sheet[: rows.start] = sheet[rows.start]
        sheet[rows.stop :] = sheet[rows.stop - 1]
        return sheet

    def beyond(self, label: NDArray[Any], coverage: NDArray[Any], count: int) -> NDArray[Any]:
        """Return how many px of paper more each label 0..count has on the sheet than in the box.

        ``coverage`` is that of the box: beyond it all is paper.
        """
        down, right = (
            np.bincount(np.clip(np.arange(length) - start, 0, many - 1), minlength=many)
            for length, start, many in (
                (self.shape[0], self.top, self.high),
                (self.shape[1], self.left, self.wide),
            )
        )
        rows, columns = down != 1, right != 1
        more = np.zeros(count + 1)
        for here, times in (
            (np.ix_(rows, np.ones(self.wide, bool)), down[rows, None] * right[None]),
            (np.ix_(~rows, columns), down[~rows, None] * right[None, columns]),
        ):
            more += np.bincount(
                label[here].ravel(),
                ((times - 1) * (coverage[here] < 0.5)).ravel(),
                minlength=count + 1,
            )
        return np.rint(more).astype(np.int64)

    def scaled(self, factor: float, high: int, wide: int) -> Around:
        """Return the box at another resolution, to the pixel; the box measures (high, wide)."""
        shape = tuple(max(1, round(n * factor)) for n in self.shape)
        top, left = round(self.top * factor), round(self.left * factor)
        return Around((shape[0], shape[1]), top, left, high, wide)


def around_ink(
    coverage: NDArray[Any], px_per_mm: float, coloured: NDArray[np.bool_] | None = None
) -> Around:
    """Return the box around the ink with a margin of paper; the sheet itself if it is bare.

    Where ink reaches the sheet's side the box ends there. What is ``coloured`` (h, w), spread
    over the sheet, counts as ink.
    """
    height, width = coverage.shape
    inked = coverage > INKED
    rows, columns = np.flatnonzero(inked.any(axis=1)), np.flatnonzero(inked.any(axis=0))
    if coloured is not None:
        row, column = np.nonzero(coloured)
        rows = np.union1d(rows, np.unique(row) * height // coloured.shape[0])
        columns = np.union1d(columns, np.unique(column) * width // coloured.shape[1])
    if not len(rows):
        return Around((height, width), 0, 0, height, width)
    margin = round(MARGIN_MM * px_per_mm)
    top, bottom = _widened(int(rows[0]), int(rows[-1]) + 1, height, margin)
    left, right = _widened(int(columns[0]), int(columns[-1]) + 1, width, margin)
    return Around((height, width), top, left, bottom - top, right - left)


def _widened(start: int, stop: int, length: int, margin: int) -> tuple[int, int]:
    return (0 if start == 0 else start - margin), (length if stop == length else stop + margin)


def _inside(start: int, many: int, length: int) -> slice:
    return slice(max(0, start), min(length, start + many))
