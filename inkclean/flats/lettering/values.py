"""What is known of the lettering of a sheet, and what a person changed of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias, TypeVar

import cv2
import numpy as np

from inkclean.base.arrays import U8, Bool
from inkclean.base.units import MM_PER_INCH
from inkclean.flats.nearest import nearest

NOTHING, ART, TEXT, BALLOON = 0, 1, 2, 3
Part: TypeAlias = Literal["art", "text", "balloons"]
PARTS: dict[Part, int] = {"art": ART, "text": TEXT, "balloons": BALLOON}
Pixels = TypeVar("Pixels", U8, Bool)


@dataclass(frozen=True)
class Lettering:
    """What the ink of a sheet belongs to.

    ``kind`` is (H, W) uint8: ART, TEXT (letters of balloons, captions and sound words) or BALLOON
    (outlines of balloons, boxes of captions); on bare paper that of the nearest ink, NOTHING on
    a sheet without ink. It is as fine as the ink it came from.
    """

    kind: U8
    px_per_mm: float

    @property
    def found(self) -> bool:
        """Tell whether there is any lettering."""
        return bool((self.kind >= TEXT).any())

    def part(self, ink: Pixels, part: Part) -> Pixels:
        """Return what of ``ink`` (H, W), at any resolution, belongs to a part; 0 elsewhere.

        The parts of an ink share no pixel, and together are the ink, to the last one.
        """
        own = self.at(ink.shape[0], ink.shape[1]) == PARTS[part]
        if part == "art":
            own |= self.at(ink.shape[0], ink.shape[1]) == NOTHING
        return np.where(own, ink, np.zeros((), ink.dtype))

    def at_dpi(self, dpi: float, shape: tuple[int, ...]) -> Lettering:
        """Return the lettering of a picture of ``shape`` at ``dpi``, the corners laid together."""
        scale = dpi / MM_PER_INCH / self.px_per_mm
        rows, columns = (
            np.minimum(((np.arange(count) + 0.5) / scale).astype(np.int64), side - 1)
            for count, side in zip(shape, self.kind.shape, strict=True)
        )
        return Lettering(self.kind[rows[:, None], columns[None]], dpi / MM_PER_INCH)

    def at(self, height: int, width: int) -> U8:
        """Return ``kind`` on a grid of another resolution over the same sheet."""
        if self.kind.shape == (height, width):
            return self.kind
        size = (width, height)
        return np.asarray(cv2.resize(self.kind, size, interpolation=cv2.INTER_NEAREST), np.uint8)


def spread(kind: U8) -> U8:
    """Return the kinds with bare paper given that of the nearest ink."""
    if kind.max(initial=NOTHING) == ART:
        return np.full_like(kind, ART)
    return nearest(kind)
