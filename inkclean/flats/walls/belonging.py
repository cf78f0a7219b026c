"""Whether two rooms belong together, by what the network tells of places in both."""

from __future__ import annotations

import numpy as np

from inkclean.base.arrays import F64
from inkclean.flats.lines.seams import REACH, STEPS, Seen
from inkclean.flats.rasters import tally
from inkclean.flats.walls.rooms import Rooms


def belonging(rooms: Rooms, seen: Seen) -> F64:
    """Return for each pair of rooms (E, 2 * len(REACH)) the log-odds that they are one area.

    First the sums over all pairs of places on paper, one in each room, that lie one of
    ``REACH`` apart; then how many these are.
    """
    height, width = rooms.label.shape
    rows, columns = seen.rows(), seen.columns()
    down, across = (rows >= 0) & (rows < height), (columns >= 0) & (columns < width)
    at = np.ix_(rows.clip(0, height - 1), columns.clip(0, width - 1))
    here = rooms.open_[at] & down[:, None] & across[None]
    room = np.where(here, rooms.label[at], 0).astype(np.int64)
    count = rooms.count + 1
    pairs = rooms.a * count + rooms.b  # in order
    found = np.zeros((len(pairs), 2 * len(REACH)))
    if not len(pairs):
        return found
    for k, ((down, right), odds) in enumerate(zip(STEPS, seen.together, strict=True)):
        # right may be negative: the place meant lies to the left
        near = room[: len(room) - down, max(0, -right) : room.shape[1] - max(0, right)]
        far = room[down:, max(0, right) : room.shape[1] + min(0, right)]
        told = odds[: len(room) - down, max(0, -right) : room.shape[1] - max(0, right)]
        meet = (near != far) & (near > 0) & (far > 0)
        one, other = near[meet], far[meet]
        key = np.minimum(one, other) * count + np.maximum(one, other)
        index = np.minimum(np.searchsorted(pairs, key), len(pairs) - 1)
        known = pairs[index] == key
        index, value = index[known], told[meet][known].astype(np.float64)
        reach = k * len(REACH) // len(STEPS)
        found[:, reach] += tally(index, value, len(pairs))
        found[:, len(REACH) + reach] += tally(index, None, len(pairs))
    return found
