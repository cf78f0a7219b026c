"""What was found of a page the last time: after an edit only what changed is looked at again."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from inkclean.base.arrays import I64, U8, Bool
from inkclean.flats.colour.discs import Black
from inkclean.flats.maps.filled import PaperTiles
from inkclean.flats.maps.full import Full
from inkclean.flats.tiled.depths import Depths
from inkclean.flats.values import Point, Rows
from inkclean.flats.walls.belonging import Met
from inkclean.flats.walls.cells import Cells, Ground
from inkclean.flats.walls.rooms import Deep
from inkclean.flats.walls.traced import Middles


@dataclass(frozen=True)
class Laid:
    """What was laid out for the cells of a ``serial`` number: the area of each (cells + 1,).

    ``full`` is the label map, ``rows`` (N,) are rows of AREA as they were measured, ``deep`` how
    deep the paper of the working raster of the sheet is.
    """

    serial: int
    area: I64
    full: Full
    rows: Rows
    deep: Depths


@dataclass
class Kept:
    """Values of the last time, None where there are none yet.

    ``zone`` (N,) are the pixels that decide where panels' borders are walled off, ``barred``
    (N,) what barred them, ``met_walls`` (H, W) where panels met on paper, and ``opened`` the
    places that were said to be open; ``ground`` is what came of it. ``lies`` (cells + 1,
    panels + 1) is how much of each cell lies in which. ``ends`` tells of ridges, by number, how
    many ends of strokes each runs between; ``shut`` is paper at the ink's own resolution, and
    what parts it on a page drawn closed, ``filled`` how cells lie on it; ``black`` where ink is
    broad, ``panel`` (h, w) which panel is where on the whole sheet.
    """

    zone: I64 | None = None
    barred: Bool | None = None
    met_walls: Bool | None = None
    opened: tuple[Point, ...] = ()
    ground: Ground | None = None
    cells: Cells | None = None
    met: Met | None = None
    lies: NDArray[np.int64] | None = None
    deep: Deep | None = None
    laid: Laid | None = None
    middles: Middles | None = None
    ends: dict[int, int] = field(default_factory=dict)
    shut: tuple[Bool, Bool] | None = None
    filled: PaperTiles | None = None
    black: Black | None = None
    panel: U8 | None = None
