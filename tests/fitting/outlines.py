"""Outlines drawn at random for fitting, their corners known: strokes, blots, letters, slits.

Shapes are laid over one another in black and white (shapely joins and cuts them), bent a little
as a hand bends them, and rasterised with exact area coverage.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely
import shapely.affinity
from fontTools.pens.basePen import decomposeQuadraticSegment
from fontTools.pens.recordingPen import DecomposingRecordingPen
from fontTools.ttLib import TTFont

from inkclean.base.arrays import F32, F64
from tests.curves.raster import coverage_of
from tests.curves.shapes import area, evenly

SIDE = 192
"""Width and height of a picture, px."""
_STEP_PX = 0.1
_AT_ONCE_PX = 0.15
"""A corner turns within so much to either side, and still does, measured over ``_LASTING_PX``
from a quarter of a px off."""
_LASTING_PX = 1.0


@dataclass(frozen=True)
class Drawn:
    """A picture ``coverage`` (H, W), and where its edge turns: ``corners`` (K, 2) px by ``turns``
    (K,) degrees at once, ``tight`` (T, 2) by 45 degrees within 1.6 px.
    """

    coverage: F32
    corners: F64
    turns: F64
    tight: F64


def drawn(rng: np.random.Generator, fonts: list[Path]) -> Drawn:
    """A picture of a few things at random."""
    return of_polygons(forms(rng, fonts), SIDE)


def forms(rng: np.random.Generator, fonts: list[Path]) -> Any:
    """Shapely's polygons of a few things at random, within ``SIDE`` px."""
    kind = rng.random()
    if kind < 0.3 and fonts:
        ink = _letters(rng, fonts[rng.integers(len(fonts))])
    elif kind < 0.58:
        ink = _scrawl(rng)
    elif kind < 0.82:
        ink = _bars(rng)
    else:
        ink = _hatching(rng) if kind < 0.88 else _blots(rng)
    if rng.random() < 0.75:
        ink = _bent(rng, ink)
    return ink.intersection(shapely.box(3.0, 3.0, SIDE - 3.0, SIDE - 3.0))


def of_polygons(ink: Any, side: int) -> Drawn:
    """The picture of shapely's polygons ``ink``, with its corners."""
    loops = []
    for part in shapely.get_parts(ink):
        if part.geom_type != "Polygon" or part.area < 1.0:
            continue
        for nth, ring in enumerate((part.exterior, *part.interiors)):
            loop = np.asarray(ring.coords)[:-1]
            if len(loop) > 2 and abs(area(loop)) > 0.3:
                loops.append(loop if (area(loop) > 0) == (nth == 0) else loop[::-1])
    if not loops:
        return Drawn(np.zeros((side, side), np.float32), *_nothing())
    found = [_corners(loop) for loop in loops]
    corners, turns, tight = (np.concatenate(parts) for parts in zip(*found, strict=True))
    return Drawn(coverage_of(loops, side, side), corners, turns, tight)


def _nothing() -> tuple[F64, F64, F64]:
    return np.zeros((0, 2)), np.zeros(0), np.zeros((0, 2))


def _corners(loop: F64) -> tuple[F64, F64, F64]:
    line = evenly(loop, _STEP_PX)
    z = line[:, 0] + 1j * line[:, 1]
    length = np.abs(np.roll(z, -1) - z)
    line, z = line[length > 1e-9], z[length > 1e-9]
    length = length[length > 1e-9]
    total = length.sum()
    if total < 4.0:
        return _nothing()
    s = np.cumsum(length) - length
    ends = np.concatenate((s - total, s, s + total))
    tripled = np.tile(z, 3)

    def at(step: float) -> Any:
        place = s + step
        return np.interp(place, ends, tripled.real) + 1j * np.interp(place, ends, tripled.imag)

    def turn(near: float, far: float) -> Any:
        out, into = at(far) - at(near), at(-near) - at(-far)
        return np.degrees(np.angle(out * np.conj(into)))

    sudden = turn(0.0, _AT_ONCE_PX)
    size = np.abs(sudden)
    # The most of its own half px.
    best = np.ones(size.size, np.bool_)
    for k in range(1, 8):
        for sign in (-1, 1):
            near = np.abs(s - np.roll(s, sign * k))
            near = np.minimum(near, total - near) < 0.3
            best &= ~near | (size + (1e-9 if sign > 0 else 0.0) > np.roll(size, sign * k))
    there = np.flatnonzero(best & (size > 15.0))
    lasting = turn(0.25, 0.25 + _LASTING_PX) * np.sign(sudden)
    turns = np.minimum(size, np.maximum(lasting, 0.0))[there]
    tight = np.abs(turn(0.0, 0.8)) > 45.0
    return line[there], turns, line[tight]


