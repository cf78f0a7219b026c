"""Known outlines: polygons, blobs, strokes and the letters of a font, as closed cubics in px."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import reportlab
from fontTools.pens.basePen import decomposeQuadraticSegment
from fontTools.pens.recordingPen import DecomposingRecordingPen
from fontTools.ttLib import TTFont

from inkclean.base.arrays import F64
from inkclean.curves.values import Curves
from tests.curves.raster import flatten

# Bitstream Vera, as shipped with reportlab: outlines of lines and quadratic curves whose nodes
# and corners are known.
FONT = Path(reportlab.__file__).parent / "fonts" / "Vera.ttf"
LETTERS = "abcdefghkmnpqrstwxyzABDEGKRSX2358&"


def area(outline: F64) -> float:
    """Shoelace area; positive for clockwise on the screen."""
    x, y = outline.T
    return float(0.5 * np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))


def clockwise(outline: F64) -> F64:
    return np.asarray(outline if area(outline) > 0 else outline[::-1])


def polygon(sides: int, radius: float, turn: float, centre: tuple[float, float]) -> F64:
    angle = turn + 2 * np.pi * np.arange(sides) / sides
    return np.stack((centre[0] + radius * np.cos(angle), centre[1] + radius * np.sin(angle)), 1)


def star(points: int, outer: float, inner: float, centre: tuple[float, float]) -> F64:
    angle = 0.3 + np.pi * np.arange(2 * points) / points
    radius = np.where(np.arange(2 * points) % 2 == 0, outer, inner)
    return np.stack((centre[0] + radius * np.cos(angle), centre[1] + radius * np.sin(angle)), 1)


def blob(radius: float, waves: list[tuple[float, float]], centre: float) -> F64:
    """A smooth closed shape: waves of 2, 3, 4 … periods, each (share of the radius, phase)."""
    angle = np.linspace(0.0, 2 * np.pi, 1440, endpoint=False)
    reach = 1.0 + sum(a * np.cos((k + 2) * angle + p) for k, (a, p) in enumerate(waves))
    return np.stack(
        (centre + radius * reach * np.cos(angle), centre + radius * reach * np.sin(angle)), axis=1
    )


def tightest(outline: F64) -> float:
    """The least radius of curvature of a finely sampled closed polyline, px."""
    z = outline[:, 0] + 1j * outline[:, 1]
    step = np.roll(z, -1) - z
    turn = np.abs(np.angle(step * np.conj(np.roll(step, 1))))
    return float((np.abs(step) / np.maximum(turn, 1e-12)).min())


def band(middle: F64, width: float) -> F64:
    """The outline of a stroke with flat ends along ``middle``."""
    way = np.gradient(middle, axis=0)
    normal = np.stack((-way[:, 1], way[:, 0]), 1) / np.hypot(*way.T)[:, None]
    return clockwise(np.vstack((middle + normal * width / 2, (middle - normal * width / 2)[::-1])))


@cache
def _font() -> Any:
    return TTFont(FONT)


def letter(character: str, size: float, turn: float, place: tuple[float, float]) -> list[F64]:
    """Loops (S, 4, 2) of a letter at ``size`` px an em, outer ones clockwise on the screen."""
    font = _font()
    pen = DecomposingRecordingPen(font.getGlyphSet())
    font.getGlyphSet()[font.getBestCmap()[ord(character)]].draw(pen)
    loops: list[F64] = []
    pieces: list[list[F64]] = []
    here = begin = np.zeros(2)

    def line(end: F64) -> list[F64]:
        return [here, here + (end - here) / 3, end - (end - here) / 3, end]

    for word, points in pen.value:
        if word == "moveTo":
            here = begin = np.array(points[0], float)
            pieces = []
        elif word == "lineTo":
            end = np.array(points[0], float)
            pieces.append(line(end))
            here = end
        elif word == "qCurveTo":
            for control, end_ in decomposeQuadraticSegment(points):
                c, end = np.array(control, float), np.array(end_, float)
                pieces.append([here, here + 2 / 3 * (c - here), end + 2 / 3 * (c - end), end])
                here = end
        elif word == "closePath":
            if not np.allclose(here, begin):
                pieces.append(line(begin))
            loops.append(np.array(pieces))
    cos, sin = np.cos(turn), np.sin(turn)
    scale = size / font["head"].unitsPerEm
    matrix = np.array([[cos, sin], [-sin, cos]])
    placed = [loop * scale * [1, -1] @ matrix + place for loop in loops]
    if sum(area(flatten(loop, 8)) for loop in placed) < 0:
        placed = [loop[::-1, ::-1] for loop in placed]
    return placed


def turns(loop: F64) -> F64:
    """Angle in degrees by which the outline turns at the end of each cubic."""
    into = loop[:, 3] - loop[:, 2]
    out = np.roll(loop[:, 1] - loop[:, 0], -1, axis=0)
    z = (out[:, 0] + 1j * out[:, 1]) * np.conj(into[:, 0] + 1j * into[:, 1])
    return np.asarray(np.degrees(np.abs(np.angle(z))))


def loops_px(curves: Curves, px_per_mm: float, steps: int = 24) -> list[F64]:
    """Each loop as a closed polyline in px."""
    cubics = curves.cubics * px_per_mm
    return [
        flatten(cubics[a:b], steps)
        for a, b in zip(curves.loops[:-1], curves.loops[1:], strict=True)
    ]


def evenly(outline: F64, step: float) -> F64:
    """Points at most ``step`` apart along a closed polyline."""
    end = np.roll(outline, -1, axis=0)
    count = np.maximum(np.ceil(np.hypot(*(end - outline).T) / step), 1).astype(int)
    own = np.repeat(np.arange(count.size), count)
    share = (np.arange(own.size) - np.repeat(np.cumsum(count) - count, count)) / count[own]
    return np.asarray(outline[own] + (end - outline)[own] * share[:, None])


def check_form(curves: Curves) -> None:
    """What every set of curves keeps: closed loops, orientation, flags, tangents, no loops."""
    assert curves.loops[0] == 0 and curves.loops[-1] == len(curves.cubics)
    assert np.isfinite(curves.cubics).all()
    seen: set[int] = set()
    for number in range(len(curves.hole)):
        a, b = curves.loops[number], curves.loops[number + 1]
        loop = curves.cubics[a:b]
        np.testing.assert_allclose(loop[:, 3], np.roll(loop[:, 0], -1, axis=0), atol=1e-12)
        outline = flatten(loop, 16)
        assert (area(outline) < 0) == curves.hole[number]
        assert curves.hole[number] == (int(curves.shape[number]) in seen)
        seen.add(int(curves.shape[number]))
        bends = np.roll(turns(loop), 1)
        assert bends[~curves.corner[a:b]].max(initial=0.0) < 0.1
    chord = curves.cubics[:, 3] - curves.cubics[:, 0]
    steps = np.diff(curves.cubics, axis=1)
    # Control values never go back along the chord: no loop, no cusp.
    advance = np.einsum("skd,sd->sk", steps, chord)
    assert (advance >= -1e-6 * np.einsum("sd,sd->s", chord, chord)[:, None]).all()
    third = curves.cubics[:, 0] + chord / 3.0
    np.testing.assert_allclose(curves.cubics[curves.straight, 1], third[curves.straight], atol=1e-9)
