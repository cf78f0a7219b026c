"""Thresholds of a screen, exact over the whole page.

A screen's cell seldom has whole pixels as its sides. Several cells side by side do, nearly: the
supercell, a square whose corners are pixels' corners. It repeats without any join, so ruling
and angle are the same on all of the page, and its tangent is a ratio of whole numbers. Every such
square is also a low, long brick that repeats along rows, each layer of bricks moved on by the
same step: T. M. Holladay, "An optimum algorithm for halftone generation for displays and hard
copies", Proceedings of the SID 21(2), 1980; cells and spot functions as in R. Ulichney, Digital
Halftoning, MIT Press, 1987.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, cos, degrees, gcd, hypot, radians, sin

import numpy as np

from inkclean.base.arrays import F64, I64, U16
from inkclean.deliver.screens.ruling import Screen

FULL = 65535  # tone of solid ink; 0 is bare paper
# how near a screen comes to what was asked: far below what an eye or a press tells apart
_RULING_OFF = 0.0005  # share
_ANGLE_OFF = 0.02  # degrees
_LONGEST = 1500  # px, the longest side of a supercell


@dataclass(frozen=True)
class Supercell:
    """A square of ``cells`` × ``cells`` dots whose side runs (``across``, ``down``) px.

    Its ranks lie in ``brick`` (height, length) uint16: a pixel takes ink if its tone, 0..65535, is
    above the brick's value. The layer of bricks below is moved to the right by ``step`` px.
    """

    across: int
    down: int
    cells: int
    step: int
    brick: U16

    def lpi(self, dpi: float) -> float:
        """Return the ruling in lines per inch, exactly."""
        return self.cells * dpi / hypot(self.across, self.down)

    @property
    def angle(self) -> float:
        """The angle in degrees anticlockwise from horizontal, exactly."""
        return degrees(atan2(-self.down, self.across))

    def thresholds(self, top: int, bottom: int, left: int, right: int) -> U16:
        """Return the thresholds (bottom − top, right − left) of a part of the page, in px."""
        height, length = self.brick.shape
        width = right - left
        row = np.arange(top, bottom)
        start = (left - self.step * (row // height)) % length
        runs = np.take(self.brick, np.arange(length + width) % length, axis=1)
        windows = np.lib.stride_tricks.sliding_window_view(runs, width, axis=1)
        return np.asarray(windows[row % height, start])


def make_supercell(screen: Screen, dpi: float) -> Supercell:
    """Return the smallest supercell that keeps to the screen's ruling and angle.

    Pixels take ink in the order of the spot function at their centres, over the whole
    supercell at once, so that its tones are even to one pixel of it.
    """
    across, down, cells = _side(screen, dpi)
    area = across * across + down * down
    height = gcd(across, down)
    length = area // height
    along, over = _bezout(down, across)
    step = along * across - over * down
    spot = _spot(screen, across, down, cells, height, length).ravel()
    # pixels alike by symmetry take ink in no order that an eye could follow
    chance = np.random.default_rng(0).random(area)
    order = np.lexsort((chance, -np.round(spot, 9)))
    rank = np.empty(area, np.int64)
    rank[order] = np.arange(area)
    brick = (rank * FULL // area).astype(np.uint16).reshape(height, length)
    return Supercell(across, down, cells, step % length, brick)


def _side(screen: Screen, dpi: float) -> tuple[int, int, int]:
    """Return the side of the supercell in px, across and down, and its number of cells."""
    pitch, turn = dpi / screen.lpi, radians(screen.angle)
    cells: I64 = np.arange(1, max(2, int(_LONGEST / pitch)))
    across = np.rint(cells * pitch * cos(turn)).astype(np.int64)
    down = np.rint(-cells * pitch * sin(turn)).astype(np.int64)
    ruling: F64 = np.abs(cells * pitch / np.maximum(np.hypot(across, down), 1e-9) - 1)
    angle = np.degrees(np.arctan2(-down, across)) - screen.angle
    angle = np.abs((angle + 180) % 360 - 180)
    off = np.maximum(ruling / _RULING_OFF, angle / _ANGLE_OFF)
    good = np.flatnonzero(off <= 1)
    best = int(good[0]) if len(good) else int(off.argmin())
    return int(across[best]), int(down[best]), int(cells[best])


def _bezout(one: int, other: int) -> tuple[int, int]:
    """Return i, j with i · one + j · other = gcd(one, other) (Euclid)."""
    rest, x, y = (one, other), (1, 0), (0, 1)
    while rest[1]:
        times = rest[0] // rest[1]
        rest = (rest[1], rest[0] - times * rest[1])
        x, y = (x[1], x[0] - times * x[1]), (y[1], y[0] - times * y[1])
    return (x[0], y[0]) if rest[0] > 0 else (-x[0], -y[0])


def _spot(screen: Screen, across: int, down: int, cells: int, height: int, length: int) -> F64:
    """Return the spot function at the brick's pixels: where it is highest, ink comes first.

    Dots grow round from the cells' middles, meet at the corners at one half and leave round holes
    in the darks; lines grow from their middles.
    """
    y, x = np.mgrid[:height, :length] + 0.5
    turn = 2 * np.pi * cells / (across * across + down * down)
    over = np.cos(turn * (across * y - down * x))
    if screen.shape == "lines":
        return np.asarray(over)
    return np.asarray(over + np.cos(turn * (across * x + down * y)))