def _bent(rng: np.random.Generator, ink: Any) -> Any:
    """``ink`` drawn by a hand that is not steady: every place moved a little, smoothly."""
    waves = [
        (rng.uniform(0.0, 0.05) * length, rng.normal(size=2) / length * 4.0, rng.uniform(0, 6.3, 2))
        for length in rng.uniform(5.0, 40.0, 6)
    ]

    def moved(places: F64) -> F64:
        off = np.zeros_like(places)
        for size, way, phase in waves:
            off += size * np.sin((places @ way)[:, None] + phase)
        return np.asarray(places + off)

    return shapely.make_valid(shapely.transform(shapely.segmentize(ink, 0.7), moved)).buffer(0)


def _curve(rng: np.random.Generator, count: int, spread: float) -> F64:
    """A smooth line (N, 2) through ``count`` places at random."""
    nodes = np.cumsum(rng.normal(0.0, spread, (count + 3, 2)), axis=0)
    nodes += rng.uniform(30, SIDE - 30, 2) - nodes.mean(axis=0)
    t = np.linspace(0.0, 1.0, 24)[:, None]
    basis = (
        np.hstack(((1 - t) ** 3, 3 * t**3 - 6 * t**2 + 4, -3 * t**3 + 3 * t**2 + 3 * t + 1, t**3))
        / 6.0
    )
    pieces = [(basis @ nodes[k : k + 4])[:-1] for k in range(count)]
    return np.vstack(pieces)


def _stroke(rng: np.random.Generator) -> Any:
    """A stroke that swells, its ends pointed, round, square or aslant."""
    line = _curve(rng, int(rng.integers(1, 6)), rng.uniform(4.0, 22.0))
    t = np.linspace(0.0, 1.0, len(line))
    most = np.exp(rng.uniform(np.log(1.0), np.log(12.0)))
    width = most * (1.0 + rng.uniform(0.0, 0.4) * np.sin(rng.uniform(2, 9) * t + rng.uniform(0, 6)))
    style = rng.integers(0, 5)
    if style == 0:
        return shapely.LineString(line).buffer(most / 2.0, quad_segs=12)
    if style == 1:
        cap, join = ("flat", "square")[rng.integers(2)], ("mitre", "round")[rng.integers(2)]
        plain = line[:: int(rng.integers(1, 24))]
        if len(plain) < 2:
            plain = line[[0, -1]]
        return shapely.LineString(plain).buffer(
            most / 2.0, quad_segs=12, cap_style=cap, join_style=join
        )
    for end in (t, 1.0 - t):
        kind = rng.random()
        if kind < 0.55:
            tapers = rng.uniform(0.1, 0.9)
            width *= np.minimum(end / tapers, 1.0) ** rng.uniform(0.5, 1.3)
        elif kind < 0.75:
            # rounded off
            reach = np.maximum(np.hypot(*np.ptp(line, axis=0)), 1.0)
            width *= np.sqrt(1.0 - np.maximum(1.0 - end * reach / (most / 2.0), 0.0) ** 2)
    way = np.gradient(line, axis=0)
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    normal = np.stack((-way[:, 1], way[:, 0]), axis=1)
    lean = np.zeros((len(line), 1))
    lean[[0, -1], 0] = rng.uniform(-0.6, 0.6, 2)
    one = line + (normal + way * lean) * width[:, None] / 2.0
    other = line - (normal + way * lean) * width[:, None] / 2.0
    return shapely.make_valid(shapely.Polygon(np.vstack((one, other[::-1])))).buffer(0)


