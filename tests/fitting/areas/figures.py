"""Figures as lines: flat art by other hands, and shapes of parts that touch, made up."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from inkclean.base.arrays import F64, U8
from tests.flats.shapes import closed_shape

UNIT = 518.0  # px of the square that flat art was traced in

Lines = list[F64]

APART = ("emojione", "micah")
"""Sets that the network is not fitted on: the judge learns on these what it sees of drawings new to
it, and what is chosen is chosen on them."""
HALVES = ("hugeicons", "croodles", "lucide", "notion")
"""And every other drawing of these."""
HEADS = ("ears", "micah", "personas", "smile", "toon", "miniavs")


class Drawings:
    """The drawings of ``pack.py``, opened as they are asked for.

    ``apart``: only the sets of ``APART`` and one half of ``HALVES``, or only the others; all if it
    is None.
    """

    def __init__(self, path: Path, apart: bool | None = None) -> None:
        self.arrays: dict[str, NDArray[Any]] = {
            key: value
            for key, value in np.load(path).items()
            if apart is None or key.split("/")[1] in HALVES or (key.split("/")[1] in APART) == apart
        }
        self.apart = apart
        self.flat = sorted(
            k.split("/")[1] for k in self.arrays if k.startswith("flat") and k.endswith("many")
        )
        self.line = sorted(
            k.split("/")[1] for k in self.arrays if k.startswith("line") and k.endswith("long")
        )
        for name in self.flat:
            steps = self.arrays.pop(f"flat/{name}/steps")
            self.arrays[f"flat/{name}/points"] = np.cumsum(steps, axis=0, dtype=np.int16)
        self.ends = {
            key: np.concatenate([[0], np.cumsum(value.astype(np.int64))])
            for key, value in self.arrays.items()
            if key.endswith(("long", "many"))
        }

    def figure(self, rng: np.random.Generator, heads: bool = False) -> Lines:
        """Return the outlines of one drawing of flat art, in a square of side 1 about 0."""
        sets = [name for name in self.flat if name in HEADS] if heads else []
        sets = sets or self.flat
        every = [len(self.arrays[f"flat/{name}/many"]) for name in sets]
        of = int(np.searchsorted(np.cumsum(every), rng.integers(sum(every)), side="right"))
        name = f"flat/{sets[of]}"
        many, long = self.ends[f"{name}/many"], self.ends[f"{name}/long"]
        k = int(rng.integers(len(many) - 1))
        points = self.arrays[f"{name}/points"]
        return [
            points[long[c] : long[c + 1]] / (16 * UNIT) - 0.5 for c in range(many[k], many[k + 1])
        ]

    def count(self, name: str) -> int:
        """Return how many pictures a set has."""
        many = len(self.ends[f"{name}/long"]) - 1
        return (many + (not self.apart)) // 2 if self._halved(name) else many

    def _halved(self, name: str) -> bool:
        return self.apart is not None and name.split("/")[1] in HALVES

    def picture(self, name: str, k: int) -> U8:
        """Return one picture of line art, ink 0 to 255."""
        k = 2 * k + bool(self.apart) if self._halved(name) else k
        long = self.ends[f"{name}/long"]
        file = self.arrays[f"{name}/bytes"][long[k] : long[k + 1]]
        return np.asarray(cv2.imdecode(file, cv2.IMREAD_GRAYSCALE), np.uint8)


def made_up(rng: np.random.Generator) -> Lines:
    """Return a figure of parts that are areas though they are regular: rings, bands, rungs."""
    makers = rings, chain, ladder, bands, grid, target, petals, scales, shape
    return makers[int(rng.integers(len(makers)))](rng)


def _circle(x: float, y: float, rx: float, ry: float | None = None, turn: float = 0.0) -> F64:
    t = np.linspace(0, 2 * np.pi, 72)
    ring = np.stack([np.cos(t) * rx, np.sin(t) * (rx if ry is None else ry)], axis=1)
    cos, sin = np.cos(turn), np.sin(turn)
    return ring @ np.array([[cos, sin], [-sin, cos]]) + [x, y]


def _path(*points: tuple[float, float]) -> F64:
    return np.array(points, np.float64)


def rings(rng: np.random.Generator) -> Lines:
    """Circles in a heap that touch or nearly touch, some with a second inside."""
    r = float(rng.uniform(0.06, 0.16))
    found = []
    for row in range(int(rng.integers(1, 4))):
        for k in range(int(rng.integers(2, 6))):
            x, y = (k + 0.5 * (row % 2)) * 2 * r - 0.35, row * 1.75 * r - 0.2
            size = r * float(rng.uniform(0.93, 1.02))
            found.append(_circle(x, y, size))
            if rng.random() < 0.5:
                found.append(_circle(x, y, size * float(rng.uniform(0.35, 0.75))))
    return found


def chain(rng: np.random.Generator) -> Lines:
    """Links of a chain that cross one another."""
    many = int(rng.integers(3, 7))
    rx, ry = 0.6 / many, 0.6 / many * float(rng.uniform(0.5, 0.9))
    found = []
    for k in range(many):
        x = (k - many / 2 + 0.5) * rx * 1.6
        y = 0.05 * float(rng.normal())
        found += [_circle(x, y, rx, ry), _circle(x, y, rx * 0.62, ry * 0.6)]
    return found


def ladder(rng: np.random.Generator) -> Lines:
    """Two rails and the rungs between, each rail and rung of two lines or of one."""
    many, wide = int(rng.integers(4, 11)), float(rng.uniform(0.12, 0.4))
    rail, rung = float(rng.uniform(0.02, 0.06)), float(rng.uniform(0.015, 0.04))
    found = []
    for side in (-1, 1):
        inner, outer = side * wide / 2, side * (wide / 2 + rail)
        found.append(_path((inner, -0.5), (outer, -0.5), (outer, 0.5), (inner, 0.5), (inner, -0.5)))
    for y in np.linspace(-0.42, 0.42, many).tolist():
        found.append(_path((-wide / 2, y), (wide / 2, y)))
        if rng.random() < 0.8:
            found.append(_path((-wide / 2, y + rung), (wide / 2, y + rung)))
    return found


def bands(rng: np.random.Generator) -> Lines:
    """A closed shape parted by bands from edge to edge: clipped later by its own outline."""
    sides, _ = closed_shape(rng, np.zeros(2), float(rng.uniform(0.3, 0.5)))
    outline = np.vstack([*sides, sides[0][:1]])
    found = [outline]
    turn, many = float(rng.uniform(0, np.pi)), int(rng.integers(3, 13))
    bow = float(rng.normal() * 0.3)
    along, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    t = np.linspace(-0.8, 0.8, 160)
    contour = (outline * 1000).astype(np.int32)[:, None]
    at = np.linspace(-0.45, 0.45, many)
    if rng.random() < 0.4:  # dark and light ones are not as broad
        at = at + np.resize([0.0, float(rng.uniform(-0.25, 0.25)) * 0.9 / many], many)
    for off in at.tolist():
        line = along * t[:, None] + across * (off + bow * (t**2 - 0.1))[:, None]
        inside = np.array(
            [cv2.pointPolygonTest(contour, (p[0] * 1000, p[1] * 1000), True) > -4 for p in line]
        )
        edges = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(int), [0]])))
        found += [line[a:b] for a, b in edges.reshape(-1, 2).tolist() if b - a > 3]
    return found


def grid(rng: np.random.Generator) -> Lines:
    """Panes, bricks or planks."""
    rows, columns = int(rng.integers(2, 7)), int(rng.integers(2, 7))
    bricks = rng.random() < 0.4
    wide, high = float(rng.uniform(0.5, 1)), float(rng.uniform(0.5, 1))
    x0, y0 = -wide / 2, -high / 2
    found = [_path((x0, y0), (-x0, y0), (-x0, -y0), (x0, -y0), (x0, y0))]
    for r in range(1, rows):
        found.append(_path((x0, y0 + high * r / rows), (-x0, y0 + high * r / rows)))
    for r in range(rows):
        for c in range(1, columns):
            x = x0 + wide * (c - (0.5 if bricks and r % 2 else 0)) / columns
            found.append(_path((x, y0 + high * r / rows), (x, y0 + high * (r + 1) / rows)))
    return found


def target(rng: np.random.Generator) -> Lines:
    """Rings about one middle, with spokes between some of them."""
    radii = np.sort(rng.uniform(0.08, 0.5, int(rng.integers(2, 6))))
    flat = float(rng.uniform(0.6, 1))
    found = [_circle(0, 0, r, r * flat) for r in radii.tolist()]
    if rng.random() < 0.6:
        k = int(rng.integers(len(radii)))
        inner = 0.0 if k == 0 else float(radii[k - 1])
        many = int(rng.integers(4, 17))
        for angle in (np.arange(many) * 2 * np.pi / many).tolist():
            way = np.array([np.cos(angle), np.sin(angle) * flat])
            found.append(np.stack([way * inner, way * radii[k]]))
    return found


def petals(rng: np.random.Generator) -> Lines:
    """Leaves about a middle, with a vein or without."""
    many, inner = int(rng.integers(4, 12)), float(rng.uniform(0.04, 0.14))
    found = [_circle(0, 0, inner)]
    broad = float(rng.uniform(0.5, 1.1)) * np.pi * 0.3 / many
    for k in range(many):
        turn = 2 * np.pi * k / many
        middle = (inner + 0.5) / 2
        found.append(
            _circle(middle * np.cos(turn), middle * np.sin(turn), (0.5 - inner) / 2, broad, turn)
        )
    return found


def scales(rng: np.random.Generator) -> Lines:
    """Rows of bows that overlap as tiles do, in a frame."""
    rows, columns = int(rng.integers(2, 6)), int(rng.integers(3, 8))
    step, high = 0.9 / columns, 0.8 / rows
    found = [_path((-0.45, -0.45), (0.45, -0.45), (0.45, -0.4 + 0.8), (-0.45, 0.4), (-0.45, -0.45))]
    t = np.linspace(0, np.pi, 24)
    for row in range(rows):
        for k in range(columns):
            x = -0.45 + step * (k + (0.5 if row % 2 else 0))
            bow = np.stack([x + step / 2 * (1 - np.cos(t)), -0.4 + high * (row + np.sin(t))], 1)
            bow = bow[(bow[:, 0] <= 0.45)]
            if len(bow) > 3:
                found.append(bow)
    return found


def shape(rng: np.random.Generator) -> Lines:
    """One plain closed shape."""
    sides, smooth = closed_shape(rng, np.zeros(2), 0.45)
    return [np.vstack([sides[0], sides[0][:1]])] if smooth else sides


def placed(lines: Lines, middle: F64, size: float, rng: np.random.Generator) -> Lines:
    """Return the lines laid on a page, in px: turned, mirrored, stretched and bent a little."""
    turn = float(rng.uniform(0, 2 * np.pi)) if rng.random() < 0.5 else float(rng.normal() * 0.2)
    cos, sin = np.cos(turn), np.sin(turn)
    stretch = np.diag([float(rng.choice([-1, 1])), 1.0]) * np.exp(rng.normal(size=2) * 0.12)
    matrix = stretch @ np.array([[cos, sin], [-sin, cos]]) * size
    amount = float(rng.uniform(0, 0.03)) * size
    wave, phase = rng.uniform(2, 7, 2) / size, rng.uniform(0, 6.28, 2)
    out = []
    for line in lines:
        at = line @ matrix
        bend = np.stack(
            [np.sin(at[:, 1] * wave[0] + phase[0]), np.sin(at[:, 0] * wave[1] + phase[1])], 1
        )
        out.append(at + amount * bend + middle)
    return out


def with_features(lines: Lines, rng: np.random.Generator) -> Lines:
    """Return the lines, in px, with eyes, buttons or the like: small closed rings inside."""
    if not lines:
        return lines
    every = np.concatenate(lines)
    low, high = every.min(axis=0), every.max(axis=0)
    reach = float((high - low).max())
    found = list(lines)
    for _ in range(int(rng.integers(1, 4))):
        middle = low + (high - low) * rng.uniform(0.25, 0.75, 2)
        r = float(np.clip(reach * rng.uniform(0.008, 0.035), 5, 30))
        way = rng.normal(size=2) * 0.15 + np.array([[1, 0], [0, 1]][int(rng.integers(2))])
        apart = max(r * float(rng.uniform(2.6, 6)), reach * float(rng.uniform(0.05, 0.2)))
        flat = float(rng.uniform(0.6, 1.3))
        for k in range(int(rng.integers(1, 4))):
            x, y = (middle + way * apart * k).tolist()
            if not (low[0] + r < x < high[0] - r and low[1] + r < y < high[1] - r):
                continue
            found.append(_circle(x, y, r, r * flat))
            if rng.random() < 0.3 and r > 10:
                found.append(_circle(x, y, r * 0.45, r * 0.45 * flat))
    return found


def pinched(lines: Lines, many: int, rng: np.random.Generator) -> Lines:
    """Return the lines, in px, drawn together about some places between them."""
    if not lines:
        return lines
    every = np.concatenate(lines)
    reach = float(np.ptp(every, axis=0).max())
    for _ in range(many):
        middle = every[rng.integers(len(every), size=2)].mean(axis=0)
        wide = reach * float(rng.uniform(0.03, 0.12))
        amount = float(rng.uniform(0.5, 0.9))
        lines = [_drawn_to(line, middle, wide, amount) for line in lines]
    return lines


def _drawn_to(line: F64, middle: F64, wide: float, amount: float) -> F64:
    away = line - middle
    near = amount * np.exp(-((away / wide) ** 2).sum(axis=1))
    return np.asarray(middle + away * (1 - near[:, None]))
