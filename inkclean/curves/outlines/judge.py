"""How likely a point where the edge turns is a true corner's, and where the corner lies.

A small network looks at the point's surroundings (``surroundings.py``). It was fitted on drawings
whose corners are known (``tests/fitting/corners.py``): a corner changes few pixels against a round
one, in ways that its neighbours, its sides and the blur have a say in.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from itertools import pairwise

import numpy as np

from inkclean.base.arrays import F32, F64, I64
from inkclean.base.compiled import compiled
from inkclean.curves.outlines.surroundings import SIZE

_judge = compiled("inkclean.curves.outlines._judge")
CAN_JUDGE = bool(getattr(_judge, "able", bool)())  # compiled, and this processor does it

WEIGHTS = "corners.f32"  # little-endian float32: weights (in, out) of a layer, then its bias (out,)
LAYERS = (SIZE, 160, 64, 3)
_DIGITS = 6
_LANES = 8  # outputs beside each other, as ``_judge.c`` takes them, and so many of these at once
_AT_ONCE = 4


def judge(values: F32) -> F32:
    """Return the log-odds of a corner, and its place x, y in the point's frame, px: (C, 3).

    ``values`` (C, SIZE) as in ``Surroundings``.
    """
    # sums differ in their last digits with the threads that share them out, and with who sums
    told = run_compiled(values) if CAN_JUDGE else run_network(_layers(), values)
    return np.asarray(np.round(told, _DIGITS), np.float32)


def run_compiled(values: F32) -> F64:
    """Return what ``run_network`` makes of them, by ``_judge.c``: the same but for rounding."""
    weights, sizes = _laid()
    told = np.empty((len(values), LAYERS[-1]))
    _judge.judge(np.ascontiguousarray(values, np.float32), weights, sizes, told)
    return told


@cache
def _laid() -> tuple[F64, I64]:
    """Return the network as ``_judge.c`` takes it: weights and biases, and sizes."""
    parts = []
    for rows, offset in _layers():
        blocks = -(-len(offset) // _LANES)
        full = np.zeros((len(rows) + 1, blocks, _LANES))
        full.reshape(len(full), -1)[:, : len(offset)] = [*rows, offset]
        many = blocks // _AT_ONCE * _AT_ONCE
        ends = [*range(_AT_ONCE, many + 1, _AT_ONCE), *range(many + 1, blocks + 1)]
        for begin, end in pairwise([0, *ends]):
            parts.append(full[:-1, begin:end].ravel())
        parts.append(full[-1].ravel())
    return np.concatenate(parts), np.array(LAYERS, np.int64)


def run_network(layers: list[tuple[F64, F64]], values: F32) -> F64:
    """Return what a network of ``layers`` (weights and bias each) makes of ``values`` (C, SIZE)."""
    *inner, (weight, bias) = layers
    x = values.astype(np.float64)
    for rows, offset in inner:
        x = x @ rows
        x += offset
        np.maximum(x, 0.0, out=x)
    return x @ weight + bias


def unpack(data: bytes, sizes: tuple[int, ...]) -> list[tuple[F64, F64]]:
    """Return the layers written in ``data``, of ``sizes`` from the first to the last."""
    flat = np.frombuffer(data, "<f4")
    layers = []
    for rows, columns in pairwise(sizes):
        weight, flat = flat[: rows * columns].reshape(rows, columns), flat[rows * columns :]
        bias, flat = flat[:columns], flat[columns:]
        layers.append((weight.astype(np.float64), bias.astype(np.float64)))
    return layers


@cache
def _layers() -> list[tuple[F64, F64]]:
    return unpack((files("inkclean.curves.outlines") / WEIGHTS).read_bytes(), LAYERS)
