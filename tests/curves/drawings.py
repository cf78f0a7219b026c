"""Open vector drawings, rasterised, with their true outlines, nodes, corners and centrelines.

The truth is read from the paths themselves (svgelements). resvg draws the picture, many
samples a pixel, and says which parts of the paths are seen: a true outline lies on the seen
edge, the rest is covered by other shapes.
"""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import resvg_py
import svgelements
from scipy.spatial import cKDTree
from skimage.measure import find_contours

from inkclean.base.arrays import F32, F64, I64, Bool
from tests.data import folder

FOLDER = folder("vector")
FIGURES = ("notionists", "lorelei")
STROKES = ("tabler_outline", "kanjivg", "hershey_text")
_FINE = 8
"""Samples a pixel, each way, each of them antialiased."""
_SEEN_PX = 0.12
"""A path's outline is seen where the fine picture's edge lies this near."""
_STEP_PX = 0.1
_BEND_PX = 1.0
"""Length of edge to either side over which a crossing's turn is measured."""
_SIDE_PX = 1.5
"""Sides of a corner that a raster can show are at least as long."""
_UNITS = {
    "tabler_outline": (192, 16.0 / 3.0),
    "kanjivg": (327, 5.0),
    "hershey_text": (1615, 3.0),
}
"""Width of the picture in px and of its strokes in px."""


@dataclass(frozen=True)
class Drawing:
    """A drawing at a known size.

    ``coverage`` (H, W) 0..1. ``outline`` (N, 2) px, samples of the seen outlines, and ``step``
    (N, 2) from each to the next of the same outline (zero where it is not seen). ``nodes``:
    path nodes that are seen, and crossings of outlines. ``corners`` (K, 2) px where the seen
    edge turns by ``turns`` (K,) degrees at once, at a node or a crossing, and still does between
    the px before and the px after; ``tight`` (T, 2) where it turns by 35 degrees or more within
    1.6 px, which no raster tells from a corner. ``visible`` (K,): the corner's two sides run on
    for 1.5 px without another, and the edge turns over that length by 25 degrees or more.
    ``bend`` (N,): by how much it turns at each sample, 1.5 px before to 1.5 px after.
    ``thin`` (N,): the ink, or the paper, is less than one px broad at this sample.
    ``turning``: the sum of all turns of the seen edge, degrees. ``lines``: centrelines (M, 2) px,
    ``width`` px, of drawings made of strokes.
    """

    name: str
    coverage: F32
    outline: F64
    step: F64
    nodes: int
    corners: F64
    turns: F64
    tight: F64
    visible: Bool
    bend: F64
    thin: Bool
    turning: float
    lines: tuple[F64, ...] = ()
    width: float = 0.0


def files(group: str) -> list[Path]:
    return sorted((FOLDER / group).glob("*.svg"))


def figure(path: Path, size: int, text: str = "") -> Drawing:
    """A drawing of filled shapes, ``size`` px wide and high; ``text`` stands for the file's own."""
    return _drawing(path, text or path.read_text("utf-8"), size, 0.0)


def strokes(path: Path, size: int = 0) -> Drawing:
    """A drawing of round-ended strokes of one width; the set's own size unless given."""
    own, width = _UNITS[path.parent.name]
    scale = (size or own) / own
    text = path.read_text("utf-8")
    found = re.search(r'viewBox="([-\d. ]+)"', text)
    assert found
    units = width / own * float(found[1].split()[2])
    text = re.sub(r'stroke-width([=:]"?)[\d.]+', rf"stroke-width\g<1>{units:.6f}", text)
    text = re.sub(r'\skvg:\w+="[^"]*"', "", text)
    return _drawing(path, text.replace("currentColor", "#000"), size or own, width * scale)


@dataclass(frozen=True)
class _Lines:
    """Polylines end to end: points (N, 2) px, the shape each belongs to, and the turn (N,) in
    degrees of those that are nodes (nan elsewhere).
    """

    points: F64
    shape: I64
    turn: F64
    last: Bool


