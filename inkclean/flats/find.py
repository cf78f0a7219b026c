"""From ink to areas: hatching away, gaps bridged, rooms judged, labels at full resolution."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I32, I64, U8, Bool
from inkclean.base.tiles import both
from inkclean.flats.areas import at_full_resolution, bare_sizes, measure
from inkclean.flats.around import Around, around_ink
from inkclean.flats.lettering.counters import Written, written
from inkclean.flats.lettering.find import find_lettering
from inkclean.flats.lettering.values import Lettering
from inkclean.flats.lines.seams import Seen, see
from inkclean.flats.panels import CERTAIN, border_walls, certain_on_borders, find_panels
from inkclean.flats.rasters import depth, dilated, in_order, pieces, square, tally
from inkclean.flats.turns import Turn, turn_of
from inkclean.flats.values import BRIDGE, OPENED_MM, FlatEdits, Flats, Point, Rows, no_rows
from inkclean.flats.walls.belonging import belonging
from inkclean.flats.walls.closed import as_filled, between_closed, breaks, stroke_ends
from inkclean.flats.walls.doubts import Judged, Tried, find_doubts
from inkclean.flats.walls.joins import Joins, on_cubic
from inkclean.flats.walls.ridges import Ridges, find_ridges
from inkclean.flats.walls.rooms import Rooms, deepened, find_rooms, joined, lay, regrouped
from inkclean.flats.walls.traced import onto_ink, simpler, traced
from inkclean.flats.walls.votes import NEVER, SURELY_NONE, Merger, absorb, walls_of
from inkclean.ink.values import Ink

WORKING_PX_PER_MM = 8.0  # fine enough for a line of 0.15 mm and an opening of 0.3 mm
INKED = 0.35  # share of ink that makes a working pixel ink: keeps fine lines whole
OPENED_BORDER_MM = 1.5  # and within which no wall of a panel's border is, known less finely
REACH_MM = 0.4  # bridges laid by hand go on this far, to end inside the ink
DOUBTFUL = 0.9  # bridges less sure than this are to check
TWIN_MM = 1.0  # bridges with both ends this near each other lie over one gap
BROAD_MM = 1.3  # seams are looked for at a scale where no usual line is broader
BLACK_MM = 2.4  # ink broader than this is a black
LINE_MM = 0.6  # a usual line
PORE_MM = 0.5  # breaks up to this wide are pores of the stroke, not gaps,
SEAM = 1.0  # where the log-odds of a seam are at least this,
SURE_SEAM = 6.0  # and narrow places on a page drawn closed, where they are this sure
LEAST_PX = 2  # a join that parts two areas for less than this parts nothing
MOST_AREAS = 65535


@dataclass(frozen=True)
class Prepared:
    """The ink on the working raster, and what was learnt of it before any edit.

    All rasters lie as ``turn`` lays them.
    """

    ink: Bool
    closed: Bool  # all ink, pores of dry strokes and the insides of letters closed
    seen: Seen
    ridges: Ridges
    lettering: Written
    panel: U8
    scale: float
    around: Around
    turn: Turn
    broad: float  # px that a usual line measures across


def find_flats(
    ink: Ink,
    *,
    gap_mm: float = 5.0,
    smallest_mm: float = 2.0,
    edits: FlatEdits | None = None,
    prepared: Prepared | None = None,
) -> Flats:
    """Split the sheet into the areas a person would colour.

    Args:
        ink: the ink of the sheet.
        gap_mm: gaps wider than this are never bridged; which narrower ones are, is judged.
        smallest_mm: an area smaller than a square of this side, or thinner than a third of it,
            goes to the neighbour it belongs to.
        edits: bridges laid and opened, areas joined and parted by hand; applied at whatever
            resolution the ink has.
        prepared: what ``prepare`` gives for this ink, to save that part.

    The page is judged on a raster of 8 px/mm; the label map comes at the ink's resolution.
    """
    page = prepared or prepare(ink)
    corner, turn = page.around.corner / ink.px_per_mm, page.turn
    edits = (edits or FlatEdits()).moved(
        lambda at: turn.points((at - corner) * page.scale) / page.scale
    )
    splits = [onto_ink(np.array(part) * page.scale, page.ink, page.scale) for part in edits.splits]
    joins, given = _joins(page, gap_mm, edits, [simpler(line) for line, _ in splits])
    rooms = _rooms(page, joins, edits.opened)
    fixed = given | (joins.odds >= CERTAIN)
    merger = Merger(rooms, joins, belonging(rooms, page.seen), fixed, page.scale)
    merger.bar(_barred(rooms, joins, page, merger.odds))
    merger.bar(traced(rooms, splits, page.scale))
    merger.tell_ends(rooms, stroke_ends(joins, page.ink, page.broad))
    first = Judged(rooms, merger.odds.copy())
    root = merger.run()
    if merger.drawn_closed():
        pores = page.closed & ~page.ink
        shut = pores & (page.seen.seam > SURE_SEAM) | breaks(pores, page.ink, page.broad)
        fine = turn.there(page.around.cut(ink.coverage))
        root = as_filled(rooms, root, fine, shut | page.lettering.counters)
    rooms = deepened(regrouped(rooms, root), root, LINE_MM * page.scale)
    rooms = regrouped(rooms, absorb(rooms, page.scale, smallest_mm, given))
    rooms = _joined_by_hand(rooms, edits, page.scale)
    odds = _scored(rooms, joins, page)
    undoubted = _undoubted(rooms, fixed) | _barred(rooms, joins, page, odds)
    undoubted |= traced(rooms, splits, page.scale)
    # from here on all lies as it was drawn
    rooms, joins = _turned_back(rooms, turn), joins.moved(turn.points_back)
    first = replace(first, rooms=_turned_back(first.rooms, turn))
    label = in_order(rooms.label, MOST_AREAS)
    bridges, number = _bridges(rooms, joins, odds, given, page.scale)
    labels, (areas, neighbours) = both(
        lambda: page.around.back(
            at_full_resolution(
                page.around.cut(ink.coverage),
                label,
                rooms.open_,
                bridges["cubic"],
                ink.px_per_mm,
                page.scale,
            )
        ),
        lambda: _measured(page, label, rooms.open_, ink.px_per_mm),
    )
    areas["size_mm2"] = bare_sizes(ink.coverage, labels, len(areas), ink.px_per_mm)
    bridges["cubic"] += corner
    odds[undoubted] = np.inf
    tried = Tried(joins.cubic / page.scale + corner, joins.odds, number)
    x, y = corner.tolist()
    last = Judged(rooms, odds)
    gaps, checks = find_doubts(first, last, label, areas, tried, page.scale, smallest_mm, (x, y))
    return Flats(labels, ink.px_per_mm, areas, neighbours, bridges, gaps, checks)


def _barred(rooms: Rooms, joins: Joins, page: Prepared, odds: F64) -> Bool:
    """Return which walls never fall: between closed areas, and on a panel's border.

    The latter only if their log-odds ``odds`` (E,) don't tell that they are surely none.
    """
    across = _across_borders(rooms, joins, page.panel) & (odds > SURELY_NONE)
    return np.asarray(across | between_closed(rooms, page.closed, page.scale))


def _turned_back(rooms: Rooms, turn: Turn) -> Rooms:
    """Return the rooms with their maps as the drawing was."""
    return replace(
        rooms,
        label=turn.back(rooms.label),
        open_=turn.back(rooms.open_),
        wall=turn.back(rooms.wall),
    )


def _measured(page: Prepared, label: I32, sure: Bool, px_per_mm: float) -> tuple[Rows, Rows]:
    """Return the rows of areas and neighbours, in mm of the sheet."""
    factor = page.scale / px_per_mm
    frame = page.around.scaled(factor, *label.shape)
    areas, neighbours = measure(
        frame.back(label), frame.back(sure), frame.back(page.turn.back(page.panel)), page.scale
    )
    # the box begins between two pixels of the working raster
    right, down = (page.around.corner * factor - frame.corner) / page.scale
    for name, by in (("x_mm", right), ("y_mm", down)):
        areas[name] += by
    return areas, neighbours


def prepare(ink: Ink, lettered: Lettering | None = None) -> Prepared:
    """Return what is the same whatever is edited in the flats: the longer part of the work.

    ``lettered`` is what was found to be lettering; it is looked for if it is None.
    """
    scale = min(WORKING_PX_PER_MM, ink.px_per_mm)
    around = around_ink(ink.coverage, ink.px_per_mm)
    small = _working(around.cut(ink.coverage), ink.px_per_mm, scale)
    inked = _inked(small, ink.px_per_mm, scale)
    found = lettered or find_lettering(ink)

    def letters() -> Written:
        kind = Lettering(around.cut(found.kind), ink.px_per_mm)
        return written(kind, inked, scale)

    def panels() -> U8:
        # panels are told by the sheet's sides too
        sheet = _inked(_working(ink.coverage, ink.px_per_mm, scale), ink.px_per_mm, scale)
        return around.scaled(scale / ink.px_per_mm, *inked.shape).cut(find_panels(sheet, scale))

    # letters stand upright, and panels are numbered as they are read
    turn = turn_of(small)
    (lettering, panel), broad = both(
        lambda: (letters(), panels()), lambda: _broad(turn.there(inked))
    )
    small, inked, panel = turn.there(small), turn.there(inked), turn.there(panel)
    lettering = Written(turn.there(lettering.ink), turn.there(lettering.counters))
    seen = see(small, max(scale, broad / BROAD_MM))
    closed = _closed(inked, seen, lettering, scale)
    ridges = find_ridges(closed, seen.seam, scale)
    return Prepared(
        inked, closed, seen, ridges, lettering, panel, scale, around, turn, max(broad, 2.0)
    )


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
    return 2 * float(np.median(deep[middle])) - 1 if middle.any() else 0.0


def _joins(
    page: Prepared, gap_mm: float, edits: FlatEdits, splits: Sequence[F64] = ()
) -> tuple[Joins, Bool]:
    """Return all ways the lines may go on, those given by hand last, and which are given.

    ``splits``: lines by hand (N, 2) in px, moved onto the ink that they follow.
    """
    scale = page.scale
    joins = page.ridges.within(gap_mm)
    joins = joins.chosen(~_stops_in(joins, page.lettering.ink))
    joins = replace(joins, odds=certain_on_borders(joins, page.panel, scale))
    joins = _without_opened(joins, edits.opened, scale)
    hand = [_lengthened(np.array(c, float), REACH_MM) * scale for c in edits.bridges]
    for points in splits:
        thirds = np.linspace(0, 1, 4)[:, None]
        hand += [a + (b - a) * thirds for a, b in pairwise(points)]
    cubic = np.array(hand, float).reshape(-1, 4, 2)
    n, k = len(joins), len(cubic)
    by_hand = Joins(cubic, np.full(k, NEVER), np.zeros(k, np.int64))
    return joins.and_also(by_hand), np.arange(n + k) >= n


def _lengthened(cubic: F64, by_mm: float) -> F64:
    """Return the cubic with its ends drawn out along its own direction."""
    out = cubic.copy()
    for end, inner in ((0, 1), (3, 2)):
        step = cubic[end] - cubic[inner]
        length = float(np.hypot(*step))
        if length > 0:
            out[end] += step / length * by_mm
    return out


def _without_opened(joins: Joins, opened: tuple[Point, ...], scale: float) -> Joins:
    """Return the joins without those that close what was said to be open."""
    if not opened or not len(joins):
        return joins
    points = on_cubic(joins.cubic, 24) / scale
    near = np.zeros(len(joins), bool)
    for place in opened:
        near |= (np.hypot(*(points - np.array(place)).T) < OPENED_MM).any(axis=0)
    return joins.chosen(~near)


def _stops_in(joins: Joins, mask: Bool) -> Bool:
    """Return which joins stop in or beside a mask."""
    near = dilated(mask, square(5)) > 0
    column, row = np.floor(joins.cubic[:, 3]).astype(int).T
    return np.asarray(near[row.clip(0, mask.shape[0] - 1), column.clip(0, mask.shape[1] - 1)])


def _closed(ink: Bool, seen: Seen, lettering: Written, scale: float) -> Bool:
    """Return the ink with the pores of dry strokes and the insides of letters closed."""
    size = 2 * round(PORE_MM * scale / 2) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    whole = cv2.morphologyEx(ink.astype(np.uint8), cv2.MORPH_CLOSE, disc) > 0
    # letters are not dry strokes: what lies between two of them is no pore
    beside = dilated(lettering.ink, square(2 * round(PORE_MM * scale) + 1)) > 0
    return np.asarray(ink | (whole & (seen.seam > SEAM) & ~beside) | lettering.counters)


def _rooms(page: Prepared, joins: Joins, opened: tuple[Point, ...] = ()) -> Rooms:
    order = walls_of(joins)
    wall = lay(page.ink.shape, joins.cubic, order[joins.ridge[order] == 0])
    walls = page.ridges.laid(wall, joins, order)
    barrier = page.closed | np.append(False, joins.odds >= CERTAIN)[walls]
    border = border_walls(barrier, page.panel, page.scale)
    _open(border, opened, page.scale)
    return find_rooms(page.closed | border, walls, page.seen.seam, BLACK_MM / 2 * page.scale)


def _open(border: Bool, opened: tuple[Point, ...], scale: float) -> None:
    """Remove the pieces of walls that run past places said to be open."""
    if not opened or not border.any():
        return
    _, piece = pieces(border)
    row, column = np.nonzero(border)
    for x, y in opened:
        near = np.hypot(column - x * scale, row - y * scale) < OPENED_BORDER_MM * scale
        gone = np.unique(piece[row[near], column[near]])
        border[np.isin(piece, gone[gone > 0])] = False


def _across_borders(rooms: Rooms, joins: Joins, panel: U8) -> Bool:
    """Return which walls lie between rooms of two panels, or of a panel and the gutter."""
    most = int(panel.max()) + 1
    if most == 1:
        return np.zeros(len(rooms.a), bool)
    key = rooms.label[rooms.open_].astype(np.int64) * most + panel[rooms.open_]
    times = tally(key, None, (rooms.count + 1) * most).reshape(-1, most)
    own = times.argmax(axis=1)
    # across the mouth of a channel that leads out of a panel runs no border
    unsure = np.bincount(rooms.pair, joins.odds[rooms.join] < CERTAIN, len(rooms.a)) > 0
    return np.asarray((own[rooms.a] != own[rooms.b]) & ~unsure)


def _joined_by_hand(rooms: Rooms, edits: FlatEdits, scale: float) -> Rooms:
    if not edits.joins:
        return rooms
    pairs = np.array(edits.joins, float).reshape(-1, 2, 2) * scale
    height, width = rooms.label.shape
    column = np.clip(pairs[..., 0].astype(int), 0, width - 1)
    row = np.clip(pairs[..., 1].astype(int), 0, height - 1)
    at = rooms.label[row, column].astype(np.int64)
    return regrouped(rooms, joined(rooms.count + 1, at[:, 0], at[:, 1]))


def _bridges(rooms: Rooms, joins: Joins, odds: F64, given: Bool, scale: float) -> tuple[Rows, I64]:
    """Return the joins that part two areas, as bridges; of several over one gap the likeliest.

    Beside them the row of each join, −1 for those that are no bridge. ``odds`` (E,) are the
    log-odds of the walls.
    """
    number = np.full(len(joins), -1)
    used, across = np.unique(rooms.join, return_inverse=True)
    if not len(used):
        return no_rows(BRIDGE), number
    keep = used[np.bincount(across, rooms.width, len(used)) >= LEAST_PX]
    keep = keep[np.argsort(-joins.odds[keep], kind="stable")]
    keep = keep[_apart(joins.cubic[keep] / scale, given[keep])]
    number[keep] = np.arange(len(keep))
    rows = np.zeros(len(keep), BRIDGE)
    rows["cubic"] = joins.cubic[keep] / scale
    rows["given"] = given[keep]
    # a bridge is as sure as the least sure wall that it is part of
    least = np.full(len(joins), np.inf)
    np.minimum.at(least, rooms.join, odds[rooms.pair])
    least = np.clip(np.where(np.isfinite(least), least, 0.0)[keep], -30, 30)
    rows["confidence"] = np.where(given[keep], 1.0, 1 / (1 + np.exp(-least)))
    rows["doubtful"] = ~given[keep] & (rows["confidence"] < DOUBTFUL)
    return rows, number


def _scored(rooms: Rooms, joins: Joins, page: Prepared) -> F64:
    """Return the log-odds (E,) that the wall between each two rooms is real."""
    none = np.zeros(len(joins), bool)
    return Merger(rooms, joins, belonging(rooms, page.seen), none, page.scale).odds


def _undoubted(rooms: Rooms, fixed: Bool) -> Bool:
    """Return which walls hold a join that parts for good."""
    return np.bincount(rooms.pair, fixed[rooms.join], len(rooms.a)) > 0


def _apart(cubic: F64, given: Bool) -> Bool:
    """Return which bridges, best first, do not lie over the gap of a better one.

    Two lie over one gap if both ends of the one are near both ends of the other. Those laid by
    hand all count.
    """
    n = len(cubic)
    ends = cubic[:, [0, 3]]
    same = np.hypot(*(ends[:, None] - ends[None]).transpose(3, 0, 1, 2)).max(axis=2)
    crossed = np.hypot(*(ends[:, None] - ends[None, :, ::-1]).transpose(3, 0, 1, 2)).max(axis=2)
    twin = np.tril(np.minimum(same, crossed) < TWIN_MM, -1)
    kept = np.ones(n, bool)
    for k in np.flatnonzero(twin.any(axis=1)).tolist():
        kept[k] = given[k] or not (twin[k] & kept).any()
    return kept
