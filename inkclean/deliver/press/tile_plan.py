"""How a poster is cut into sheets.

Poster coordinates are mm from the poster's top left corner, sheet coordinates mm from a
sheet's; x right, y down.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

from inkclean.base.errors import UsageError
from inkclean.base.units import Paper
from inkclean.deliver.pictures.raster import Region

# room for a sheet's number and marks between the bare margin and the poster's window
BAND_MM = 4.0
# more sheets than anybody joins: a mistyped size, not a wish
_MOST_SHEETS = 1000
# the least that must be left of a sheet between overlaps
_LEAST_MM = 20.0


@dataclass(frozen=True)
class PosterSettings:
    """The poster's size, the paper it is printed on, overlap and the printer's bare margin."""

    poster: Paper
    on: Paper
    overlap_mm: float = 10.0
    margin_mm: float = 5.0


@dataclass(frozen=True)
class PosterTile:
    """One sheet: number from 1, row and column from 1.

    ``window`` is what it shows of the poster, ``seen`` what stays in sight once the next
    sheets lie over its right and lower strips; both in poster coordinates.
    """

    number: int
    row: int
    column: int
    window: Region
    seen: Region


@dataclass(frozen=True)
class Plan:
    """The layout: size of poster and sheet in mm, all windows alike.

    A window begins ``inset_mm`` from the sheet's left and upper edge; the next begins
    ``step_mm`` (across, down) further on the poster.
    """

    poster: Paper
    sheet: Paper
    inset_mm: float
    window_mm: tuple[float, float]
    step_mm: tuple[float, float]
    columns: int
    rows: int

    @property
    def overlap_mm(self) -> tuple[float, float]:
        """What neighbours share, across and down."""
        return self.window_mm[0] - self.step_mm[0], self.window_mm[1] - self.step_mm[1]

    @property
    def tiles(self) -> tuple[PosterTile, ...]:
        """The sheets, row by row."""
        return tuple(
            self._tile(row, column) for row in range(self.rows) for column in range(self.columns)
        )

    def _tile(self, row: int, column: int) -> PosterTile:
        x, y = column * self.step_mm[0], row * self.step_mm[1]
        width, height = self.window_mm
        seen_x = width if column == self.columns - 1 else self.step_mm[0]
        seen_y = height if row == self.rows - 1 else self.step_mm[1]
        number = row * self.columns + column + 1
        seen = Region(x, y, seen_x, seen_y)
        return PosterTile(number, row + 1, column + 1, Region(x, y, width, height), seen)


def plan_tiles(art_is_wide: bool, settings: PosterSettings) -> Plan:
    """Return the poster turned as its art lies, and the fewest sheets that cover it.

    The paper is turned whichever way takes fewer sheets. What the sheets cover beyond the
    poster goes into wider overlaps, so that all windows are alike and end at its edges.

    Raises:
        UsageError: margin and overlap leave nothing of the paper, or the sheets are too many.
    """
    poster, on = settings.poster, settings.on
    if art_is_wide != (poster.width_mm > poster.height_mm):
        poster = Paper(poster.name, poster.height_mm, poster.width_mm)
    if min(on.width_mm, on.height_mm) < 148 or max(on.width_mm, on.height_mm) < 210:
        raise UsageError(f"{on.name} is too small for a poster; choose A5 or larger")
    turned = Paper(on.name, on.height_mm, on.width_mm)
    plans = [_plan(poster, sheet, settings) for sheet in (on, turned)]
    best = min(plans, key=lambda plan: plan.columns * plan.rows)
    if best.columns * best.rows > _MOST_SHEETS:
        raise UsageError(
            f"the poster would take {best.columns * best.rows} sheets; choose a larger --on"
        )
    return best


def _plan(poster: Paper, sheet: Paper, settings: PosterSettings) -> Plan:
    inset = settings.margin_mm + BAND_MM
    room = sheet.width_mm - 2 * inset, sheet.height_mm - 2 * inset
    if min(room) - settings.overlap_mm < _LEAST_MM:
        raise UsageError(
            f"margin and overlap leave too little of {sheet.name}; make them smaller, or choose "
            "larger paper"
        )
    columns, step_x, width = _spread(poster.width_mm, room[0], settings.overlap_mm)
    rows, step_y, height = _spread(poster.height_mm, room[1], settings.overlap_mm)
    return Plan(poster, sheet, inset, (width, height), (step_x, step_y), columns, rows)


def _spread(length: float, room: float, overlap: float) -> tuple[int, float, float]:
    """Return how many windows cover a length, the step between them, and their size."""
    if length <= room:
        return 1, length, length
    count = ceil((length - overlap) / (room - overlap) - 1e-9)
    return count, (length - room) / (count - 1), room
