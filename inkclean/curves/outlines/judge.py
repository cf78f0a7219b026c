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

from inkclean.base.arrays import F32, F64
from inkclean.curves.outlines.surroundings import SIZE

WEIGHTS = "corners.f32"  # little-endian float32: weights (in, out) of a layer, then its bias (out,)
LAYERS = (SIZE, 160, 64, 3)
_DIGITS = 6


def judge(values: F32) -> F32:
    """Return the log-odds of a corner, and its place x, y in the point's frame, px: (C, 3).

    ``values`` (C, SIZE) as in ``Surroundings``.
    """
    # sums differ in their last digits with the threads that share them out
    return np.asarray(np.round(run_network(_layers(), values), _DIGITS), np.float32)


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
