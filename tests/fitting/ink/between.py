"""Weights between those of two networks that one fitting wrote.

Run: ``python -m tests.fitting.ink.between ONE OTHER SHARE OUT``: ``SHARE`` of the way from ONE to
OTHER. What each has learned too well levels out (Izmailov and others, "Averaging weights leads
to wider optima", UAI 2018).
"""

from __future__ import annotations

import sys

import numpy as np
import onnx
from onnx import numpy_helper


def between(one: onnx.ModelProto, other: onnx.ModelProto, share: float) -> onnx.ModelProto:
    """Return a network of the same shape, ``share`` of the way from ``one`` to ``other``."""
    made = onnx.ModelProto()
    made.CopyFrom(other)
    pairs = zip(one.graph.initializer, made.graph.initializer, strict=True)
    for ours, theirs in pairs:
        low, high = numpy_helper.to_array(ours), numpy_helper.to_array(theirs)
        if low.dtype == np.float32:
            told = (low * (1 - share) + high * share).astype(np.float32)
            theirs.CopyFrom(numpy_helper.from_array(told, theirs.name))
    return made


if __name__ == "__main__":
    mixed = between(onnx.load(sys.argv[1]), onnx.load(sys.argv[2]), float(sys.argv[3]))
    onnx.save(mixed, sys.argv[4])
