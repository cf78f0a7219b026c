"""Walls that may be laid across paper, as curves from ink to ink."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace

import numpy as np

from inkclean.base.arrays import F64, I64, Bool


@dataclass(frozen=True)
class Joins:
    """Ways a line may go on, N of them, in px of the working raster.

    ``cubic`` (N, 4, 2) control points from ink to ink; ``odds`` (N,) mean log-odds that a seam
    runs there, or as certain as a person is; ``ridge`` (N,) the number of the ridge it is, 0 if
    it was laid by hand.
    """

    cubic: F64
    odds: F64
    ridge: I64

    def __len__(self) -> int:
        """Return how many joins there are."""
        return len(self.cubic)

    def and_also(self, other: Joins) -> Joins:
        """Return these joins and after them the others."""
        pairs = ((getattr(self, f.name), getattr(other, f.name)) for f in fields(self))
        return Joins(*(np.concatenate(pair) for pair in pairs))

    def moved(self, how: Callable[[F64], F64]) -> Joins:
        """Return the joins with their points moved."""
        return replace(self, cubic=how(self.cubic))

    def chosen(self, keep: Bool) -> Joins:
        """Return some of the joins."""
        return Joins(*(getattr(self, f.name)[keep] for f in fields(self)))


def on_cubic(cubic: F64, samples: int) -> F64:
    """Return (N, samples, 2) points on cubics (N, 4, 2), ends included."""
    t = np.linspace(0, 1, samples)
    basis = np.stack([(1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t**2 * (1 - t), t**3], axis=1)
    return np.asarray(np.einsum("sk,nkc->nsc", basis, cubic))
