"""Drawings by other hands as ``art.py`` packs them."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from inkclean.base.arrays import U8
from tests.lettering import words


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


def setters_of(fonts: Path) -> list[words.Setter]:
    """Return what sets lines in each font of a folder, and in the demo's strokes."""
    setters = [words.of_font(path) for path in sorted(fonts.glob("*.[to]tf"))]
    return setters + [words.of_strokes] * 2
