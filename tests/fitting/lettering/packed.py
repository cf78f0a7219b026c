"""Drawings by other hands as ``art.py`` packs them."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from inkclean.base.arrays import U8


class Art:
    """Drawings as masks, every set as likely."""

    def __init__(self, path: Path) -> None:
        """Open what ``main`` wrote."""
        with np.load(path) as data:
            bits, starts, shapes, kinds = (data[k] for k in ("bits", "starts", "shapes", "kinds"))
        self.masks = [
            np.unpackbits(bits[a:b])[: h * w].reshape(h, w)
            for a, b, (h, w) in zip(starts[:-1], starts[1:], shapes, strict=True)
        ]
        self.by_kind = [np.flatnonzero(kinds == kind) for kind in np.unique(kinds)]

    def any(self, rng: np.random.Generator) -> U8:
        """Return a mask (h, w) of 0 and 1."""
        return self.masks[int(rng.choice(self.by_kind[int(rng.integers(len(self.by_kind)))]))]
