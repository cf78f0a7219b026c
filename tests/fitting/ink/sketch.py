"""The underdrawing beneath a page: search lines, circles, axes, scribbled shading, by pencil."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F64, U8
from tests.fitting.ink.strokes import PX_PER_MM, SIDE, SIDE_MM, curve

Rng = np.random.Generator
COARSER = 2  # a pencil is broad: maps so much coarser hold it
_PX_PER_MM = PX_PER_MM / COARSER
_BITS = 4
BLANK = 0.25  # share of sketches without any


def sketch(rng: Rng) -> U8:
    """Return (SIDE / COARSER)² uint8: how hard a pencil was pressed, 0 where it was not."""
    layer = np.zeros((SIDE // COARSER,) * 2, np.uint8)
    if rng.random() < BLANK:
        return layer
    width = float(np.exp(rng.uniform(np.log(0.2), np.log(1.0))))
    makers = (_circles, _search, _straight, _shading, _lines)
    for k in rng.choice(len(makers), int(rng.integers(4, 24)), p=(0.2, 0.3, 0.2, 0.12, 0.18)):
        makers[k](layer, width, rng)
    return layer


def _stroke(layer: U8, points: F64, width: float, press: float, rng: Rng) -> None:
    """Add a stroke along ``points`` (N, 2) mm that swells and fades a little."""
    if (points.max(0) < -2).any() or (points.min(0) > SIDE_MM + 2).any():
        return
    parts = max(1, min(6, len(points) // 6))
    spots = np.round(points * (_PX_PER_MM * 2**_BITS)).astype(np.int32)
    own = np.zeros_like(layer)
    for part in np.array_split(np.arange(len(points) - 1), parts):
        value = press * rng.uniform(0.6, 1.15)
        thick = max(1, round(width * rng.uniform(0.8, 1.2) * _PX_PER_MM))
        line = spots[part[0] : part[-1] + 2]
        cv2.polylines(own, [line], False, (min(255.0, 255 * value),), thick, cv2.LINE_AA, _BITS)
    x0, y0 = np.clip(points.min(0) * _PX_PER_MM - 12, 0, len(layer)).astype(int)
    x1, y1 = np.clip(points.max(0) * _PX_PER_MM + 12, 0, len(layer)).astype(int)
    here = slice(y0, y1), slice(x0, x1)
    layer[here] += np.minimum(own[here], 255 - layer[here])


def _ellipse(rng: Rng, at: F64, size: F64, turn: float) -> F64:
    start, long = rng.uniform(0, 6.28), rng.uniform(5.5, 7.5)
    t = start + np.linspace(0, long, 60)
    local = np.stack([np.cos(t), np.sin(t)], 1) * size
    cos, sin = np.cos(turn), np.sin(turn)
    return np.asarray(at + local @ np.array([[cos, sin], [-sin, cos]]))


def _circles(layer: U8, width: float, rng: Rng) -> None:
    """Circles and ovals drawn round and round."""
    at = rng.uniform(0, SIDE_MM, 2)
    size = np.exp(rng.uniform(np.log(2), np.log(25))) * np.array([1, rng.uniform(0.4, 1)])
    turn = float(rng.uniform(0, 3.2))
    for _ in range(int(rng.integers(1, 5))):
        own = size * rng.normal(1, 0.05, 2)
        points = _ellipse(rng, at + rng.normal(size=2) * 0.4, own, turn + rng.normal() * 0.05)
        _stroke(layer, points, width, float(rng.uniform(0.3, 1)), rng)


def _search(layer: U8, width: float, rng: Rng) -> None:
    """A line looked for with several strokes, one beside the other."""
    count = int(rng.integers(3, 8))
    ways = rng.uniform(0, 6.28) + np.cumsum(rng.normal(0, 0.4, count))
    steps = np.stack([np.cos(ways), np.sin(ways)], 1) * rng.uniform(2, 12)
    line = curve(rng.uniform(0, SIDE_MM, 2) + np.cumsum(steps, 0), 1.0)
    for _ in range(int(rng.integers(1, 6))):
        first = int(rng.integers(0, max(1, len(line) // 2)))
        last = int(rng.integers(first + 2, len(line) + 1)) if len(line) > first + 2 else len(line)
        bend = rng.normal(size=2) * 0.5 + np.linspace(0, 1, len(line))[:, None] * rng.normal(size=2)
        _stroke(layer, (line + bend)[first:last], width, float(rng.uniform(0.3, 1)), rng)


def _straight(layer: U8, width: float, rng: Rng) -> None:
    """Axes and guides that run on."""
    turn, at = rng.choice([0.0, np.pi / 2, rng.uniform(0, 3.2)]), rng.uniform(0, SIDE_MM, 2)
    apart, long = rng.uniform(1.5, 12), rng.uniform(15, 90)
    for k in range(int(rng.integers(1, 6))):
        way = turn + rng.normal() * 0.02
        out, across = np.array([np.cos(way), np.sin(way)]), np.array([-np.sin(way), np.cos(way)])
        middle = at + across * (k * apart)
        points = middle + out * np.linspace(-long / 2, long / 2, 30)[:, None]
        _stroke(layer, points, 0.7 * width, float(rng.uniform(0.25, 0.8)), rng)


def _shading(layer: U8, width: float, rng: Rng) -> None:
    """Tone rubbed in to and fro."""
    many, apart, high = int(rng.integers(6, 40)), rng.uniform(0.3, 1.4), rng.uniform(2, 14)
    t = np.arange(many)
    local = np.stack([t * apart, (t % 2) * high * (1 + 0.2 * rng.normal(size=many))], 1)
    turn = rng.uniform(0, 6.28)
    cos, sin = np.cos(turn), np.sin(turn)
    line = rng.uniform(0, SIDE_MM, 2) + local @ np.array([[cos, sin], [-sin, cos]])
    _stroke(layer, curve(line, 0.8), 1.3 * width, float(rng.uniform(0.2, 0.7)), rng)


def _lines(layer: U8, width: float, rng: Rng) -> None:
    """Loose short strokes, as a pencil's hatching or lettering."""
    at, way = rng.uniform(0, SIDE_MM, 2), rng.uniform(0, 6.28)
    spread, long = rng.uniform(2, 12), rng.uniform(1.5, 9)
    for _ in range(int(rng.integers(4, 30))):
        turns = way + rng.normal() * 0.3 + np.linspace(0, 1, 5) * rng.normal()
        steps = np.stack([np.cos(turns), np.sin(turns)], 1) * long / 5
        points = at + rng.normal(size=2) * spread + np.cumsum(steps, 0)
        _stroke(layer, curve(points), width, float(rng.uniform(0.3, 1)), rng)
