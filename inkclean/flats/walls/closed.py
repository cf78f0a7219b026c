"""What is drawn all round in an unbroken line: such areas stay, whatever the odds say."""

from __future__ import annotations

import numpy as np

from inkclean.base.arrays import Bool
from inkclean.flats.rasters import depth, pieces
from inkclean.flats.walls.rooms import Rooms

WIDE_MM = 1.4  # a patch of paper that a disc this broad fits in is no cell of hatching


def between_closed(rooms: Rooms, ink: Bool, px_per_mm: float) -> Bool:
    """Return which walls lie between two wide patches of paper that the ink alone parts.

    ``ink`` (H, W) without any bridge. Such a wall is a line drawn without a gap, and on both
    its sides is room for an area: it never falls. Narrow patches may be cells of hatching.
    """
    count, patch = pieces(~ink, 4)
    inner = np.zeros(count, np.float32)
    np.maximum.at(inner, patch.ravel(), depth(~ink).ravel())
    wide = inner >= WIDE_MM / 2 * px_per_mm
    wide[0] = False
    of = np.zeros(rooms.count + 1, np.int64)
    of[rooms.label[rooms.open_]] = patch[rooms.open_]
    one, other = of[rooms.a], of[rooms.b]
    return np.asarray((one != other) & wide[one] & wide[other])
