"""The borders of a map of areas as lines from junction to junction."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter1d

from inkclean.base.arrays import F64, I32

SMOOTH_PX = 1.6
STEP_PX = 2.0


def chains(label: I32) -> list[F64]:
    """Return the borders between areas as polylines (N, 2), x and y in px.

    Each runs between two points where three areas or more meet, or is closed: its first point
    is its last.
    """
    ways = _ways(label)
    junctions = {place for place, to in ways.items() if len(to) != 2}
    found, used = [], set()
    for start in [*sorted(junctions), *sorted(ways)]:
        for first in ways[start]:
            if (start, first) in used:
                continue
            line, here = [start], first
            used |= {(start, first), (first, start)}
            while True:
                line.append(here)
                if here in junctions or here == start:
                    break
                before = line[-2]
                ahead = next(t for t in ways[here] if t != before)
                used |= {(here, ahead), (ahead, here)}
                here = ahead
            found.append(np.array(line, np.float64))
    return [_smooth(line) for line in found if len(line) > 2]


def _ways(label: I32) -> dict[tuple[int, int], list[tuple[int, int]]]:
    """Return for each corner of pixels on a border, (x, y), those it is linked with."""
    ways: dict[tuple[int, int], list[tuple[int, int]]] = {}
    row, column = np.nonzero(label[:, 1:] != label[:, :-1])
    upright = [
        ((x + 1, y), (x + 1, y + 1)) for y, x in zip(row.tolist(), column.tolist(), strict=True)
    ]
    row, column = np.nonzero(label[1:] != label[:-1])
    level = [
        ((x, y + 1), (x + 1, y + 1)) for y, x in zip(row.tolist(), column.tolist(), strict=True)
    ]
    for a, b in upright + level:
        ways.setdefault(a, []).append(b)
        ways.setdefault(b, []).append(a)
    return ways


def _smooth(line: F64) -> F64:
    closed = bool((line[0] == line[-1]).all()) and len(line) > 12
    if closed:
        soft = gaussian_filter1d(line[:-1], SMOOTH_PX, axis=0, mode="wrap")
        soft = np.vstack([soft, soft[:1]])
    else:
        # drawn out beyond its ends by its own mirror, so that these stay where they are
        n = min(len(line) - 1, 8)
        head, tail = 2 * line[0] - line[n:0:-1], 2 * line[-1] - line[-2 : -n - 2 : -1]
        soft = gaussian_filter1d(np.vstack([head, line, tail]), SMOOTH_PX, axis=0)[n:-n]
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(soft, axis=0).T))])
    at = np.linspace(0, along[-1], max(2, round(along[-1] / STEP_PX) + 1))
    return np.stack([np.interp(at, along, soft[:, k]) for k in (0, 1)], axis=1)
