"""What passes between the stages of the flats."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from inkclean.base.arrays import F64, U16

Rows: TypeAlias = NDArray[np.void]
Point: TypeAlias = tuple[float, float]

OPENED_MM = 0.5  # from a point said to be open within which no bridge is laid

# What an area is (field ``kind`` of its row).
FIGURE = 0  # a part of a drawing
BACKGROUND = 1  # the paper outside the figures: of the sheet, or of a panel
GUTTER = 2  # the paper between and around the panels of a page

AREA = np.dtype(
    [
        ("label", np.int32),  # its number in the label map, 1..N: row i has label i + 1
        ("x_mm", np.float64),  # a point well inside it, off the ink: the middle of the
        ("y_mm", np.float64),  # largest disc that fits in
        ("inner_mm", np.float32),  # radius of that disc
        ("size_mm2", np.float64),  # paper it covers, ink left out
        ("left_mm", np.float64),  # box around its paper, ink left out
        ("top_mm", np.float64),
        ("right_mm", np.float64),
        ("bottom_mm", np.float64),
        ("kind", np.uint8),  # FIGURE, BACKGROUND or GUTTER
        ("enclosing", np.int32),  # label of the area that surrounds it entirely, else 0
        ("panel", np.int32),  # number of the panel it lies in, from 1; 0 outside all panels
    ]
)

NEIGHBOURS = np.dtype(
    [
        ("a", np.int32),  # the two labels, a < b; every pair once, sorted
        ("b", np.int32),
        ("edge_mm", np.float64),  # length of the edge they share under the ink and on bridges
    ]
)

BRIDGE = np.dtype(
    [
        ("cubic", np.float64, (4, 2)),  # control points in mm, from ink to ink
        ("confidence", np.float32),  # 0..1, that a person would see the line go on here
        ("doubtful", np.bool_),  # to check by eye
        ("given", np.bool_),  # laid by hand: never to check
    ]
)

GAP = np.dtype(
    [
        ("cubic", np.float64, (4, 2)),  # control points in mm of a bridge that was not laid
        ("confidence", np.float32),  # 0..1, that a person would see the line go on here
        ("check", np.int32),  # row of the place to check that asks whether to close it, else -1
    ]
)

# What is asked at a place to check (field ``kind`` of its row).
OPEN_GAP = 0  # a gap was left open: should it be closed?
BRIDGED = 1  # a gap was bridged: are there two areas?
LINE = 2  # a drawn line parts two areas: or is it none's border?

CHECK = np.dtype(
    [
        ("kind", np.uint8),  # OPEN_GAP, BRIDGED or LINE
        ("x_mm", np.float64),  # middle of the place
        ("y_mm", np.float64),
        ("size_mm", np.float64),  # how far it reaches
        ("doubt", np.float32),  # 0..1, how likely what was decided is wrong
        ("cost_mm2", np.float64),  # doubt times the smaller of the areas it is about
        ("bridge", np.int32),  # row of the bridge it is about, else -1
        ("one", np.float64, (2,)),  # a point in each of the two areas, mm; of an open gap
        ("other", np.float64, (2,)),  # both lie in the one area
    ]
)


def no_rows(dtype: np.dtype[Any]) -> Rows:
    """Return an empty array of rows."""
    return np.zeros(0, dtype)


@dataclass(frozen=True)
class FlatEdits:
    """What a person changed, in mm of the sheet, so that it holds at any resolution.

    ``bridges`` are cubics (four points each) to lay as walls whatever the tool thinks of them;
    ``opened`` are points on or beside a bridge (its middle, say): no bridge that passes within
    half a millimetre is kept; ``joins`` are pairs of points whose areas become one; ``splits``
    are polylines that split every area they cross from edge to edge.
    """

    bridges: tuple[tuple[Point, Point, Point, Point], ...] = ()
    opened: tuple[Point, ...] = ()
    joins: tuple[tuple[Point, Point], ...] = ()
    splits: tuple[tuple[Point, ...], ...] = ()

    def moved(self, how: Callable[[NDArray[Any]], NDArray[Any]]) -> FlatEdits:
        """Return the same changes with all points, given as (N, 2) mm, moved."""

        def moved(points: Iterable[Point]) -> tuple[Point, ...]:
            at = how(np.array(list(points), np.float64).reshape(-1, 2))
            return tuple((x, y) for x, y in at.tolist())

        return FlatEdits(
            tuple(_four(moved(bridge)) for bridge in self.bridges),
            moved(self.opened),
            tuple(_two(moved(pair)) for pair in self.joins),
            tuple(moved(part) for part in self.splits),
        )


def _four(points: tuple[Point, ...]) -> tuple[Point, Point, Point, Point]:
    a, b, c, d = points
    return a, b, c, d


def _two(points: tuple[Point, ...]) -> tuple[Point, Point]:
    a, b = points
    return a, b


@dataclass(frozen=True)
class Flats:
    """The sheet split into the areas a person would colour.

    ``labels`` is (H, W) uint16, as large as the ink it came from: 1..N, hard edges. Each area
    reaches under the ink to the middle of the line and all the way under blacks beside it, so
    that no pixel is bare: 0 occurs only where a sheet is ink all over (N = 0). The background
    and the gutter are areas like the others; ``areas["kind"]`` tells them apart.
    ``areas`` (N,) are rows of ``AREA``, ``neighbours`` rows of ``NEIGHBOURS``, ``bridges``
    rows of ``BRIDGE``, ``gaps`` rows of ``GAP``: those left open, the surest first. ``checks``
    are rows of ``CHECK``, at most a dozen, the costliest first. ``discs`` (P, 2, 2) are pairs of
    places in areas that are parts of one disc cut by black. Coordinates: mm, origin at the
    sheet's top left, x right, y down; the centre of pixel (row, column) lies at
    ((column + 0.5) / px_per_mm, (row + 0.5) / px_per_mm).
    """

    labels: U16
    px_per_mm: float
    areas: Rows
    neighbours: Rows
    bridges: Rows = field(default_factory=lambda: no_rows(BRIDGE))
    gaps: Rows = field(default_factory=lambda: no_rows(GAP))
    checks: Rows = field(default_factory=lambda: no_rows(CHECK))
    discs: F64 = field(default_factory=lambda: np.zeros((0, 2, 2)))
