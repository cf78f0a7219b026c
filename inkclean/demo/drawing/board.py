"""The board a scene is drawn on: strokes, blacks and erasures in order, then exact coverage.

Later marks may clear what lies below them (a figure before a background, a balloon before
everything), as an inker simply leaves the place free. All lengths are mm of paper.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from inkclean.base.arrays import F32, F64
from inkclean.demo.drawing import raster
from inkclean.demo.drawing.pen import Pen, disc, ink_strokes, resample, skips, smooth

_STRAY_MM = 2.0  # how far pencil lines run on over a panel's border


@dataclass
class Records:
    """Features drawn at known places: rows are only candidates until checked on the page."""

    hatching: list[F64] = field(default_factory=list)
    hatching_width: list[F64] = field(default_factory=list)
    dots: list[tuple[float, float, float]] = field(default_factory=list)
    blacks: list[F64] = field(default_factory=list)


@dataclass
class Board:
    """Collects marks within a box (x0, y0, x1, y1) of the page, in the order drawn."""

    box: tuple[float, float, float, float]
    rng: np.random.Generator
    records: Records
    clip: F64 | None = None
    ops: list[tuple[str, list[F64]]] = field(default_factory=list)
    pencil: list[F64] = field(default_factory=list)

    def ink(self, polygons: list[F64]) -> None:
        """Fill polygons with ink."""
        self._op("ink", polygons)

    def clear(self, polygons: list[F64]) -> None:
        """Leave the inside of polygons free of what was drawn before."""
        self._op("clear", polygons)

    def black(self, polygon: F64) -> None:
        """Fill a spot black and remember it."""
        self.records.blacks.append(polygon)
        self.ink([polygon])

    def line(self, points: F64, pen: Pen, *, closed: bool = False, curved: bool = True) -> None:
        """Draw one stroke through ``points`` (N, 2)."""
        points = np.asarray(points, np.float64)
        curve = smooth(points, closed=closed) if curved else _polyline(points, closed)
        for part in skips(curve, pen, self.rng):
            self.ink(ink_strokes(part[None], pen, self.rng))

    def lines(self, ends: F64, pen: Pen, bow: float = 0.0) -> None:
        """Draw many strokes from (N, 4) endpoints, each bowed by ``bow`` of its length."""
        if len(ends) == 0:
            return
        t = np.linspace(0.0, 1.0, 14)[None, :, None]
        a, b = ends[:, None, :2], ends[:, None, 2:]
        across = np.stack([a[..., 1] - b[..., 1], b[..., 0] - a[..., 0]], axis=-1)
        centres = a + (b - a) * t + across * (bow * 4 * t * (1 - t))
        self.ink(ink_strokes(centres, pen, self.rng))

    def dot(self, x: float, y: float, diameter: float) -> None:
        """Set one dot and remember it."""
        self.records.dots.append((x, y, diameter))
        self.ink([disc(x, y, diameter, 0.03, self.rng)])

    def hatch(
        self,
        polygon: F64,
        angle: float,
        spacing: float,
        width: float,
        *,
        fray: float = 0.6,
        taper: float = 0.35,
    ) -> None:
        """Hatch the inside of a polygon (N, 2); lines are remembered with their width."""
        ends = hatch_lines(np.asarray(polygon, np.float64), angle, spacing, self.rng, fray)
        long = np.hypot(*(ends[:, 2:] - ends[:, :2]).T) > max(4 * width, 0.8)
        ends = ends[long]
        if len(ends) == 0:
            return
        self.records.hatching.append(ends)
        self.records.hatching_width.append(np.full(len(ends), width))
        pen = Pen(width, start=0.9, end=taper, taper_mm=2.0, pressure=0.06, wobble_mm=0.05)
        self.lines(ends, pen)

    def sketch(
        self, points: F64, width: float = 0.5, *, closed: bool = False, curved: bool = True
    ) -> None:
        """Draw one line of the underdrawing."""
        points = np.asarray(points, np.float64)
        curve = smooth(points, closed=closed) if curved else _polyline(points, closed)
        pen = Pen(width, start=0.5, end=0.4, taper_mm=8, pressure=0.25, wobble_mm=0.25)
        self.pencil.extend(ink_strokes(curve[None], pen, self.rng))

    def draw_on(self, sheet: F32, px_per_mm: float) -> None:
        """Put the ink on the sheet (H, W), in place.

        A clipped board (a panel) is drawn apart and laid in; one without draws over what is
        there, and clears it too.
        """
        high = np.array(sheet.shape[::-1])
        x0, y0 = np.clip(np.floor(np.array(self.box[:2]) * px_per_mm).astype(int), 0, high)
        x1, y1 = np.clip(np.ceil(np.array(self.box[2:]) * px_per_mm).astype(int), 0, high)
        part = sheet[y0:y1, x0:x1]
        canvas = part if self.clip is None else np.zeros_like(part)
        origin = np.array([x0, y0], np.float64)
        for kind, polygons in self.ops:
            apply(canvas, polygons, px_per_mm, origin, clear=kind == "clear")
        if self.clip is not None:
            points, offsets = raster.join([self.clip * px_per_mm - origin])
            canvas *= raster.coverage(points, offsets, (part.shape[0], part.shape[1]))
            np.maximum(part, canvas, out=part)

    def pencil_on(self, layer: F32, px_per_mm: float) -> None:
        """Put the underdrawing on a layer (H, W), in place; it strays a little over the panel."""
        if not self.pencil:
            return
        limit = np.array(layer.shape[::-1])
        low = np.floor((np.array(self.box[:2]) - _STRAY_MM) * px_per_mm).astype(int)
        high = np.ceil((np.array(self.box[2:]) + _STRAY_MM) * px_per_mm).astype(int)
        low, high = np.clip(low, 0, limit), np.clip(high, 0, limit)
        part = layer[low[1] : high[1], low[0] : high[0]]
        shape = (part.shape[0], part.shape[1])
        points, offsets = raster.join(self.pencil)
        marks = raster.coverage(points * px_per_mm - low, offsets, shape)
        if self.clip is not None:
            middle = self.clip.mean(axis=0)
            away = self.clip - middle
            wide = middle + away * (1.0 + _STRAY_MM / np.abs(away).mean(axis=0))
            marks *= raster.coverage(*raster.join([wide * px_per_mm - low]), shape)
        np.minimum(part + marks, 1.0, out=part)

    def _op(self, kind: str, polygons: list[F64]) -> None:
        if self.ops and self.ops[-1][0] == kind:
            self.ops[-1][1].extend(polygons)
        else:
            self.ops.append((kind, list(polygons)))


def apply(canvas: F32, polygons: list[F64], px_per_mm: float, origin: F64, *, clear: bool) -> None:
    """Ink or clear polygons (mm) on the canvas, in place, touching only where they lie."""
    if not polygons:
        return
    points, offsets = raster.join(polygons)
    points = points * px_per_mm - origin
    low = np.maximum(np.floor(points.min(axis=0)).astype(int), 0)
    high = np.minimum(np.ceil(points.max(axis=0)).astype(int), canvas.shape[::-1])
    if (high <= low).any():
        return
    part = canvas[low[1] : high[1], low[0] : high[0]]
    mask = raster.coverage(points - low, offsets, (part.shape[0], part.shape[1]))
    if clear:
        part *= 1.0 - mask
    else:
        # as in raster: coverages add up, so that shapes that touch leave no seam
        np.minimum(part + mask, 1.0, out=part)


def hatch_lines(
    polygon: F64, angle: float, spacing: float, rng: np.random.Generator, fray: float
) -> F64:
    """Return hatching (N, 4) inside a polygon: even spacing, ends frayed by ``fray`` mm."""
    c, s = np.cos(angle), np.sin(angle)
    turned = polygon @ np.array([[c, -s], [s, c]])
    u, v = turned.T
    u1, v1 = np.roll(u, -1), np.roll(v, -1)
    rows = np.arange(v.min() + spacing / 2, v.max(), spacing)
    if len(rows) == 0:
        return np.zeros((0, 4))
    rows = rows + rng.normal(0.0, 0.06 * spacing, len(rows))
    crosses = (v[None] <= rows[:, None]) != (v1[None] <= rows[:, None])
    row, edge = np.nonzero(crosses)
    at = u[edge] + (rows[row] - v[edge]) / (v1[edge] - v[edge]) * (u1[edge] - u[edge])
    order = np.lexsort((at, row))
    row, at = row[order], at[order]
    a, b, y = at[0::2], at[1::2], rows[row[0::2]]
    trim = np.minimum(np.abs(rng.normal(0, fray, (2, len(a)))), 0.3 * (b - a))
    a, b = a + trim[0], b - trim[1]
    tilt = rng.normal(0, 0.03 * spacing, len(a))
    ends = np.stack(
        [
            a * c - (y - tilt) * s,
            a * s + (y - tilt) * c,
            b * c - (y + tilt) * s,
            b * s + (y + tilt) * c,
        ],
        axis=1,
    )
    return np.asarray(ends, np.float64)


def _polyline(points: F64, closed: bool) -> F64:
    return resample(np.concatenate([points, points[:1]]) if closed else points, 0.6)
