"""What passes between the stages of the ink."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from inkclean.base.arrays import F32, Bool


@dataclass(frozen=True)
class Pencil:
    """The underdrawing removed from the page.

    ``layer`` is (H, W, 3) float32 reflectance, linear: the paper with the pencil and without
    the ink, or None where none was found. ``colours`` are the pigments dropped, as ``#RRGGBB``
    on white paper; ``share`` is the share of the sheet they mark; ``note`` says in plain words
    what was decided and why ("the page is drawn in blue ink alone: kept as ink"). ``laid`` (h, w)
    bool, spread over the whole sheet, is where coloured pencil lay, or None if none was found.
    """

    found: bool
    colours: tuple[str, ...]
    share: float
    layer: F32 | None
    note: str
    laid: Bool | None = None


@dataclass(frozen=True)
class Grey:
    """The sheet reduced to ink against everything else.

    ``ink`` is (H, W) float32: linear reflectance as if only ink lay on the paper (1.0 = no
    ink; ink over pencil reads as ink alone). ``pencilled`` (h, w) bool, spread over the whole
    sheet, is where pencil lay that was taken away, or None if there was none.
    """

    ink: F32
    px_per_mm: float
    pencilled: Bool | None = None


@dataclass(frozen=True)
class Doubt:
    """A place to check: centre and diameter in mm, and why.

    ``removed`` tells whether it is about marks that went; ``chance`` (0..1) is how likely what
    was decided about them is wrong; ``marks`` are x, y and diameter of each, in mm. A
    ``wide`` one is about all that lies there, not about marks.
    """

    x_mm: float
    y_mm: float
    size_mm: float
    why: str
    removed: bool = False
    chance: float = 0.5
    marks: tuple[tuple[float, float, float], ...] = ()
    wide: bool = False


@dataclass(frozen=True)
class InkColour:
    """An ink of the page: what people call it, ``#RRGGBB``, and its share of the strokes."""

    name: str
    colour: str
    share: float


@dataclass(frozen=True)
class Ink:
    """The ink of a sheet.

    ``coverage`` is (H, W) float32, 0..1: the share of each pixel that is ink, so scaled that
    the edge of the ink is where the bilinear interpolation between pixel centres passes 0.5.
    ``removed`` is (N, 3) float32: specks removed, x, y and diameter in mm. ``inks`` are those that
    the page is drawn in, the one with most strokes first; none where there is but one.
    """

    coverage: F32
    px_per_mm: float
    pencil: Pencil
    removed: F32 = field(default_factory=lambda: np.zeros((0, 3), np.float32))
    doubts: tuple[Doubt, ...] = ()
    inks: tuple[InkColour, ...] = ()

    @property
    def note(self) -> str:
        """What was decided about pencils and inks, in plain words."""
        said = self.pencil.note
        more = [ink for ink in self.inks[1:] if f"{ink.name} #" not in said]
        if not more:
            return said
        listed = ", ".join(
            f"{ink.name} {ink.colour} (on {100 * ink.share:.0f} % of the lines)" for ink in more
        )
        kept = f"{listed}: another ink beside the {self.inks[0].name}, kept"
        return f"{said}; {kept}" if said else kept