def _form(rng: np.random.Generator) -> Any:
    """One closed form: a blot, polygon, star, rounded box, drop, crescent or leaf."""
    place = rng.uniform(25, SIDE - 25, 2)
    size = np.exp(rng.uniform(np.log(1.8), np.log(40.0)))
    kind = rng.integers(0, 8)
    angle = np.linspace(0.0, 2 * np.pi, 240, endpoint=False)
    if kind == 0:
        waves = [
            rng.uniform(0.0, 0.25) / k * np.cos(k * angle + rng.uniform(0, 6)) for k in range(2, 8)
        ]
        reach = size * (1.0 + np.sum(waves, axis=0))
        blot = np.stack((reach * np.cos(angle), reach * np.sin(angle)), 1)
        return shapely.Polygon(_turned(rng, blot) + place)
    if kind == 1:
        round_ = np.stack((np.cos(angle), rng.uniform(0.4, 1.0) * np.sin(angle)), 1)
        return shapely.Polygon(_turned(rng, round_ * size) + place)
    if kind in (2, 3):
        sides = int(rng.integers(3, 8))
        turn = 2 * np.pi * (np.arange(sides) + rng.uniform(-0.3, 0.3, sides)) / sides
        inner = rng.uniform(0.4, 1.0, sides) if kind == 2 else np.tile([1.0, 0.4], 8)[:sides]
        flat = np.stack((np.cos(turn), np.sin(turn)), 1) * size * inner[:, None]
        form = shapely.Polygon(_turned(rng, flat) + place).buffer(0)
        if rng.random() < 0.3:
            radius = rng.uniform(0.4, min(6.0, 0.3 * size + 0.5))
            form = form.buffer(-radius).buffer(radius, quad_segs=24)
        return form
    if kind == 4:
        half = size * np.array([1.0, rng.uniform(0.2, 1.0)])
        radius = min(np.exp(rng.uniform(np.log(0.5), np.log(6.0))), 0.98 * half.min())
        box = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * (half - radius)
        return shapely.Polygon(_turned(rng, box) + place).buffer(radius, quad_segs=24)
    if kind == 5:
        # a drop: two sides that meet, and a round end
        open_ = np.radians(rng.uniform(15.0, 100.0))
        far = size * rng.uniform(1.0, 3.0)
        tip = np.array(
            [[0.0, 0.0], [far, far * np.tan(open_ / 2)], [far, -far * np.tan(open_ / 2)]]
        )
        wedge = shapely.Polygon(_turned(rng, tip) + place)
        return wedge.intersection(shapely.Point(place).buffer(far * 0.9, quad_segs=40))
    one = shapely.Point(place).buffer(size, quad_segs=60)
    off = _turned(rng, np.array([[size * rng.uniform(0.3, 1.6), 0.0]]))[0]
    other = shapely.Point(place + off).buffer(size * rng.uniform(0.6, 1.3), quad_segs=60)
    return one.difference(other) if kind == 6 else one.intersection(other)


def _turned(rng: np.random.Generator, points: F64) -> F64:
    a = rng.uniform(0, 2 * np.pi)
    return np.asarray(points @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]))


def _scrawl(rng: np.random.Generator) -> Any:
    """Black and white strokes and forms over one another, as figures are drawn."""
    ink = shapely.Polygon()
    for _ in range(int(rng.integers(10, 34))):
        part = _stroke(rng) if rng.random() < 0.75 else _form(rng)
        ink = ink.difference(part) if rng.random() < 0.3 else ink.union(part)
    return ink


def _blots(rng: np.random.Generator) -> Any:
    return shapely.unary_union([_form(rng) for _ in range(int(rng.integers(8, 24)))])


def _bars(rng: np.random.Generator) -> Any:
    """Lines of one width with round, square or slanting ends, dots and polygons, each alone."""
    parts = []
    cell = rng.uniform(18.0, 34.0)
    for row in np.arange(cell / 2.0, SIDE, cell):
        for column in np.arange(cell / 2.0, SIDE, cell):
            width = rng.uniform(1.4, 6.5)
            half = rng.uniform(0.5, 0.48 * cell - width / 2.0)
            kind = rng.random()
            if kind < 0.15:
                round_ = shapely.Point(0.0, 0.0).buffer(rng.uniform(1.2, 7.0), quad_segs=24)
                parts.append(_put(rng, round_, column, row))
            elif kind < 0.25:
                sides = int(rng.integers(3, 9))
                angle = 2 * np.pi * np.arange(sides) / sides
                flat = np.stack((np.cos(angle), np.sin(angle)), 1) * rng.uniform(2.0, 0.45 * cell)
                parts.append(_put(rng, shapely.Polygon(flat), column, row))
            else:
                x = np.linspace(-half, half, 9)
                line = np.stack((x, rng.normal(0.0, 0.02) * (x * x - half * half)), 1)
                if kind < 0.5:
                    bar = shapely.LineString(line).buffer(width / 2.0, quad_segs=24)
                else:
                    lean = rng.normal(0.0, 0.3, 2) * (rng.random() < 0.5)
                    up = line + np.array([0.0, width / 2.0])
                    down = line - np.array([0.0, width / 2.0])
                    up[[0, -1], 0] += lean * width
                    bar = shapely.Polygon(np.vstack((up, down[::-1]))).buffer(0)
                    if rng.random() < 0.6:
                        radius = rng.uniform(0.2, 0.49 * width)
                        bar = bar.buffer(-radius, join_style="mitre").buffer(radius, quad_segs=16)
                    if rng.random() < 0.2:
                        # a T or a cross
                        across = shapely.affinity.rotate(bar, rng.uniform(40.0, 140.0))
                        moved = shapely.affinity.translate(across, *rng.uniform(-half, half, 2) / 2)
                        bar = bar.union(moved)
                parts.append(_put(rng, bar, column, row))
    ink = shapely.unary_union(parts)
    if rng.random() < 0.3:
        # the same cut out of ink
        ink = shapely.box(1.0, 1.0, SIDE - 1.0, SIDE - 1.0).difference(ink)
    return ink


