"""All that was asked and corrected on a page, and the values that edits may hold."""

from __future__ import annotations

import math
import re
from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeAlias

from inkclean.base.errors import UsageError
from inkclean.flats.lettering.edits import LetterEdits
from inkclean.flats.values import FlatEdits, Point
from inkclean.ink.edits import InkEdits
from inkclean.settings import Settings

LONGEST_TEXT = 4000  # letters; an outline of four edges with forty points each is shorter
LONGEST_NAME = 40  # letters of a colour's name
WIDEST_MM = 50.0  # of a stroke by hand
DUST_SIZES_MM = (0.0, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.7, 1.0)  # those offered
_FARTHEST_MM = 5000.0  # from the sheet's top left: no sheet is larger
_MOST_POINTS = 20_000  # of one edit
_HEX = re.compile(r"#[0-9a-fA-F]{6}")

Dab = tuple[float, float, str, str] | tuple[float, float, str, str, str]
Values: TypeAlias = Mapping[str, Any]


@dataclass(frozen=True)
class PageEdits:
    """What was asked and corrected on a page, all acts together.

    ``dabs`` are x, y in mm, colour as ``#rrggbb`` and name, the latest last, and fifth, where it
    has one, the name of the book's colour that it refers to; ``bound`` gives for colours of the
    page the name and colour of the book that stand for them; ``light`` is
    where the light comes from in degrees clockwise from above, None without shade; ``names``
    are those that colours (``#rrggbb``) were given by hand; ``checked`` are places to check, x, y
    in mm, that were found right.
    """

    settings: Settings
    ink: InkEdits = field(default_factory=InkEdits)
    letters: LetterEdits = field(default_factory=LetterEdits)
    flats: FlatEdits = field(default_factory=FlatEdits)
    dabs: tuple[Dab, ...] = ()
    light: float | None = None
    names: Mapping[str, str] = field(default_factory=dict)
    checked: tuple[Point, ...] = ()
    bound: Mapping[str, tuple[str, str]] = field(default_factory=dict)


class ActKind(ABC):
    """A kind of act: its ``name`` in the log, and those that it had in ``older`` ones."""

    name: str
    older: tuple[str, ...] = ()

    @abstractmethod
    def check(self, given: Values) -> dict[str, Any]:
        """Return what is given with nothing but what such an act may hold.

        Raises:
            UsageError: the values make no sense.
        """

    @abstractmethod
    def apply(self, edits: PageEdits, act: Values) -> PageEdits:
        """Return ``edits`` with the ``act`` (checked) done."""


def check_number(value: object) -> float:
    """Return a finite number.

    Raises:
        UsageError: it is none.
    """
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise UsageError("a number is missing")
    return float(value)


def check_points(rows: object, size: int, count: int | None = None) -> list[list[float]]:
    """Return points of ``size`` numbers each, mm rounded to a micrometre; a third one is a width.

    Raises:
        UsageError: they are none, not ``count`` of them, off the sheet, or too wide.
    """
    if not isinstance(rows, list) or not 0 < len(rows) <= _MOST_POINTS:
        raise UsageError("points are missing")
    if count is not None and len(rows) != count:
        raise UsageError(f"{count} points are needed")
    found = []
    for row in rows:
        if not isinstance(row, list) or len(row) != size:
            raise UsageError("points are missing")
        values = [round(check_number(value), 3) for value in row]
        if max(abs(value) for value in values) > _FARTHEST_MM:
            raise UsageError("a point lies off the sheet")
        if size == 3 and not 0 < values[2] <= WIDEST_MM:
            raise UsageError(f"a stroke is up to {WIDEST_MM:g} mm wide")
        found.append(values)
    return found


def check_line(rows: object, wrong: str) -> list[list[float]]:
    """Return two points or more.

    Raises:
        UsageError: they are none, or too few, which is ``wrong``.
    """
    points = check_points(rows, 2)
    if len(points) < 2:
        raise UsageError(wrong)
    return points


def check_colour(colour: object, name: object, wrong: str) -> tuple[str, str]:
    """Return a colour as ``#rrggbb``, small letters, and its name as it is.

    Raises:
        UsageError: either is none, which is ``wrong``.
    """
    if not isinstance(colour, str) or not _HEX.fullmatch(colour) or not isinstance(name, str):
        raise UsageError(wrong)
    return colour.lower(), name


def point(row: Sequence[float]) -> Point:
    """Return x and y of a row."""
    return row[0], row[1]
