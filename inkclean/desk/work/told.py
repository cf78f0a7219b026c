"""What each stage of a page tells the browser: plain values, as JSON takes them.

Lengths and places are in mm of the sheet unless a name says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, field, is_dataclass
from typing import Any

Point = tuple[float, float]


@dataclass(frozen=True)
class Shown:
    """A picture that the browser asks for by name, in px, and how many sizes it has."""

    picture: str
    width: int
    height: int
    levels: int


@dataclass(frozen=True)
class FrameTold:
    """Where the paper lies: corners and, of each bowed edge, points along it in photo px."""

    width_mm: float
    height_mm: float
    corners: list[list[float]]
    edges: list[list[list[float]]] | None
    framed: str
    paper: str | None
    doubt: str
    doubt_of: str
    confidence: float


@dataclass(frozen=True)
class FirstTold(Shown):
    """The quick look: its ink, and the name of the picture of the paper beneath."""

    flat: str
    px_per_mm: float
    width_mm: float
    height_mm: float


@dataclass(frozen=True)
class SheetTold(Shown):
    """The sheet as the photo has it, and how well it was photographed."""

    px_per_mm: float
    width_mm: float
    height_mm: float
    verdict: str
    advice: str


@dataclass(frozen=True)
class PencilTold:
    """The underdrawing that was removed."""

    found: bool
    colours: list[str]
    note: str


@dataclass(frozen=True)
class CutTold:
    """How soft the edges of the ink are, in px."""

    blur_px: float


@dataclass(frozen=True)
class SpecksTold:
    """How many specks were removed, none brought back."""

    removed: int


@dataclass(frozen=True)
class InkCheckTold:
    """A place to check in the ink, the likeliest mistake first.

    ``specks`` (x, y, diameter in mm) were removed there, or ``kept`` were.
    """

    x: float
    y: float
    size: float
    why: str
    specks: list[list[float]]
    kept: list[list[float]]


@dataclass(frozen=True)
class InkTold(Shown):
    """The ink, the largest specks removed (x, y, diameter), and how many there are in all."""

    px_per_mm: float
    removed: list[list[float]]
    checks: list[InkCheckTold]
    specks: int
    weight: float


@dataclass(frozen=True)
class MarksTold:
    """Marks as x, y, diameter and a number: bit k tells that it goes at the k-th of ``steps``."""

    steps: list[float]
    marks: list[list[float]]


@dataclass(frozen=True)
class LetteringTold(Shown):
    """The ink, each part in a colour of its own."""

    px_per_mm: float


@dataclass(frozen=True)
class LinesTold:
    """Nothing: the lines are looked through before areas can be found."""


@dataclass(frozen=True)
class BridgeTold:
    """A bridge laid over a gap: four control points."""

    cubic: list[list[float]]
    given: bool


@dataclass(frozen=True)
class CheckTold:
    """A place to check in the areas, the costliest first.

    ``what`` is gap, bridge or line; ``bridge`` the number of the bridge it is about, −1 for
    none; ``labels`` the two areas and ``one`` and ``other`` a point in each; ``cubics`` the
    bridges that would close an open gap.
    """

    x: float
    y: float
    size: float
    what: str
    bridge: int
    labels: list[int]
    one: list[float]
    other: list[float]
    cubics: list[list[list[float]]]


@dataclass(frozen=True)
class FlatsTold(Shown):
    """The label map, of each area a point inside, its kind and mm² of paper, and the bridges.

    ``gaps`` are those left open, each the four control points of a bridge over it.
    """

    areas: list[tuple[float, float, int, float]]
    bridges: list[BridgeTold]
    gaps: list[list[list[float]]]
    checks: list[CheckTold]


@dataclass(frozen=True)
class ThingsTold:
    """Of each area the number of the thing that it is part of; ``labels`` is their label map."""

    labels: str
    things: list[int]


@dataclass(frozen=True)
class ColoursTold:
    """Colours as ``#rrggbb``, their names, which area has which, and the book's they refer to."""

    palette: list[str]
    names: list[str]
    of_area: list[int] = field(default_factory=list)
    book: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class ReliefTold(Shown):
    """Which way the surface looks: of a pixel's two bytes the low one is x, the high one y."""

    px_per_mm: float


def plain(told: Told) -> dict[str, Any]:
    """Return what is told as JSON takes it."""
    return {name: _plain(value) for name, value in vars(told).items()}


def _plain(value: Any) -> Any:
    rows = isinstance(value, list) and value and is_dataclass(value[0])
    return [vars(row) for row in value] if rows else value


Told = (
    Shown
    | FrameTold
    | PencilTold
    | CutTold
    | SpecksTold
    | MarksTold
    | LinesTold
    | ThingsTold
    | ColoursTold
)