def _drawing(path: Path, text: str, size: int, width: float) -> Drawing:
    fine = render(text, size * _FINE)
    high, wide = (side - side % _FINE for side in fine.shape)
    blocks = fine[:high, :wide].reshape(high // _FINE, _FINE, wide // _FINE, _FINE)
    coverage = blocks.mean((1, 3)).astype(np.float32)
    contours = [np.asarray(c[:, ::-1] + 0.5) / _FINE for c in find_contours(np.pad(fine, 1), 0.5)]
    contours = [c - 1.0 / _FINE for c in contours if len(c) > 2 * _FINE]
    paths = _paths(text, size)
    lines = _outlines(paths, width)
    seen = cKDTree(np.vstack(contours)).query(lines.points)[0] < _SEEN_PX
    both = seen & np.append(seen[1:], False) & ~lines.last
    step = np.where(both[:, None], np.roll(lines.points, -1, axis=0) - lines.points, 0.0)
    crossings, bends = _crossings(contours, lines, seen)
    # What no path explains (masks, strokes among shapes) is taken from the fine picture.
    extra, way = _unexplained(contours, lines.points[seen])
    sharp = np.flatnonzero(seen & (lines.turn > 15.0))
    lasting = np.minimum(lines.turn[sharp], _bends(contours, lines.points[sharp]))
    turns = np.concatenate((lasting, bends[bends > 15.0]))
    corners = np.vstack((lines.points[sharp], crossings[bends > 15.0]))
    outline, steps = np.vstack((lines.points[seen], extra)), np.vstack((step[seen], way))
    return Drawing(
        name=f"{path.parent.name}/{path.stem}",
        coverage=coverage,
        outline=outline,
        step=steps,
        nodes=int((seen & ~np.isnan(lines.turn)).sum() + (bends > 10.0).sum()),
        corners=corners,
        turns=turns,
        tight=lines.points[seen & _tight(lines)],
        visible=_visible(contours, corners, turns),
        bend=_bends(contours, outline, _SIDE_PX),
        thin=_thin(fine, outline, steps),
        turning=_turning(step, both) + float(bends.sum()),
        lines=tuple(_flat(p, 0.5)[0] for p in paths) if width else (),
        width=width,
    )


def _unexplained(contours: list[F64], known: F64) -> tuple[F64, F64]:
    tree = cKDTree(known)
    points, steps = [np.zeros((0, 2))], [np.zeros((0, 2))]
    for contour in contours:
        off = tree.query(contour[:-1])[0] > 1.5 * _SEEN_PX
        points.append(contour[:-1][off])
        steps.append(np.diff(contour, axis=0)[off])
    return np.vstack(points), np.vstack(steps)


def render(text: str, width: int) -> F32:
    """Coverage, 0..1, of an SVG drawn ``width`` px wide."""
    data = resvg_py.svg_to_bytes(
        svg_string=text, background="white", width=width, skip_system_fonts=True
    )
    picture = cv2.imdecode(np.frombuffer(bytes(data), np.uint8), cv2.IMREAD_GRAYSCALE)
    assert picture is not None
    return np.asarray(1.0 - picture.astype(np.float32) / 255.0)


def _paths(text: str, size: int) -> list[Any]:
    """All subpaths in px."""
    found = re.search(r'viewBox="([-\d. ]+)"', text)
    assert found
    left, top, wide, high = (float(n) for n in found[1].split())
    text = re.sub(r'(<svg[^>]*?)\s(?:width|height)="[^"]*"', r"\1", text)
    text = re.sub(r'(<svg[^>]*?)\s(?:width|height)="[^"]*"', r"\1", text)
    text = re.sub(r'(<svg[^>]*?)\sviewBox="[^"]*"', r"\1", text)
    drawing = svgelements.SVG.parse(io.StringIO(text), ppi=96.0, width=wide, height=high)
    place = svgelements.Matrix(f"scale({size / wide}) translate({-left},{-top})")
    paths = []
    for shape in drawing.elements():
        if isinstance(shape, svgelements.Shape) and not _unseen(shape):
            for part in svgelements.Path(shape).as_subpaths():
                moved = svgelements.Path(part) * place
                moved.reify()
                if len(moved) > 1:
                    paths.append(moved)
    return paths


def _unseen(shape: Any) -> bool:
    return bool(shape.values.get("stroke") == "none") and bool(shape.values.get("fill") == "none")


def _cubics(path: Any) -> F64:
    """The subpath as cubics (S, 4, 2)."""
    found: list[list[complex]] = []
    for piece in path:
        if isinstance(piece, svgelements.Move):
            continue
        parts = list(piece.as_cubic_curves()) if isinstance(piece, svgelements.Arc) else [piece]
        for part in parts:
            a, b = complex(part.start), complex(part.end)
            if isinstance(part, svgelements.CubicBezier):
                found.append([a, complex(part.control1), complex(part.control2), b])
            elif isinstance(part, svgelements.QuadraticBezier):
                c = complex(part.control)
                found.append([a, a + (c - a) * 2 / 3, b + (c - b) * 2 / 3, b])
            else:
                found.append([a, a + (b - a) / 3, b - (b - a) / 3, b])
    z = np.array(found, np.complex128).reshape(-1, 4)
    z = z[np.abs(np.diff(z, axis=1)).sum(1) > 1e-6]
    return np.stack((z.real, z.imag), -1)


def _flat(path: Any, step: float) -> tuple[F64, F64]:
    """Points (N, 2) along one subpath, about ``step`` apart, and the turn at its nodes in
    degrees, 180 at open ends, nan between.
    """
    cubics = _cubics(path)
    if not len(cubics):
        return np.zeros((0, 2)), np.zeros(0)
    length = np.hypot(*np.moveaxis(np.diff(cubics, axis=1), -1, 0)).sum(1)
    count = np.maximum(np.ceil(length / step), 2).astype(np.int64)
    own = np.repeat(np.arange(count.size), count)
    t = ((np.arange(own.size) - np.repeat(np.cumsum(count) - count, count)) / count[own])[:, None]
    basis = np.hstack(((1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t * t * (1 - t), t**3))
    line = np.vstack((np.einsum("nk,nkd->nd", basis, cubics[own]), cubics[-1:, 3]))
    turn = np.full(len(line), np.nan)
    z = cubics[..., 0] + 1j * cubics[..., 1]
    # A handle of no length leaves the way to the next control point.
    out, into = (_first_way(part) for part in (z, z[:, ::-1]))
    bend = np.degrees(np.abs(np.angle(np.roll(out, -1) * -np.conj(into))))
    turn[np.cumsum(count)] = bend
    closed = np.hypot(*(line[0] - line[-1])) < 1e-3
    turn[0] = bend[-1] if closed else 180.0
    turn[-1] = np.nan if closed else 180.0
    return line, turn


def _first_way(z: Any) -> Any:
    ways = z[:, 1:] - z[:, :1]
    first = np.argmax(np.abs(ways) > 1e-6, axis=1)
    return ways[np.arange(len(z)), first]


def _outlines(paths: list[Any], width: float) -> _Lines:
    points, shapes, turns, lasts = [], [], [], []
    for number, path in enumerate(paths):
        line, turn = _flat(path, _STEP_PX)
        if len(line) < 2:
            continue
        pieces = _sides(line, turn, width / 2.0) if width else [_closed(line, turn)]
        for nth, (piece, bend) in enumerate(pieces):
            points.append(piece)
            turns.append(bend)
            shapes.append(np.full(len(piece), 1000 * number + min(nth, 2)))
            lasts.append(np.arange(len(piece)) == len(piece) - 1)
    return _Lines(
        np.vstack(points), np.concatenate(shapes), np.concatenate(turns), np.concatenate(lasts)
    )


def _closed(line: F64, turn: F64) -> tuple[F64, F64]:
    """A filled shape is closed by a straight side where its path is not."""
    gap = line[0] - line[-1]
    if np.hypot(*gap) < 1e-3:
        return line, turn
    n = max(int(np.hypot(*gap) / _STEP_PX), 2)
    side = line[-1] + gap * np.linspace(0.0, 1.0, n + 1)[1:, None]
    return np.vstack((line, side)), np.append(turn, np.full(n, np.nan))


def _sides(line: F64, turn: F64, half: float) -> list[tuple[F64, F64]]:
    """Both sides of a stroke, and discs where it ends or turns."""
    way = np.gradient(line, axis=0)
    way /= np.maximum(np.hypot(*way.T), 1e-12)[:, None]
    normal = np.stack((-way[:, 1], way[:, 0]), 1)
    none = np.full(len(line), np.nan)
    pieces = []
    smooth = np.nan_to_num(turn, nan=0.0) < 1.0
    for sign in (1.0, -1.0):
        side = line + sign * half * normal
        keep = smooth.copy()
        keep[[0, -1]] = True
        # A side ends at a sharp joint: the disc and the next side go on.
        for part in np.split(np.arange(len(line)), np.flatnonzero(~keep)):
            inner = part[keep[part]]
            if inner.size > 1:
                pieces.append((side[inner], none[inner]))
    count = max(int(2 * np.pi * half / _STEP_PX), 24)
    angle = 2 * np.pi * np.arange(count + 1) / count
    disc = half * np.stack((np.cos(angle), np.sin(angle)), 1)
    for at in line[~smooth]:
        pieces.append((at + disc, np.full(len(disc), np.nan)))
    return pieces


def _tight(lines: _Lines) -> Bool:
    """Where an outline turns by 35 degrees within 1.6 px: a radius of 1.3 px or less."""
    reach = round(0.8 / _STEP_PX)
    z = lines.points[:, 0] + 1j * lines.points[:, 1]
    line: I64 = np.cumsum(lines.last) - lines.last
    tight = np.zeros(z.size, np.bool_)
    back, ahead = z[reach:-reach] - z[: -2 * reach], z[2 * reach :] - z[reach:-reach]
    same: Bool = line[: -2 * reach] == line[2 * reach :]
    tight[reach:-reach] = same & (np.abs(np.angle(ahead * np.conj(back))) > np.radians(35.0))
    return tight


def _turning(step: F64, both: Bool) -> float:
    z = step[:, 0] + 1j * step[:, 1]
    pairs = both[:-1] & both[1:]
    turn = np.angle(np.where(pairs, z[1:] * np.conj(z[:-1]), 1.0))
    return float(np.degrees(np.abs(turn).sum()))


def _visible(contours: list[F64], corners: F64, turns: F64) -> Bool:
    """Corners that a raster can show: their sides run on, and turn, for ``_SIDE_PX``."""
    if not len(corners):
        return np.zeros(0, np.bool_)
    sharp = corners[turns > 25.0]
    alone = np.ones(len(corners), np.bool_)
    for nth, near in enumerate(cKDTree(sharp).query_ball_point(corners, _SIDE_PX)):
        # A corner may be told twice, by a node and by the crossing of two outlines there.
        alone[nth] = not (np.hypot(*(sharp[near] - corners[nth]).T) > 0.4).any()
    return np.asarray(alone & (_bends(contours, corners, _SIDE_PX) > 25.0))


def _thin(fine: F32, outline: F64, step: F64) -> Bool:
    """Where the ink or the paper beside ``outline`` ends within a px across it."""
    way = step.copy()
    still = np.flatnonzero(~way.any(1))
    way[still] = way[np.maximum(still - 1, 0)]
    normal = np.stack((-way[:, 1], way[:, 0]), 1) / np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    sides = []
    for sign in (1.0, -1.0):
        seen = []
        for off in np.arange(0.2, 1.01, 0.1):
            place = np.clip((outline + sign * off * normal) * _FINE, 0, len(fine) - 1)
            seen.append(fine[place[:, 1].astype(np.int64), place[:, 0].astype(np.int64)] > 0.5)
        sides.append(np.stack(seen))
    thin = [(side != side[:1]).any(0) for side in sides]
    return np.asarray(thin[0] | thin[1])


def _bends(contours: list[F64], points: F64, length: float = _BEND_PX) -> F64:
    """By how many degrees the fine picture's edge turns at ``points``, ``length`` px before to
    as much after.
    """
    lines = [c[:-1] for c in contours]
    sizes = np.array([len(line) for line in lines])
    first = np.cumsum(sizes) - sizes
    whole = np.vstack(lines)
    z = whole[:, 0] + 1j * whole[:, 1]
    near = cKDTree(whole).query(points)[1]
    loop = np.searchsorted(first, near, side="right") - 1

    def at(step: int) -> Any:
        return z[first[loop] + (near - first[loop] + step) % sizes[loop]]

    reach = round(length * _FINE)
    before, after = at(-2) - at(-2 - reach), at(2 + reach) - at(2)
    return np.asarray(np.degrees(np.abs(np.angle(after * np.conj(before)))))


def _crossings(contours: list[F64], lines: _Lines, seen: Bool) -> tuple[F64, F64]:
    """Where the seen edge passes from one outline to another, and how far it turns there."""
    tree = cKDTree(lines.points[seen])
    shape = lines.shape[seen]
    places, bends = [np.zeros((0, 2))], [np.zeros(0)]
    reach = round(_BEND_PX * _FINE)
    for contour in contours:
        line = contour[:-1]
        if len(line) < 6 * reach:
            continue
        off, near = tree.query(line)
        own = np.where(off < 2 * _SEEN_PX, shape[near], -1)
        known = np.flatnonzero(own >= 0)
        if known.size < 2:
            continue
        change = known[np.flatnonzero(np.diff(own[known], append=own[known[0]]))]
        if change.size:
            places.append(line[change[np.diff(change, prepend=-(10**6)) > 2 * reach]])
            bends.append(_bends([contour], places[-1]))
    return np.vstack(places), np.concatenate(bends)


def distance(points: F64, drawing_points: F64, step: F64) -> F64:
    """Distance of ``points`` (N, 2) to the truth: to the pieces beside the nearest sample."""
    _, near = cKDTree(drawing_points).query(points)
    best = np.full(len(points), np.inf)
    for index in (near, np.maximum(near - 1, 0)):
        a, way = drawing_points[index], step[index]
        length = np.maximum((way**2).sum(1), 1e-18)
        t = np.clip(((points - a) * way).sum(1) / length, 0.0, 1.0)
        best = np.minimum(best, np.hypot(*(points - a - t[:, None] * way).T))
    return best
