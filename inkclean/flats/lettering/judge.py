"""Whether marks are letters: by their looks, their size, and what stands beside them.

A row of letters is told together: each mark's answer rests on its own looks and on those of marks
like it nearby, in two rounds, the second with the answers of the first (in the manner of auto-
context: Tu, CVPR 2008, doi:10.1109/CVPR.2008.4587436).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any, TypeAlias

import numpy as np
from scipy.spatial import cKDTree

from inkclean.base.arrays import F32, F64, I64
from inkclean.base.network import network
from inkclean.flats.lettering.marks import Marks, pictures

FEATURES = 15
HIDDEN = 24
ROUNDS = 2
NEAREST = 16  # marks beside one that are looked at
ALIKE = 2.6  # factor between sizes of marks that may stand in one row
NEAR = 1.6  # and the most between them, in sizes of the smaller
ROW = 0.35  # share of the lower mark by which two of a row overlap
SUREST = 8.0  # log-odds of looks are held within this
_BATCH = 512

Layer: TypeAlias = list[Any]
"""Weights (FEATURES, HIDDEN), offsets (HIDDEN,), weights (HIDDEN,), offset (1,)."""


@dataclass(frozen=True)
class Shapes:
    """Sizes of N marks, and pairs of those that may stand beside each other."""

    alone: F32  # (N, 4) what tells something by itself
    one: I64  # (P,) a mark
    other: I64  # (P,) one beside it
    weight: F64  # (P,) how much it counts
    row: F64  # (P,) the same, 0 if the two stand in no row
    high: F64  # (P,) how far their heights are apart, in logs
    broad: F64  # (P,) and their strokes
    near: I64  # (N, k) the nearest marks, whatever they are like
    size: F64  # (N,) ink in mm²

    @staticmethod
    def of(numbers: F32, px_per_mm: float) -> Shapes:
        """Return those of rows x, y, width, height, ink and stroke (N, 6), px."""
        x, y, wide, high, ink, stroke = numbers.astype(np.float64).T
        reach = np.maximum(high, 0.5 * wide)
        alone = np.stack(
            [
                np.log(high / px_per_mm),
                np.log(wide / px_per_mm),
                np.log(stroke / reach),
                ink / (wide * high),
            ],
            axis=1,
        )
        centre = np.stack([x + wide / 2, y + high / 2], 1)
        count = min(NEAREST + 1, len(x))
        near = cKDTree(centre).query(centre, k=np.arange(1, count + 1))[1][:, 1:]
        a = np.repeat(np.arange(len(x)), near.shape[1])
        b = near.ravel()
        apart_x = np.maximum(x[a], x[b]) - np.minimum(x[a] + wide[a], x[b] + wide[b])
        apart_y = np.maximum(y[a], y[b]) - np.minimum(y[a] + high[a], y[b] + high[b])
        apart = np.hypot(np.maximum(apart_x, 0), np.maximum(apart_y, 0))
        apart /= np.minimum(reach[a], reach[b])
        tall, thick = np.log(reach[a] / reach[b]), np.log(stroke[a] / stroke[b])
        keep = (apart < NEAR) & (np.abs(tall) < np.log(ALIKE))
        a, b, apart, tall, thick = a[keep], b[keep], apart[keep], tall[keep], thick[keep]
        weight = np.exp(-apart - 1.5 * np.abs(tall) - np.abs(thick))
        level = -apart_y[keep] > ROW * np.minimum(high[a], high[b])
        return Shapes(
            alone.astype(np.float32),
            a,
            b,
            weight,
            weight * level,
            np.abs(np.log(high[a] / high[b])),
            np.abs(thick),
            near,
            ink / px_per_mm**2,
        )


def features(shapes: Shapes, looks: F32, now: F32) -> F32:
    """Return what is known of each mark, (N, FEATURES).

    ``looks`` (N,) are log-odds that marks are letters by their looks, ``now`` (N,) by all that
    is known so far.
    """
    count = len(looks)
    held, known = np.clip(looks, -SUREST, SUREST), np.clip(now, -SUREST, SUREST)
    a, b = shapes.one, shapes.other

    def gathered(weight: F64, value: F64 | F32) -> F64:
        return np.asarray(np.bincount(a, weight * value, count), np.float64)

    def mean(weight: F64, value: F64 | F32) -> F64:
        return gathered(weight, value) / (gathered(weight, np.ones(len(a))) + 0.2)

    best = np.full(count, -SUREST)
    close = shapes.weight > 0.15
    np.maximum.at(best, a[close], known[b[close]])
    chance = 1 / (1 + np.exp(-known))
    around = chance[shapes.near]
    size = np.sqrt(shapes.size[shapes.near])
    columns = [
        held / 4,
        known / 4,
        *shapes.alone.T,
        np.log1p(gathered(shapes.weight, np.ones(len(a)))),
        mean(shapes.weight, known[b]) / 4,
        best / 4,
        np.log1p(gathered(shapes.row, np.ones(len(a)))),
        mean(shapes.row, known[b]) / 4,
        mean(shapes.row, shapes.high),
        mean(shapes.row, shapes.broad),
        around.sum(axis=1) / NEAREST,
        (around * size).sum(axis=1) / (size.sum(axis=1) + 1e-6),
    ]
    return np.stack(columns, axis=1).astype(np.float32)


def answer(layer: Layer, given: F32) -> F32:
    """Return log-odds (N,) from features (N, FEATURES)."""
    inner = np.maximum(given @ layer[0] + layer[1], 0)
    return np.asarray(inner @ layer[2] + layer[3][0], np.float32)


def letter_odds(marks: Marks) -> F32:
    """Return the log-odds that each mark is of lettering, (N,); −inf for those without a shape."""
    out = np.full(len(marks.size), -np.inf, np.float32)
    rows = np.flatnonzero(marks.shaped)
    if len(rows) < 2:
        return out
    looks = _looks(marks, rows)
    numbers = np.column_stack([marks.box[rows], marks.size[rows], marks.stroke[rows]])
    shapes = Shapes.of(numbers.astype(np.float32), marks.px_per_mm)
    now = looks
    for layer in _layers():
        now = answer(layer, features(shapes, looks, now))
    out[rows] = now
    return out


def _looks(marks: Marks, rows: I64) -> F32:
    net = network("inkclean.flats.lettering", "looks.onnx.gz")
    found = []
    for first in range(0, len(rows), _BATCH):
        net.setInput(pictures(marks, rows[first : first + _BATCH]))
        found.append(np.asarray(net.forward()[:, 0], np.float32).copy())
    return np.concatenate(found)


@lru_cache(maxsize=1)
def _layers() -> tuple[Layer, ...]:
    data = (files("inkclean.flats.lettering") / "judge.f32").read_bytes()
    values = np.frombuffer(data, "<f4")
    shapes = ((FEATURES, HIDDEN), (HIDDEN,), (HIDDEN,), (1,))
    sizes = [int(np.prod(shape)) for shape in shapes] * ROUNDS
    parts = np.split(values, np.cumsum(sizes)[:-1])
    whole = [part.reshape(shape) for part, shape in zip(parts, shapes * ROUNDS, strict=True)]
    return tuple(whole[4 * k : 4 * k + 4] for k in range(ROUNDS))
