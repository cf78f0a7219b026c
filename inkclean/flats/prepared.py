"""What is the same whatever is edited in the flats: the longer part of the work."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from inkclean.base.arrays import F32, U8, Bool, median
from inkclean.base.memory import hand_back
from inkclean.base.tiles import both
from inkclean.flats.around import Around, around_ink
from inkclean.flats.coloured import coloured, outline
from inkclean.flats.kept import Kept
from inkclean.flats.lettering.counters import Written, written
from inkclean.flats.lettering.find import find_lettering
from inkclean.flats.lettering.values import Lettering
from inkclean.flats.lines.seams import Seen, see
from inkclean.flats.panels import certain_on_borders, find_panels
from inkclean.flats.rasters import depth, dilated, square
from inkclean.flats.turns import Turn, turn_of
from inkclean.flats.walls.closed import Patches
from inkclean.flats.walls.joins import Joins
from inkclean.flats.walls.ridges import Ridges, find_ridges
from inkclean.flats.walls.rooms import beside
from inkclean.ink.values import Ink

WORKING_PX_PER_MM = 8.0  # fine enough for a line of 0.15 mm and an opening of 0.3 mm
INKED = 0.35  # share of ink that makes a working pixel ink: keeps fine lines whole
BROAD_MM = 1.3  # seams are looked for at a scale where no usual line is broader
PORE_MM = 0.5  # breaks up to this wide are pores of the stroke, not gaps,
SEAM = 1.0  # where the log-odds of a seam are at least this


@dataclass(frozen=True)
class Prepared:
    """The ink on the working raster, and what was learnt of it before any edit.

    All rasters lie as ``turn`` lays them. ``kept`` is from the last time that areas were found,
    so that after an edit only what changed is looked at again: no result depends on it.
    """

    ink: Bool
    closed: Bool  # all ink, pores of dry strokes and the insides of letters closed
    seen: Seen
    near: F32  # the odds of a seam at a pixel or a little beside it
    ridges: Ridges
    patches: Patches  # of paper that the closed ink parts
    lettering: Written
    coloured: Bool  # outlines of colouring that no ink holds
    panel: U8
    scale: float
    around: Around
    turn: Turn
    broad: float  # px that a usual line measures across
    kept: Kept = field(default_factory=Kept, repr=False, compare=False)


@dataclass(frozen=True)
class Looked:
    """What is seen on the working raster before anything is known of the lettering."""

    ink: Bool  # as the page lies
    panel: U8  # this and what follows lie as ``turn`` lays them
    seen: Seen
    coloured: Bool  # outlines of colouring that no ink holds
    scale: float
    around: Around
    turn: Turn
    broad: float


def look(ink: Ink) -> Looked:
    """Return the part of the work that needs no lettering, so that it may run beside that."""
    scale = min(WORKING_PX_PER_MM, ink.px_per_mm)
    colour = coloured(ink)
    around = around_ink(ink.coverage, ink.px_per_mm, colour)
    small = _working(around.seen(ink.coverage), ink.px_per_mm, scale)
    inked = _inked(small, ink.px_per_mm, scale)
    box = around.scaled(scale / ink.px_per_mm, *inked.shape)

    # panels are numbered as they are read
    turn = turn_of(small)
    panel, broad = both(lambda: find_panels(inked, scale), lambda: _broad(turn.there(inked)))
    seen = see(turn.there(small), max(scale, broad / BROAD_MM))
    edge = turn.there(outline(colour, box, inked))
    return Looked(inked, turn.there(panel), seen, edge, scale, around, turn, broad)


def prepare(ink: Ink, lettered: Lettering | None = None, looked: Looked | None = None) -> Prepared:
    """Return what is the same whatever is edited in the flats: the longer part of the work.

    ``lettered`` is what was found to be lettering, ``looked`` what was seen without; what is None
    is found now.
    """
    found, first = both(lambda: lettered or find_lettering(ink), lambda: looked or look(ink))
    scale, around, turn, broad = first.scale, first.around, first.turn, first.broad
    panel, seen = first.panel, first.seen
    # letters stand upright
    own = written(Lettering(around.cut(found.kind), ink.px_per_mm), first.ink, scale)
    lettering = Written(turn.there(own.ink), turn.there(own.counters))
    inked = turn.there(first.ink)
    closed = _closed(inked, seen, lettering, scale) | first.coloured
    ridges = find_ridges(closed, seen.seam, scale)
    ridges = ridges.but_for(_stops_in(ridges.joins, lettering.ink))
    odds = certain_on_borders(ridges.joins, panel, scale)
    ridges = replace(ridges, joins=replace(ridges.joins, odds=odds))
    near, patches = both(lambda: beside(seen.seam), lambda: Patches.of(closed, scale))
    hand_back()  # what lettering and ridges left behind
    return Prepared(
        inked,
        closed,
        seen,
        near,
        ridges,
        patches,
        lettering,
        first.coloured,
        panel,
        scale,
        around,
        turn,
        max(broad, 2.0),
    )


def _stops_in(joins: Joins, mask: Bool) -> Bool:
    """Return which joins stop in or beside a mask."""
    near = dilated(mask, square(5)) > 0
    column, row = np.floor(joins.cubic[:, 3]).astype(int).T
    return np.asarray(near[row.clip(0, mask.shape[0] - 1), column.clip(0, mask.shape[1] - 1)])


def _working(coverage: F32, px_per_mm: float, scale: float) -> F32:
    """Return the coverage on the working raster."""
    factor = scale / px_per_mm
    if factor >= 1:
        return coverage
    height, width = coverage.shape
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    return np.asarray(cv2.resize(coverage, size, interpolation=cv2.INTER_AREA), np.float32)


def _inked(small: F32, px_per_mm: float, scale: float) -> Bool:
    return np.asarray(small >= (INKED if scale < px_per_mm else 0.5))


def _broad(ink: Bool) -> float:
    """Return how broad a usual line is, in px: twice the depth in the middle of lines."""
    if ink.all():
        return 0.0
    deep = depth(ink)
    middle = (deep > 0) & (deep >= np.asarray(cv2.dilate(deep, square(3)), np.float32))
    return 2 * float(median(deep[middle])) - 1 if middle.any() else 0.0


def _closed(ink: Bool, seen: Seen, lettering: Written, scale: float) -> Bool:
    """Return the ink with the pores of dry strokes and the insides of letters closed."""
    size = 2 * round(PORE_MM * scale / 2) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    whole = cv2.morphologyEx(ink.astype(np.uint8), cv2.MORPH_CLOSE, disc) > 0
    # letters are not dry strokes: what lies between two of them is no pore
    beside = dilated(lettering.ink, square(2 * round(PORE_MM * scale) + 1)) > 0
    return np.asarray(ink | (whole & (seen.seam > SEAM) & ~beside) | lettering.counters)
