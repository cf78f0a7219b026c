"""From ink to areas: hatching away, gaps bridged, rooms judged, labels at full resolution."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
from scipy.spatial import cKDTree

from inkclean.base.arrays import F32, F64, I64, U8, Bool
from inkclean.base.tiles import both
from inkclean.flats.areas import at_full_resolution, bare_sizes, measure
from inkclean.flats.lines.ends import Ends, find_ends
from inkclean.flats.lines.gaps import FEATURES, Joins, find_joins, on_cubic
from inkclean.flats.lines.hatching import PORE_MM, Shaded, tell_hatching
from inkclean.flats.lines.lettering import Lettering, find_lettering
from inkclean.flats.lines.seams import seam_odds
from inkclean.flats.lines.skeleton import Lines, lines_of
from inkclean.flats.panels import CERTAIN, border_walls, certain_on_borders, find_panels
from inkclean.flats.rasters import dilated, in_order, pieces, square, tally
from inkclean.flats.values import BRIDGE, FlatEdits, Flats, Point, Rows, no_rows
from inkclean.flats.walls.doubts import Judged, Tried, find_doubts
from inkclean.flats.walls.ridges import Ridges, find_ridges
from inkclean.flats.walls.rooms import Rooms, deepened, find_rooms, joined, lay, regrouped
from inkclean.flats.walls.votes import NEVER, Merger, absorb, walls_of
from inkclean.ink.values import Ink

WORKING_PX_PER_MM = 8.0  # fine enough for a line of 0.15 mm and an opening of 0.3 mm
INKED = 0.35  # share of ink that makes a working pixel ink: keeps fine lines whole
OPENED_MM = 0.5  # from a point said to be open within which no bridge is laid
OPENED_BORDER_MM = 1.5  # and within which no wall of a panel's border is, known less finely
REACH_MM = 0.4  # bridges laid by hand go on this far, to end inside the ink
DOUBTFUL = 0.9  # bridges less sure than this are to check
TWIN_MM = 1.0  # bridges with both ends this near each other lie over one gap
BROAD_MM = 1.3  # seams are looked for at a scale where no usual line is broader
BLACK_MM = 2.4  # ink broader than this is a black
LINE_MM = 0.6  # a usual line
NEAR_END_MM = 2.0  # a wall that closes a gap has an end of a stroke this near one of its own
SURELY = 0.5  # or the seam is as sure as this, log-odds
LEAST_PX = 2  # a join that parts two areas for less than this parts nothing
MOST_AREAS = 65535


@dataclass(frozen=True)
class Prepared:
    """The ink on the working raster, and what was learnt of it before any edit."""

    ink: Bool
    closed: Bool  # all ink, pores of dry strokes and the insides of letters closed
    shaded: Shaded
    seam: F32
    ridges: Ridges
    lettering: Lettering
    panel: U8
    scale: float


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
    edits = edits or FlatEdits()
    page = prepared or prepare(ink)
    joins, given = _joins(page, gap_mm, edits)
    rooms = _rooms(page, joins, edits.opened)
    fixed = given | (joins.odds >= CERTAIN)
    merger = Merger(rooms, joins, fixed, page.scale)
    merger.bar(_across_borders(rooms, page.panel))
    first = Judged(rooms, merger.odds.copy())
    root = merger.run()
    rooms = deepened(regrouped(rooms, root), root, LINE_MM * page.scale)
    rooms = regrouped(rooms, absorb(rooms, page.scale, smallest_mm, given))
    rooms = _joined_by_hand(rooms, edits, page.scale)
    label = in_order(rooms.label, MOST_AREAS)
    odds = _scored(rooms, joins, page.scale)
    bridges, number = _bridges(rooms, joins, odds, given, page.scale)
    labels, (areas, neighbours) = both(
        lambda: at_full_resolution(
            ink.coverage, label, rooms.open_, bridges["cubic"], ink.px_per_mm, page.scale
        ),
        lambda: measure(label, rooms.open_, page.panel, page.scale),
    )
    areas["size_mm2"] = bare_sizes(ink.coverage, labels, len(areas), ink.px_per_mm)
    odds[_undoubted(rooms, fixed) | _across_borders(rooms, page.panel)] = np.inf
    tried = Tried(joins.cubic / page.scale, joins.odds, number)
    last = Judged(rooms, odds)
    gaps, checks = find_doubts(first, last, label, areas, tried, page.scale, smallest_mm)
    return Flats(labels, ink.px_per_mm, areas, neighbours, bridges, gaps, checks)


def prepare(ink: Ink) -> Prepared:
    """Return what is the same whatever is edited in the flats: the longer part of the work."""
    scale = min(WORKING_PX_PER_MM, ink.px_per_mm)
    height, width = ink.coverage.shape
    factor = scale / ink.px_per_mm
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    small = ink.coverage
    if factor < 1:
        small = np.asarray(cv2.resize(small, size, interpolation=cv2.INTER_AREA), np.float32)
    inked = small >= (INKED if factor < 1 else 0.5)
    lines, (lettering, panel) = both(
        lambda: lines_of(inked),
        lambda: (find_lettering(inked, scale), find_panels(inked, scale)),
    )
    seam = seam_odds(small, max(scale, _broad(lines) / BROAD_MM))
    shaded = tell_hatching(inked, lines, seam, scale)
    closed = _closed(inked, shaded, lettering, scale)
    ridges = find_ridges(closed, seam, scale)
    return Prepared(inked, closed, shaded, seam, ridges, lettering, panel, scale)


def _broad(lines: Lines) -> float:
    """Return how broad a usual line is, in px."""
    radius = lines.radius[lines.on > 0]
    return 2 * float(np.median(radius)) if len(radius) else 0.0


def _joins(page: Prepared, gap_mm: float, edits: FlatEdits) -> tuple[Joins, Bool]:
    """Return all ways the lines may go on, those given by hand last, and which are given."""
    ink, scale = page.shaded.ink, page.scale
    written = page.lettering.ink
    ends = find_ends(ink, page.shaded.lines, scale)
    ends = ends.chosen(~written.ravel()[ends.root])
    joins = find_joins(ink | written, ends, page.seam, scale, gap_mm)
    joins = joins.and_also(_from_an_end(page.ridges.within(gap_mm), ends, scale))
    joins = joins.chosen(~_stops_in(joins, written))
    joins = replace(joins, odds=certain_on_borders(joins, page.panel, scale))
    joins = _without_opened(joins, edits.opened, scale)
    hand = [_lengthened(np.array(c, float), REACH_MM) for c in edits.bridges]
    for part in edits.splits:
        points = np.array(part, float)
        thirds = np.linspace(0, 1, 4)[:, None]
        hand += [a + (b - a) * thirds for a, b in pairwise(points)]
    cubic = np.array(hand, float).reshape(-1, 4, 2) * scale
    n, k = len(joins), len(cubic)
    nobody = np.full(k, -1)
    unknown = np.zeros((k, joins.features.shape[1]))
    by_hand = Joins(cubic, nobody, nobody, unknown, np.full(k, NEVER), np.zeros(k, np.int64))
    return joins.and_also(by_hand), np.arange(n + k) >= n


def _from_an_end(ridges: Joins, ends: Ends, scale: float) -> Joins:
    """Return the ridges that a stroke's end is near: between whole lines lies a channel."""
    if not len(ridges) or not len(ends):
        return ridges.chosen(np.zeros(len(ridges), bool))
    away, _ = cKDTree(ends.tip).query(ridges.cubic[:, [0, 3]])
    seen = ridges.features[:, FEATURES.index("seen")]
    return ridges.chosen((away.min(axis=1) < NEAR_END_MM * scale) | (seen > SURELY))


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
    """Return the joins without those that close what was said to be open.

    With a join go all others from the ends it bridges: they would close the same gap.
    """
    if not opened or not len(joins):
        return joins
    points = on_cubic(joins.cubic, 24) / scale
    near = np.zeros(len(joins), bool)
    for place in opened:
        near |= (np.hypot(*(points - np.array(place)).T) < OPENED_MM).any(axis=0)
    ends = np.unique(np.concatenate([joins.first[near], joins.second[near]]))
    gone = near | np.isin(joins.first, ends[ends >= 0]) | np.isin(joins.second, ends[ends >= 0])
    return joins.chosen(~gone)