def _put(rng: np.random.Generator, form: Any, x: float, y: float) -> Any:
    """``form`` turned at random and moved to about (x, y)."""
    a = rng.uniform(0.0, 2 * np.pi)
    turn = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    place = np.array([x, y]) + rng.uniform(-1.0, 1.0, 2)
    return shapely.transform(form, lambda points: points @ turn + place)


def _hatching(rng: np.random.Generator) -> Any:
    """Straight strokes side by side, tapered or blunt, ending in the open or in a form."""
    count, gap = int(rng.integers(5, 16)), rng.uniform(3.0, 9.0)
    width = rng.uniform(0.8, min(0.7 * gap, 4.0))
    parts = []
    for k in range(count):
        x = (k - count / 2.0) * gap + rng.normal(0.0, 0.3)
        ends = np.array([-1.0, 1.0]) * rng.uniform(10.0, 40.0) + rng.normal(0.0, 3.0, 2)
        a, b = rng.uniform(0.0, 1.0, 2) * width * rng.integers(0, 2, 2) / 2.0
        half, middle = width / 2.0, ends.mean()
        parts.append(
            [
                [x - a, ends[0]],
                [x + a + 0.01, ends[0]],
                [x + half, middle],
                [x + b + 0.01, ends[1]],
                [x - b, ends[1]],
                [x - half, middle],
            ]
        )
    a = rng.uniform(0, 2 * np.pi)
    turn = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    ink = shapely.unary_union([shapely.Polygon(np.array(p) @ turn + SIDE / 2.0) for p in parts])
    return ink.union(_form(rng)) if rng.random() < 0.5 else ink


def _letters(rng: np.random.Generator, path: Path) -> Any:
    """Letters of a font at a size at random, turned a little."""
    font = TTFont(path, lazy=True)
    glyphs, names = font.getGlyphSet(), sorted(set(font.getBestCmap().values()))
    size = np.exp(rng.uniform(np.log(18.0), np.log(110.0)))
    scale = size / font["head"].unitsPerEm
    turn = rng.normal(0.0, 0.25)
    matrix = scale * np.array([[np.cos(turn), np.sin(turn)], [np.sin(turn), -np.cos(turn)]])
    parts = []
    for row in np.arange(0.9 * size, SIDE, 1.15 * size):
        for column in np.arange(4.0, SIDE - 0.5 * size, 0.95 * size):
            pen = DecomposingRecordingPen(glyphs)
            glyphs[names[rng.integers(len(names))]].draw(pen)
            place = np.array([column, row]) + rng.uniform(0.0, 1.0, 2)
            rings = [ring @ matrix + place for ring in _rings(pen.value) if len(ring) > 2]
            parts.append(_filled(rings))
    return shapely.unary_union(parts)


def _filled(rings: list[F64]) -> Any:
    """Polygons of the ``rings`` of one letter: the larger way round is ink, the other cuts it."""
    sizes = [area(ring) for ring in rings]
    if not sizes:
        return shapely.Polygon()
    way = np.sign(max(sizes, key=abs))
    solid = [shapely.Polygon(r).buffer(0) for r, a in zip(rings, sizes, strict=True) if a * way > 0]
    holes = [shapely.Polygon(r).buffer(0) for r, a in zip(rings, sizes, strict=True) if a * way < 0]
    return shapely.unary_union(solid).difference(shapely.unary_union(holes))


def _rings(value: list[Any]) -> list[F64]:
    rings: list[F64] = []
    points: list[F64] = []
    t = (np.arange(1, 13) / 12.0)[:, None]
    for word, given in value:
        places = [np.array(p, float) for p in given if p is not None]
        if word == "moveTo":
            points = [places[0][None]]
        elif word == "lineTo":
            points.append(places[0][None])
        elif word == "curveTo":
            a, (b, c, d) = points[-1][-1], places
            points.append((1 - t) ** 3 * a + 3 * t * (1 - t) ** 2 * b
                          + 3 * t * t * (1 - t) * c + t**3 * d)  # fmt: skip
        elif word == "qCurveTo" and points:
            for c, d in decomposeQuadraticSegment(given):
                a = points[-1][-1]
                points.append((1 - t) ** 2 * a + 2 * t * (1 - t) * np.array(c, float)
                              + t * t * np.array(d, float))  # fmt: skip
        elif word in ("closePath", "endPath") and points:
            ring = np.vstack(points)
            rings.append(ring[:-1] if np.allclose(ring[0], ring[-1]) else ring)
            points = []
    return rings
