"""Textures of inked panels: hatching, dots, tufts, leaves, scribble, blacks and ruled lines.

Each draws into a panel (h, w) uint8, ART where its ink lies, FINER px a mm.
"""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F64, U8
from tests.lettering import words
from tests.lettering.words import FINER, Rng

ART = 1


def _strokes(part: U8, lines: list[F64], thick: int) -> None:
    ends = [np.round(line * 16).astype(np.int32) for line in lines]
    cv2.polylines(part, ends, False, ART, thick, cv2.LINE_8, 4)


def _some(part: U8, rng: Rng) -> tuple[F64, float]:
    """A place in a panel, and how far things reach from it, px."""
    at = rng.uniform(0, 1, 2) * np.array(part.shape[::-1])
    return at, float(rng.uniform(4, 22) * FINER)


def _hatch(part: U8, rng: Rng) -> None:
    at, reach = _some(part, rng)
    thick = round(rng.uniform(0.12, 0.5) * FINER)
    for layer in range(int(rng.integers(1, 3))):
        way = rng.uniform(0, np.pi) + layer * 0.9
        along, across = np.array([np.cos(way), np.sin(way)]), np.array([-np.sin(way), np.cos(way)])
        offsets = np.arange(-reach, reach, rng.uniform(0.5, 2.2) * FINER)
        half = reach * rng.uniform(0.1, 0.6) * rng.uniform(0.6, 1.1, len(offsets))
        _strokes(
            part,
            [
                np.array([at + across * o - along * h, at + across * o + along * h])
                for o, h in zip(offsets, half, strict=True)
            ],
            thick,
        )


def _dots(part: U8, rng: Rng) -> None:
    at, reach = _some(part, rng)
    size = rng.uniform(0.1, 0.7) * FINER
    for x, y in at + rng.normal(size=(int(rng.integers(20, 250)), 2)) * reach / 2:
        radius = max(1, round(size * rng.uniform(0.6, 1.4)))
        cv2.circle(part, (round(x), round(y)), radius, ART, -1 if rng.random() < 0.9 else 2)


def _tufts(part: U8, rng: Rng) -> None:
    """Short bent strokes by themselves: grass, rain, birds, cracks, folds."""
    at, reach = _some(part, rng)
    thick = round(rng.uniform(0.15, 0.6) * FINER)
    size = rng.uniform(0.8, 6) * FINER
    way = rng.uniform(0, 2 * np.pi)
    free = rng.choice([0.1, 0.5, 3.0])
    lines = []
    for place in at + rng.normal(size=(int(rng.integers(6, 60)), 2)) * reach * [1, 0.5]:
        points = [place]
        angle = way + rng.normal() * free
        for _ in range(int(rng.integers(1, 5))):
            angle += rng.normal() * 0.7
            points.append(points[-1] + size * 0.4 * np.array([np.cos(angle), np.sin(angle)]))
        lines.append(words._smooth(np.array(points)))
    _strokes(part, lines, thick)


def _leaves(part: U8, rng: Rng) -> None:
    """Small closed shapes side by side: leaves, stones, bricks, scales, windows."""
    at, reach = _some(part, rng)
    thick = round(rng.uniform(0.15, 0.5) * FINER)
    step = rng.uniform(2, 7) * FINER
    sides = int(rng.integers(3, 12))
    filled = rng.random() < 0.25
    jitter = rng.choice([0.02, 0.15, 0.5])
    columns, rows = np.meshgrid(
        np.arange(-reach, reach, step * 1.2), np.arange(-reach, reach, step)
    )
    keep = rng.random(columns.size) < rng.uniform(0.4, 1.0)
    for x, y in (at + np.stack([columns.ravel(), rows.ravel() * 0.7], 1))[keep][:150]:
        angle = np.linspace(0, 2 * np.pi, sides, endpoint=False) + rng.normal() * jitter
        radius = step * 0.42 * (1 + rng.normal(size=sides) * jitter * 0.4)
        shape = np.stack([x + radius * np.cos(angle), y + 0.75 * radius * np.sin(angle)], 1)
        if filled:
            cv2.fillPoly(part, [np.round(shape).astype(np.int32)], ART)
        else:
            _strokes(part, [np.vstack([shape, shape[:1]])], thick)


def _scribble(part: U8, rng: Rng) -> None:
    at, reach = _some(part, rng)
    walk = np.cumsum(rng.normal(size=(int(rng.integers(8, 60)), 2)), axis=0)
    points = at + walk * reach / 5
    _strokes(part, [words._smooth(points)], round(rng.uniform(0.2, 0.8) * FINER))


def _black(part: U8, rng: Rng) -> None:
    at, reach = _some(part, rng)
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    radius = reach * 0.7 * (1 + 0.25 * rng.normal(size=24))
    shape = at + radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], 1)
    cv2.fillPoly(part, [np.round(shape).astype(np.int32)], ART)


def _ruled(part: U8, rng: Rng) -> None:
    """Long lines: a horizon, a wall, speed lines."""
    height, width = part.shape
    thick = round(rng.uniform(0.15, 0.7) * FINER)
    count = int(rng.integers(1, 14))
    at, _ = _some(part, rng)
    if rng.random() < 0.5:
        angle = rng.uniform(0, 2 * np.pi, count)
        way = np.stack([np.cos(angle), np.sin(angle)], 1)
        ends = [np.array([at + w * width * 0.15, at + w * width]) for w in way]
    else:
        rows = rng.uniform(0, height, count)
        drop = rng.uniform(-0.2, 0.2) * width
        ends = [np.array([[0, row], [width, row + drop]]) for row in rows]
    _strokes(part, ends, thick)


TEXTURES = (_hatch, _hatch, _dots, _tufts, _tufts, _leaves, _scribble, _black, _ruled)