def _stops_in(joins: Joins, mask: Bool) -> Bool:
    """Return which joins stop in or beside a mask."""
    near = dilated(mask, square(5)) > 0
    column, row = np.floor(joins.cubic[:, 3]).astype(int).T
    return np.asarray(near[row.clip(0, mask.shape[0] - 1), column.clip(0, mask.shape[1] - 1)])


def _closed(ink: Bool, shaded: Shaded, lettering: Lettering, scale: float) -> Bool:
    # letters are not dry strokes: what lies between two of them is no pore
    beside = dilated(lettering.ink, square(2 * round(PORE_MM * scale) + 1)) > 0
    return np.asarray(ink | (shaded.whole & ~beside) | lettering.counters)


def _rooms(page: Prepared, joins: Joins, opened: tuple[Point, ...] = ()) -> Rooms:
    order = walls_of(joins)
    wall = lay(page.ink.shape, joins.cubic, order[joins.ridge[order] == 0])
    walls = page.ridges.laid(wall, joins, order)
    barrier = page.closed | np.append(False, joins.odds >= CERTAIN)[walls]
    border = border_walls(barrier, page.panel, page.scale)
    _open(border, opened, page.scale)
    return find_rooms(page.closed | border, walls, page.seam, BLACK_MM / 2 * page.scale)


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


def _across_borders(rooms: Rooms, panel: U8) -> Bool:
    """Return which walls lie between rooms of two panels, or of a panel and the gutter."""
    most = int(panel.max()) + 1
    if most == 1:
        return np.zeros(len(rooms.a), bool)
    key = rooms.label[rooms.open_].astype(np.int64) * most + panel[rooms.open_]
    times = tally(key, None, (rooms.count + 1) * most).reshape(-1, most)
    own = times.argmax(axis=1)
    return np.asarray(own[rooms.a] != own[rooms.b])


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


def _scored(rooms: Rooms, joins: Joins, scale: float) -> F64:
    """Return the log-odds (E,) that the wall between each two rooms is real."""
    return Merger(rooms, joins, np.zeros(len(joins), bool), scale).odds


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
