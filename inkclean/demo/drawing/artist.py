"""The hand that draws a panel: shapes in the panel's own units, put on the board in mm."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any, TypeAlias

import numpy as np

from inkclean.base.arrays import F64
from inkclean.demo.drawing import lettering
from inkclean.demo.drawing.board import Board
from inkclean.demo.drawing.pen import Pen, disc, ink_strokes, resample, smooth, tremor

# (N, 2): rows of numbers, of arrays, or of both
Points: TypeAlias = Any


@dataclass(frozen=True)
class Hand:
    """What all panels share: widths in mm of hatching and of the smallest dots; liveliness."""

    hatch_mm: float
    dot_mm: float
    gaps: float
    wobble: float


@dataclass
class Artist:
    """Draws on ``board``: local place p goes to ``origin + scale · p`` mm, or mirrored in x."""

    board: Board
    hand: Hand
    origin: tuple[float, float]
    scale: float
    mirror: float = 0.0  # the local width to mirror about; 0: not

    @property
    def rng(self) -> np.random.Generator:
        """The chance of the page."""
        return self.board.rng

    def mm(self, points: Points) -> F64:
        """Local places (N, 2) in mm of the page."""
        local = np.array(points, np.float64)
        if self.mirror:
            local[:, 0] = self.mirror - local[:, 0]
        return np.asarray(local * self.scale + np.array(self.origin), np.float64)

    def pen(self, width: float, start: float = 0.35, end: float = 0.15, **more: float) -> Pen:
        """A pen of that width in mm; larger pages get a little more."""
        wide = width * self.scale**0.5
        wobble = more.pop("wobble_mm", 0.07) * self.hand.wobble
        base = Pen(wide, start=start, end=end, pressure=0.16, gaps=self.hand.gaps)
        return base.but(wobble_mm=wobble, **more)

    def line(
        self,
        points: Points,
        width: float = 0.4,
        start: float = 0.35,
        end: float = 0.15,
        *,
        closed: bool = False,
        curved: bool = True,
        **more: float,
    ) -> None:
        """Draw a stroke; closed and blunt ones meet themselves."""
        if width >= 0.35 and len(points) > 2:
            self._under(points, closed=closed, curved=curved)
        if closed:
            start = end = 0.85
        pen = self.pen(width, start, end, **more)
        if curved:
            self.board.line(self.mm(points), pen, closed=closed)
        else:
            corners = self.mm(points)
            last = np.roll(corners, -1, axis=0) if closed else corners[1:]
            for a, b in zip(corners, last, strict=False):
                self.board.line(np.stack([a, b]), pen, curved=False)

    def shape(
        self,
        points: Points,
        width: float = 0.45,
        fill: str = "white",
        *,
        curved: bool = True,
        outline: bool = True,
        **more: float,
    ) -> F64:
        """Draw a closed shape, cleared or black inside; returns its outline in mm."""
        mm = self.mm(points)
        body = smooth(mm, closed=True)[:-1] if curved else mm
        if fill == "white":
            self.board.clear([body])
        elif fill == "black":
            self.board.black(body)
        if outline:
            self.line(points, width, closed=True, curved=curved, **more)
        return body

    def white(
        self,
        points: Points,
        width: float = 0.35,
        start: float = 0.4,
        end: float = 0.1,
        *,
        closed: bool = False,
    ) -> None:
        """Leave a line free in a black."""
        curve = smooth(self.mm(points), closed=closed)
        self.board.clear(ink_strokes(curve[None], self.pen(width, start, end), self.rng))

    def edged(
        self, points: Points, width: float, rim: float = 0.35, start: float = 1.0, end: float = 0.9
    ) -> None:
        """Draw a black line with paper left free along both sides, to stand on a black."""
        self.white(points, width + 2 * rim, start, end)
        self.line(points, width, start, end, gaps=0.0)

    def halo(self, points: Points, breadth: float = 0.5, *, curved: bool = True) -> None:
        """Leave a rim of paper around a closed shape that is to stand on a black."""
        mm = self.mm(points)
        body = smooth(mm, closed=True)[:-1] if curved else mm
        ends = smooth(mm, closed=True) if curved else np.concatenate([mm, mm[:1]])
        pen = Pen(2 * breadth * self.scale**0.5, pressure=0.0, wobble_mm=0.0)
        sides = [np.stack([p, q])[None] for p, q in pairwise(ends)]
        rims = [ink_strokes(side, pen, self.rng)[0] for side in sides]
        self.board.clear([body, *rims])

    def hatch(
        self,
        points: Points,
        deg: float,
        spacing: float = 0.75,
        *,
        curved: bool = False,
        width: float = 0.0,
        taper: float = 0.35,
    ) -> None:
        """Hatch a region; ``spacing`` in mm, ``deg`` on the paper."""
        mm = self.mm(points)
        body = smooth(mm, closed=True)[:-1] if curved else mm
        angle = np.radians(180 - deg if self.mirror else deg)
        self.board.hatch(body, angle, spacing, width or self.hand.hatch_mm, taper=taper)

    def stipple(self, points: Points, count: int, grow: float = 1.8) -> None:
        """Scatter dots in a region, none closer than they are large; denser to its first point."""
        mm = self.mm(points)
        low, high = mm.min(axis=0), mm.max(axis=0)
        want = self.rng.uniform(low, high, (count * 6, 2))
        near = np.hypot(*(want - mm[0]).T) / np.hypot(*(high - low))
        want = want[_inside(want, mm) & (self.rng.random(len(want)) > near**0.7)]
        kept: list[F64] = []
        for place in want:
            if all(np.hypot(*(place - other)) > 0.85 for other in kept[-150:]):
                kept.append(place)
            if len(kept) >= count:
                break
        for x, y in kept:
            self.board.dot(float(x), float(y), self.hand.dot_mm * self.rng.uniform(1.02, grow))

    def dot(self, x: float, y: float, diameter: float) -> None:
        """Set one drawn dot, its diameter in mm."""
        ((px, py),) = self.mm([[x, y]])
        self.board.dot(float(px), float(py), diameter)

    def star(self, x: float, y: float, diameter: float) -> None:
        """Leave a dot free in a black."""
        ((px, py),) = self.mm([[x, y]])
        self.board.clear([disc(float(px), float(py), diameter, 0.05, self.rng)])

    def feather(
        self,
        edge: Points,
        toward: Points,
        count: int,
        width: float = 0.9,
        uneven: float = 0.4,
        *,
        clear: bool = False,
    ) -> None:
        """Draw strokes that run out from a black: from along ``edge`` to along ``toward``."""
        a, b = (
            resample(smooth(self.mm(p)), 1e9) if len(p) < 3 else smooth(self.mm(p))
            for p in (edge, toward)
        )
        t = (np.arange(count) + self.rng.uniform(0.2, 0.8, count)) / count
        at, to = _along(a, t), _along(b, t)
        to = at + (to - at) * self.rng.uniform(1 - uneven, 1 + 0.3 * uneven, (count, 1))
        at = at - 0.05 * (to - at)
        s = np.linspace(0.0, 1.0, 10)[None, :, None]
        centres = at[:, None] * (1 - s) + to[:, None] * s
        pen = Pen(
            width * self.scale**0.5, start=1.0, end=0.0, taper_mm=60.0, pressure=0.1, wobble_mm=0.05
        )
        marks = ink_strokes(centres, pen, self.rng)
        (self.board.clear if clear else self.board.ink)(marks)

    def dry_brush(
        self, path: Points, breadth: float, bristles: int = 16, load: float = 0.55
    ) -> None:
        """Draw one stroke of a brush that runs dry: full for ``load`` of the way, then streaks."""
        curve = smooth(self.mm(path), step=0.8)
        normal = np.gradient(curve, axis=0)
        normal = np.stack([-normal[:, 1], normal[:, 0]], 1) / np.hypot(*normal.T)[:, None]
        breadth *= self.scale
        t = np.linspace(0.0, 1.0, len(curve))
        swell = np.sin(np.pi * np.clip(t * 1.3 + 0.1, 0, 1)) ** 0.4
        for k in range(bristles):
            across = (k + 0.5) / bristles - 0.5
            stop = np.clip(load + self.rng.normal(0.2, 0.22) * (1 - abs(across)), 0.15, 1.0)
            runs = [(0.0 + 0.08 * abs(across), stop)]
            if stop < 0.9 and self.rng.random() < 0.6:
                again = stop + self.rng.uniform(0.03, 0.12)
                runs.append((again, min(1.0, again + self.rng.uniform(0.05, 0.2))))
            for low, high in runs:
                part = (t >= low) & (t <= high)
                if part.sum() < 4:
                    continue
                off = across * breadth * swell[part] + tremor(t[part][None] * 40, 0.05, self.rng)[0]
                centre = curve[part] + off[:, None] * normal[part]
                pen = Pen(
                    1.25 * breadth / bristles,
                    start=0.8,
                    end=0.05,
                    taper_mm=5.0,
                    pressure=0.3,
                    wobble_mm=0.03,
                )
                self.board.ink(ink_strokes(centre[None], pen, self.rng))

    def sketch(
        self, points: Points, width: float = 0.5, *, closed: bool = False, curved: bool = True
    ) -> None:
        """Draw a line of underdrawing."""
        wide = width * self.scale**0.5
        self.board.sketch(self.mm(points), wide, closed=closed, curved=curved)

    def _under(self, points: Points, *, closed: bool, curved: bool) -> None:
        """Pencil that the ink was laid over: the same line, found more loosely."""
        mm = self.mm(points)
        for _ in range(1 + int(self.rng.random() < 0.35)):
            loose = mm + self.rng.normal(0.0, 0.28, (1, 2)) + self.rng.normal(0.0, 0.16, mm.shape)
            wide = self.rng.uniform(0.3, 0.5) * self.scale**0.5
            self.board.sketch(loose, wide, closed=closed, curved=curved)

    def letter(self, text: str, x: float, y: float, height: float, weight: float = 0.42) -> None:
        """Letter one line, centred at x, its foot at y; local units, weight in mm."""
        left = x - lettering.width(text, height) / 2
        upright = Artist(self.board, self.hand, self._corner(), self.scale)
        pen = Pen(weight * self.scale**0.5, start=0.95, end=0.85, pressure=0.07, wobble_mm=0.03)
        if self.mirror:
            left = self.mirror - x - lettering.width(text, height) / 2
        for curved, points in lettering.strokes(text, left, y, height, self.rng):
            mm = upright.mm(points)
            curve = smooth(mm, step=0.25) if curved else resample(mm, 0.25)
            self.board.ink(ink_strokes(curve[None], pen, self.rng))
        wide = lettering.width(text, height)
        for guide in (y, y - height):
            upright.sketch([[left - 1.5, guide], [left + wide + 1.5, guide]], 0.3, curved=False)

    def _corner(self) -> tuple[float, float]:
        return self.origin


def places(text: str) -> F64:
    """Places (N, 2) written as ``x,y x,y …``."""
    return np.array([[float(v) for v in place.split(",")] for place in text.split()])


def ring(
    cx: float,
    cy: float,
    rx: float,
    ry: float | None = None,
    n: int = 28,
    start: float = 0.0,
    stop: float = 360.0,
) -> F64:
    """Places on an ellipse from ``start`` to ``stop`` degrees (0: right, 90: down)."""
    full = abs(stop - start) >= 360
    t = np.radians(np.linspace(start, stop, n, endpoint=not full))
    return np.stack([cx + rx * np.cos(t), cy + (rx if ry is None else ry) * np.sin(t)], axis=1)


def _along(curve: F64, t: F64) -> F64:
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(curve, axis=0).T))])
    at = t * s[-1]
    return np.stack([np.interp(at, s, curve[:, 0]), np.interp(at, s, curve[:, 1])], axis=1)


def _inside(places: F64, polygon: F64) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    x, y = places[:, :1], places[:, 1:]
    x0, y0 = polygon.T
    x1, y1 = np.roll(polygon, -1, axis=0).T
    crosses = (y0 <= y) != (y1 <= y)
    with np.errstate(divide="ignore", invalid="ignore"):
        at = x0 + (y - y0) / (y1 - y0) * (x1 - x0)
    return np.asarray((crosses & (at > x)).sum(axis=1) % 2 == 1, np.bool_)
