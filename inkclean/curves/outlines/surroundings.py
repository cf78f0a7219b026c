"""What lies about points of the edge where it turns, each seen the same way up.

Every turn is brought to one form: the edge runs along +x through the point, turns toward +y, and
what lies inside the turn counts as full. Ink's tips and paper's notches are then alike, and so
are turns to either hand.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from inkclean.base.arrays import F32, F64, I64, Bool
from inkclean.curves.plane import as_complex, as_points
from inkclean.curves.seen import CAN_SEE, seen_about, seen_turned

REACH = 10  # points of the edge looked at, to either side
_ALONG = np.arange(-4.0, 4.5)  # px along the edge at which coverage is looked at
_ACROSS = np.arange(-5.0, 4.5)  # px across the edge at which coverage is looked at, turned with it
_FAR_PX = 12.0  # px that a point of the edge counts as far at most: a px a point, and some
SIZE = 4 * REACH + _ALONG.size * _ACROSS.size + 2


@dataclass(frozen=True)
class Surroundings:
    """``values`` (C, SIZE) float32 about C points, and the frame of each: its +x axis in the
    picture, ``way`` (C, 2) unit, and whether it is ``mirrored`` (C,).
    """

    values: F32
    way: F64
    mirrored: Bool

    def from_frame(self, place: F64) -> F64:
        """Offsets (C, 2) in the picture, px, of ``place`` (C, 2) px in the points' own frames."""
        own = as_complex(place)
        return as_points(np.where(self.mirrored, np.conj(own), own) * as_complex(self.way))

    def to_frame(self, offset: F64) -> F64:
        """The other way round."""
        place = as_complex(offset) * np.conj(as_complex(self.way))
        return as_points(np.where(self.mirrored, np.conj(place), place))


def look_around(points: F64, here: I64, coverage: F32, blur: float, noise: float) -> Surroundings:
    """Return what lies about those ``here`` (C,) of ``points`` (P, 2) px along closed loops, run
    on by ``REACH`` at both ends; ``blur`` and ``noise`` as in InkEdges.
    """
    z = as_complex(points)
    steps = np.concatenate((np.arange(-REACH, 0), np.arange(1, REACH + 1)))
    about = z[here[:, None] + steps] - z[here][:, None]
    way = about[:, REACH + 1] - about[:, REACH - 2]
    way /= np.maximum(np.abs(way), 1e-9)
    turn = (about[:, REACH + 2] * np.conj(-about[:, REACH - 3])).imag
    mirrored = turn < 0.0
    about *= np.conj(way)[:, None]
    sign = np.where(mirrored, -1.0, 1.0).astype(np.float32)
    values = np.empty((here.size, SIZE), np.float32)
    values[:, : 2 * REACH] = about.real
    values[:, 2 * REACH : 4 * REACH] = about.imag * sign[:, None]
    np.clip(values, -_FAR_PX, _FAR_PX, out=values)
    ways = as_points(way)
    if CAN_SEE:
        seen_turned(coverage, points.take(here, axis=0), ways, sign, _taps(), values, 4 * REACH)
    else:
        seen = _seen(points[here], ways, sign, coverage)
        values[:, 4 * REACH : -2] = np.where(mirrored[:, None], 1.0 - seen, seen)
    values[:, -2], values[:, -1] = blur, 10.0 * noise
    return Surroundings(values, ways, mirrored)


def _seen(at: F64, way: F64, sign: F32, coverage: F32) -> F32:
    """Coverage (C, K) about each point ``at`` (C, 2), turned with the edge."""
    along, across = _taps()
    u, v = (side.astype(np.float32)[:, None] for side in way.T)
    x, y = (side * along for side in (u, v))
    x -= v * sign[:, None] * across
    y += u * sign[:, None] * across
    return seen_about(coverage, at, x, y)


@cache
def _taps() -> tuple[F32, F32]:
    """How far along and across the edge coverage is looked at, px (K,) each."""
    along = np.repeat(_ALONG.astype(np.float32), _ACROSS.size)
    return along, np.tile(_ACROSS.astype(np.float32), _ALONG.size)


def both_sides(values: F64 | F32) -> F32:
    """The same surroundings (C, SIZE), the edge run through the other way."""
    points = 2 * REACH
    x, y, seen = values[:, :points], values[:, points : 2 * points], values[:, 2 * points : -2]
    window = seen.reshape(-1, _ALONG.size, _ACROSS.size)[:, ::-1].reshape(len(seen), -1)
    return np.hstack((-x[:, ::-1], y[:, ::-1], window, values[:, -2:])).astype(np.float32)
