"""Colour that is printed under the lines, as it is read from a file."""

from __future__ import annotations

from dataclasses import dataclass

from inkclean.base.arrays import U8


@dataclass(frozen=True)
class UnderColour:
    """Colour under the lines, one picture.

    ``pixels`` is (H, W, 3) uint8 sRGB, or (H, W, 4) uint8 CMYK, 0 = no ink, 255 = full.
    ``notes`` say what was done to it.
    """

    pixels: U8
    notes: tuple[str, ...] = ()

    @property
    def cmyk(self) -> bool:
        """Whether the picture is in the inks of a press."""
        return bool(self.pixels.shape[2] == 4)
