"""Parts of one disc that solid black cuts: the moon behind a heron in ink.

Where both what lies in front and what lies around are black, no outline ends on another, so
nothing is told by where edges end (``things``). What tells is that the edges go on as one curve:
"good continuation" (Wertheimer, "Untersuchungen zur Lehre von der Gestalt II", Psychologische
Forschung 4, 1923, DOI 10.1007/BF00410640). Parts whose edges lie on one circle, all of them inside
it, are parts of a disc. Circles are found by trying triples of places on an edge (Fischler,
Bolles, "Random sample consensus", CACM 24(6), 1981, DOI 10.1145/358669.358692), at fixed places,
and fitted by least squares of x² + y² (Kåsa, "A circle fitting procedure and its error analysis",
IEEE Trans. Instrum. Meas. 25, 1976, DOI 10.1109/TIM.1976.6312298).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I64, U8, U16, Bool
from inkclean.flats.rasters import dilated
from inkclean.flats.values import FIGURE, Rows

COARSE_PX_PER_MM = 4.0
BLACK_MM = 2.4  # ink broader than this is a black
SPIKES_MM = 2.0  # parts of an area narrower than this are rays and gaps between them
LEAST_MM2 = 25.0  # areas smaller than this
LEAST_INNER_MM = 1.5  # or thinner are not asked
MOST = 150  # areas asked, the largest
BESIDE_MM = 1.0  # an edge so near a black is the black's
TRIES = 60  # circles tried for an area
LEAST_RADIUS_MM, MOST_RADIUS_MM = 4.0, 120.0
OFF_MM, OFF = 0.5, 0.02  # an edge on a circle is within so much of it, and this of its radius
LOOSE = 3.0  # times as much where only one part has told the circle
FACES = 0.85  # and its normal that near the circle's: cosine
FIRST = np.radians(60.0)  # of a circle that an area's edge has to show to be tried,
ANOTHER = np.radians(12.0)  # and another area's to be a part
TOGETHER = np.radians(130.0)  # all parts together show as much
LEAST_ARC_MM = 4.0
OUTSIDE = 0.03  # share of a part that may lie outside the circle
APART_MM = 1.0  # parts nearer each other have a line between them, not something in front,
BESIDE = 0.35  # along more than this share of the side of the smaller


@dataclass(frozen=True)
class _Edge:
    """Where an area (its row) meets a black: places (N, 2) and outward normals, mm."""

    row: int
    at: F64
    out: F64


@dataclass(frozen=True)
class _Circle:
    x: float
    y: float
    radius: float
    loose: float = 1.0

    @property
    def middle(self) -> F64:
        """Its middle, (2,) mm."""
        return np.array([self.x, self.y])

    @property
    def off(self) -> float:
        """How far from it an edge may lie, mm."""
        return self.loose * (OFF_MM + OFF * self.radius)


@dataclass(frozen=True)
class Black:
    """Where ink is broad, ``at`` (h, w), 1 there, and what lies ``near`` it; every ``step`` px."""

    at: U8
    near: U8
    step: int
    scale: float

    @classmethod
    def of(cls, coverage: F32, px_per_mm: float) -> Black:
        """Find it in the ink (H, W)."""
        step = max(1, round(px_per_mm / COARSE_PX_PER_MM))
        scale = px_per_mm / step
        inked = np.ascontiguousarray(coverage[::step, ::step] >= 0.5)
        black = _opened(inked.view(np.uint8), BLACK_MM * scale)
        return cls(black, dilated(black, _disc(2 * BESIDE_MM * scale)), step, scale)


def discs_of(labels: U16, ink: Black, areas: Rows) -> F64:
    """Return pairs of places (P, 2, 2), mm, in areas that are parts of one disc cut by black.

    ``labels`` (H, W), ``ink`` what is broad of it, rows of AREA.
    """
    black, near, scale = ink.at, ink.near, ink.scale
    if not black.any():
        return np.zeros((0, 2, 2))
    label = np.ascontiguousarray(labels[:: ink.step, :: ink.step])
    asked = (areas["kind"] == FIGURE) & (areas["size_mm2"] >= LEAST_MM2)
    asked &= areas["inner_mm"] >= LEAST_INNER_MM
    rows = np.flatnonzero(asked)
    rows = np.sort(rows[np.argsort(-areas["size_mm2"][rows], kind="stable")[:MOST]])
    shapes = {int(row): _shape(label, black, areas[row], int(row) + 1, scale) for row in rows}
    edges = [_edge(row, *shape, near, scale) for row, shape in shapes.items()]
    edges = [edge for edge in edges if len(edge.at) >= LEAST_ARC_MM * scale / 2]
    taken: set[int] = set()
    pairs: list[tuple[int, int]] = []
    found = [(edge, *_best(edge)) for edge in edges]
    for edge, circle, _ in sorted(found, key=lambda one: -one[2]):
        if circle is None or edge.row in taken:
            continue
        parts = _parts(circle, edge, edges, shapes, areas["panel"], scale)
        parts = [row for row in parts if row not in taken]
        if len(parts) > 1:
            taken |= set(parts)
            pairs += [(parts[0], row) for row in parts[1:]]
    middle = np.stack([areas["x_mm"], areas["y_mm"]], axis=1)
    return np.array([[middle[one], middle[other]] for one, other in pairs]).reshape(-1, 2, 2)


def _disc(broad: float) -> U8:
    size = 2 * int(broad / 2) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)


def _opened(mask: U8, broad: float) -> U8:
    return np.asarray(cv2.morphologyEx(mask, cv2.MORPH_OPEN, _disc(broad)), np.uint8)


def _shape(
    label: U16, black: U8, area: np.void, number: int, scale: float
) -> tuple[U8, tuple[int, int]]:
    """Return an area without the blacks that it reaches under, and its corner (row, column)."""
    pad = int(SPIKES_MM * scale) + 2
    top, left = (max(0, int(area[side] * scale) - pad) for side in ("top_mm", "left_mm"))
    bottom, right = (int(area[side] * scale) + pad for side in ("bottom_mm", "right_mm"))
    here = np.s_[top:bottom, left:right]
    own = ((label[here] == number) & (black[here] == 0)).astype(np.uint8)
    return _opened(np.pad(own, 1), SPIKES_MM * scale), (top - 1, left - 1)


def _edge(row: int, shape: U8, corner: tuple[int, int], near: U8, scale: float) -> _Edge:
    """Return where an area meets a black; ``near`` (H, W): beside one."""
    contours, _ = cv2.findContours(shape, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    at, out = [np.zeros((0, 2))], [np.zeros((0, 2))]
    reach = max(2, round(scale * 1.0))
    for contour in contours:
        points = contour[:, 0].astype(np.float64)
        if len(points) < 4 * reach:
            continue
        along = np.roll(points, -reach, axis=0) - np.roll(points, reach, axis=0)
        length = np.maximum(np.hypot(*along.T), 1e-9)
        at.append(points)
        # contours run with the inside to one side: outward is found by looking at the shape
        out.append(np.stack([along[:, 1], -along[:, 0]], axis=1) / length[:, None])
    points, normal = np.concatenate(at), np.concatenate(out)
    column, line = (points + 3 * normal).astype(np.int64).T
    inside = shape[line.clip(0, shape.shape[0] - 1), column.clip(0, shape.shape[1] - 1)] > 0
    normal = np.where(inside[:, None], -normal, normal)
    place = points + np.array(corner[::-1])
    column, line = place.astype(np.int64).T
    beside = near[line.clip(0, near.shape[0] - 1), column.clip(0, near.shape[1] - 1)] > 0
    return _Edge(row, (place[beside] + 0.5) / scale, normal[beside])


def _best(edge: _Edge) -> tuple[_Circle | None, float]:
    """Return the circle that an area's edge shows most of, all of it inside; and that angle."""
    n = len(edge.at)
    # triples a part of the edge long each, all along it
    span = np.array([n // 3, n // 5, n // 9])
    start = np.linspace(0, n, TRIES // len(span), endpoint=False).astype(np.int64)
    one, wide = (side.ravel() for side in np.meshgrid(start, span))
    circles = _through(edge.at[one], edge.at[(one + wide) % n], edge.at[(one + 2 * wide) % n])
    circles = circles[(circles[:, 2] >= LEAST_RADIUS_MM) & (circles[:, 2] <= MOST_RADIUS_MM)]
    if not len(circles):
        return None, 0.0
    radius = circles[:, 2:]
    off = OFF_MM + OFF * radius
    of = edge.at - circles[:, None, :2]
    far = np.hypot(of[..., 0], of[..., 1])
    faces = (of * edge.out).sum(axis=2) >= FACES * far
    inside = (far > radius + off).mean(axis=1) <= OUTSIDE
    on = faces & (np.abs(far - radius) < off) & inside[:, None]
    shown = _shown(of, radius[:, 0], on)
    if shown.max() < FIRST:
        return None, 0.0
    first = int(shown.argmax())
    best, most = _Circle(*circles[first].tolist()), float(shown[first])
    for _ in range(3):
        best = _fitted(edge.at[_on(best, edge)]) or best
    return best, most


def _through(a: F64, b: F64, c: F64) -> F64:
    """Return middle and radius (N, 3) of the circles through three places each (N, 2)."""
    b, c = b - a, c - a
    d = 2 * (b[:, 0] * c[:, 1] - b[:, 1] * c[:, 0])
    d = np.where(np.abs(d) < 1e-9, 1e-9, d)
    bb, cc = (b**2).sum(axis=1), (c**2).sum(axis=1)
    x = (c[:, 1] * bb - b[:, 1] * cc) / d
    y = (b[:, 0] * cc - c[:, 0] * bb) / d
    return np.stack([x + a[:, 0], y + a[:, 1], np.hypot(x, y)], axis=1)


def _fitted(at: F64) -> _Circle | None:
    """Return the circle nearest to places (N, 2)."""
    if len(at) < 3:
        return None
    middle = at.mean(axis=0)
    of = at - middle
    table = np.column_stack([2 * of, np.ones(len(of))])
    (x, y, c), *_ = np.linalg.lstsq(table, (of**2).sum(axis=1), rcond=None)
    return _Circle(x + middle[0], y + middle[1], float(np.sqrt(max(c + x * x + y * y, 0.0))))


def _on(circle: _Circle, edge: _Edge) -> Bool:
    """Return which places of an edge lie on a circle, facing out of it."""
    of = edge.at - circle.middle
    far = np.hypot(*of.T)
    faces = (of * edge.out).sum(axis=1) >= FACES * far
    return np.asarray(faces & (np.abs(far - circle.radius) < circle.off))


def _angle(circle: _Circle, at: F64) -> float:
    """Return how much of a circle places (N, 2) on it show, radians."""
    every = np.ones((1, len(at)), bool)
    return float(_shown((at - circle.middle)[None], np.array([circle.radius]), every)[0])


def _shown(of: F64, radius: F64, on: Bool) -> F64:
    """Return how much of circles (T,) places on them show, radians.

    ``of`` (T, N, 2): the places from the middles; ``on`` (T, N): which count.
    """
    steps = np.maximum(12, 2 * np.pi * radius).astype(np.int64)  # of some 1 mm
    circle, place = np.nonzero(on)
    x, y = of[circle, place].T
    turn = (np.arctan2(y, x) + np.pi) / (2 * np.pi)
    step = (turn * steps[circle]).astype(np.int64) % steps[circle]
    start = np.cumsum(steps) - steps
    seen = np.bincount(start[circle] + step, minlength=int(steps.sum())) > 0
    return np.asarray(np.add.reduceat(seen, start, dtype=np.int64) * 2 * np.pi / steps)


def _parts(
    circle: _Circle,
    first: _Edge,
    edges: list[_Edge],
    shapes: dict[int, tuple[U8, tuple[int, int]]],
    panel: I64,
    scale: float,
) -> list[int]:
    """Return the rows of the areas that are parts of a disc, that it was found by first."""
    for loose in (LOOSE, 1.0, 1.0):  # one part's circle is a little off: fitted again to all
        circle = replace(circle, loose=loose)
        held = [
            edge
            for edge in edges
            if panel[edge.row] == panel[first.row]
            and _shows(circle, edge)
            and _outside(circle, *shapes[edge.row], scale) <= OUTSIDE
        ]
        if not any(edge.row == first.row for edge in held):
            return []
        at = np.concatenate([edge.at[_on(circle, edge)] for edge in held])
        if _angle(circle, at) < TOGETHER:
            return []
        circle = _fitted(at) or circle
    parts: list[int] = [first.row]
    for edge in sorted(held, key=lambda edge: -len(edge.at)):
        if edge.row not in parts and all(
            _apart(shapes[edge.row], shapes[row], scale) for row in parts
        ):
            parts.append(edge.row)
    return parts


def _shows(circle: _Circle, edge: _Edge) -> bool:
    held = edge.at[_on(circle, edge)]
    if not len(held):
        return False
    angle = _angle(circle, held)
    return angle >= ANOTHER and angle * circle.radius >= LEAST_ARC_MM


def _outside(circle: _Circle, shape: U8, corner: tuple[int, int], scale: float) -> float:
    """Return the share of an area that lies outside a circle."""
    row, column = np.nonzero(shape)
    x, y = (column + corner[1] + 0.5) / scale, (row + corner[0] + 0.5) / scale
    far = np.hypot(x - circle.x, y - circle.y)
    return float((far > circle.radius + circle.off).mean()) if len(far) else 1.0


def _apart(
    one: tuple[U8, tuple[int, int]], other: tuple[U8, tuple[int, int]], scale: float
) -> bool:
    """Return whether more than a line lies between two areas, nearly all along."""
    (a, (top, left)), (b, (low, right)) = one, other
    reach = int(APART_MM * scale)
    a = dilated(np.pad(a, reach), _disc(2 * reach))
    top, left = top - reach, left - reach
    y0, x0 = max(top, low), max(left, right)
    y1, x1 = min(top + a.shape[0], low + b.shape[0]), min(left + a.shape[1], right + b.shape[1])
    if y1 <= y0 or x1 <= x0:
        return True
    mine = a[y0 - top : y1 - top, x0 - left : x1 - left]
    theirs = b[y0 - low : y1 - low, x0 - right : x1 - right]
    side = np.sqrt(min(one[0].sum(), b.sum()))
    return bool((mine & theirs).sum() <= BESIDE * side * reach)
