"""From ink to areas: walls tried and judged, rooms merged, labels at full resolution."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from scipy.spatial import cKDTree

from inkclean.base.arrays import F64, I32, I64, Bool
from inkclean.flats.colour.discs import Black, discs_of
from inkclean.flats.laid import lay_out
from inkclean.flats.maps.filled import PaperTiles, as_filled
from inkclean.flats.merging.votes import NEVER, SURELY_NONE, Merger, absorb, walls_of
from inkclean.flats.panels import (
    CERTAIN,
    border_zone,
    lies_in,
    meetings,
    open_channels,
)
from inkclean.flats.prepared import Prepared, prepare
from inkclean.flats.rasters import pieces
from inkclean.flats.values import BRIDGE, OPENED_MM, FlatEdits, Flats, Point, Rows, no_rows
from inkclean.flats.walls.belonging import Met, belonging, find_met
from inkclean.flats.walls.cells import Ground, find_cells
from inkclean.flats.walls.closed import breaks, openings_of, worth_closing
from inkclean.flats.walls.doubts import Judged, Tried, find_doubts
from inkclean.flats.walls.joins import Joins, on_cubic
from inkclean.flats.walls.rooms import Rooms, deepened, joined, lay, regrouped, rooms_of
from inkclean.flats.walls.traced import Middles, onto_ink, simpler, traced
from inkclean.ink.values import Ink

OPENED_BORDER_MM = 1.5  # and within which no wall of a panel's border is, known less finely
REACH_MM = 0.4  # bridges laid by hand go on this far, to end inside the ink
DOUBTFUL = 0.9  # bridges less sure than this are to check
TWIN_MM = 1.0  # bridges with both ends this near each other lie over one gap
BLACK_MM = 2.4  # ink broader than this is a black
LINE_MM = 0.6  # a usual line
SURE_SEAM = 6.0  # and narrow places on a page drawn closed, where they are this sure
PAPER = 0.5  # coverage below which there is no ink
LEAST_PX = 2  # a join that parts two areas for less than this parts nothing


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
            goes to the neighbour it belongs to; one that is surely closed may be a quarter so
            large.
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
    splits = [
        onto_ink(np.array(part) * page.scale, _middles(page), page.scale) for part in edits.splits
    ]
    joins, given = _joins(page, gap_mm, edits, [simpler(line) for line, _ in splits])
    rooms, met = _rooms(page, joins, edits.opened)
    fixed = given | (joins.odds >= CERTAIN)
    merger = Merger(rooms, joins, belonging(rooms, met), fixed, page.scale)
    merger.bar(_barred(rooms, joins, page, merger.odds))
    merger.bar(traced(rooms, splits, page.scale))
    merger.keep(page.patches.large(rooms), page.patches.of_rooms(rooms))
    of_page = page.patches, page.ink, page.broad, page.kept.ends
    openings = openings_of(rooms, joins, *of_page)
    merger.tell(rooms, openings, page.scale)
    first = Judged(rooms, merger.odds.copy())
    root = merger.run()
    if merger.drawn_closed():
        root = _filled(page, ink, rooms, root)
    rooms, page.kept.deep = deepened(
        regrouped(rooms, root), root, LINE_MM * page.scale, page.kept.deep
    )
    rooms = regrouped(rooms, absorb(rooms, page.scale, smallest_mm, given, page.broad))
    rooms = _joined_by_hand(rooms, edits, page.scale)
    odds = _scored(rooms, joins, met, page.scale)
    undoubted = _undoubted(rooms, fixed) | _barred(rooms, joins, page, odds)
    undoubted |= traced(rooms, splits, page.scale)
    # from here on all lies as it was drawn
    joins = joins.moved(turn.points_back)
    bridges, number = _bridges(rooms, joins, odds, given, page.scale)
    labels, areas, neighbours, area = lay_out(page, ink, rooms, bridges["cubic"].copy())
    bridges["cubic"] += corner
    odds[undoubted] = np.inf
    tried = Tried(joins.cubic / page.scale + corner, joins.odds, number)
    last = Judged(rooms, odds)

    def on_sheet(at: F64) -> F64:
        return turn.points_back(at) / page.scale + corner

    gaps, checks = find_doubts(first, last, area, areas, tried, page.scale, smallest_mm, on_sheet)
    discs = discs_of(labels, _black(page, ink), areas)
    return Flats(labels, ink.px_per_mm, areas, neighbours, bridges, gaps, checks, discs)


def _middles(page: Prepared) -> Middles:
    if page.kept.middles is None:
        page.kept.middles = Middles.of(page.ink)
    return page.kept.middles


def _black(page: Prepared, ink: Ink) -> Black:
    if page.kept.black is None:
        page.kept.black = Black.of(ink.coverage, ink.px_per_mm)
    return page.kept.black


def _filled(page: Prepared, ink: Ink, rooms: Rooms, root: I64) -> I64:
    paper, shut = _shut(page, ink)
    kept, page.kept.filled = page.kept.filled, None  # it is changed in place
    kept = kept or PaperTiles.none(paper, shut)
    root = as_filled(rooms, root, paper, shut, page.scale, kept)
    page.kept.filled = kept
    return root


def _shut(page: Prepared, ink: Ink) -> tuple[Bool, Bool]:
    """Return where there is no ink at its own resolution, and what parts a page drawn closed."""
    if page.kept.shut is None:
        pores = page.closed & ~page.ink & ~page.coloured
        shut = breaks(pores, page.ink, page.broad)
        shut &= worth_closing(pores, page.patches, page.scale)
        shut |= pores & (page.seen.seam > SURE_SEAM)
        paper = page.turn.there(page.around.seen(ink.coverage) < PAPER)
        page.kept.shut = paper, shut | page.lettering.counters | page.coloured
    return page.kept.shut


def _barred(rooms: Rooms, joins: Joins, page: Prepared, odds: F64) -> Bool:
    """Return which walls never fall: between closed areas, and on a panel's border.

    The latter only if their log-odds ``odds`` (E,) don't tell that they are surely none.
    """
    across = _across_borders(rooms, joins, page) & (odds > SURELY_NONE)
    return np.asarray(across | page.patches.part(rooms))


def _joins(
    page: Prepared, gap_mm: float, edits: FlatEdits, splits: Sequence[F64] = ()
) -> tuple[Joins, Bool]:
    """Return all ways the lines may go on, those given by hand last, and which are given.

    ``splits``: lines by hand (N, 2) in px, moved onto the ink that they follow.
    """
    scale = page.scale
    joins = page.ridges.within(gap_mm)
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


def _rooms(page: Prepared, joins: Joins, opened: tuple[Point, ...] = ()) -> tuple[Rooms, Met]:
    """Return the rooms between all walls worth laying, and what is told of any two of them."""
    order = walls_of(joins)
    wall = lay(page.ink.shape, joins.cubic, order[joins.ridge[order] == 0])
    walls = page.ridges.laid(wall, joins, order)
    kept = page.kept
    ground = _ground(page, joins, walls, opened)
    before, kept.cells = kept.cells, None  # some of what it holds is changed in place
    cells = find_cells(ground, walls, before)
    met = find_met(cells, page.seen, kept.met)
    kept.cells, kept.met, kept.lies = cells, met, lies_in(cells, page.panel, kept.lies)
    black = BLACK_MM / 2 * page.scale
    return rooms_of(cells, ground, page.seen.seam, page.near, black), met


def _ground(page: Prepared, joins: Joins, walls: I32, opened: tuple[Point, ...]) -> Ground:
    """Return the ink and what walls off the panels, as it was unless that changed."""
    kept = page.kept
    if kept.zone is None:
        kept.zone = np.flatnonzero(border_zone(page.panel, page.scale))
    certain = np.append(False, joins.odds >= CERTAIN)
    barred = page.closed.ravel()[kept.zone] | certain[walls.ravel()[kept.zone]]
    same = kept.barred is not None and kept.opened == opened and (kept.barred == barred).all()
    if kept.ground is None or not same:
        barrier, changed = page.closed | certain[walls], None
        if kept.met_walls is not None and kept.barred is not None:
            changed = kept.zone[kept.barred != barred]
        kept.met_walls = meetings(barrier, page.panel, page.scale, kept.met_walls, changed)
        border = kept.met_walls.copy()
        open_channels(border, barrier, page.panel, page.scale)
        _open(border, opened, page.scale)
        parting = page.closed | border
        if kept.ground is None or (kept.ground.ink != parting).any():
            kept.ground = Ground.of(parting)
        kept.barred, kept.opened = barred, opened
    return kept.ground


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


def _across_borders(rooms: Rooms, joins: Joins, page: Prepared) -> Bool:
    """Return which walls lie between rooms of two panels, or of a panel and the gutter."""
    lies = page.kept.lies
    if lies is None or lies.shape[1] == 1:
        return np.zeros(len(rooms.a), bool)
    held = np.zeros((rooms.count + 1, lies.shape[1]), np.int64)
    np.add.at(held, rooms.of, lies)
    own = held.argmax(axis=1)
    # across the mouth of a channel that leads out of a panel runs no border
    unsure = np.bincount(rooms.pair, joins.odds[rooms.join] < CERTAIN, len(rooms.a)) > 0
    return np.asarray((own[rooms.a] != own[rooms.b]) & ~unsure)


def _joined_by_hand(rooms: Rooms, edits: FlatEdits, scale: float) -> Rooms:
    if not edits.joins:
        return rooms
    pairs = np.array(edits.joins, float).reshape(-1, 2, 2) * scale
    height, width = rooms.cells.label.shape
    column = np.clip(pairs[..., 0].astype(int), 0, width - 1)
    row = np.clip(pairs[..., 1].astype(int), 0, height - 1)
    at = rooms.of[rooms.cells.label[row, column]]
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


def _scored(rooms: Rooms, joins: Joins, met: Met, scale: float) -> F64:
    """Return the log-odds (E,) that the wall between each two rooms is real."""
    none = np.zeros(len(joins), bool)
    return Merger(rooms, joins, belonging(rooms, met), none, scale).odds


def _undoubted(rooms: Rooms, fixed: Bool) -> Bool:
    """Return which walls hold a join that parts for good."""
    return np.bincount(rooms.pair, fixed[rooms.join], len(rooms.a)) > 0


def _apart(cubic: F64, given: Bool) -> Bool:
    """Return which bridges, best first, do not lie over the gap of a better one.

    Two lie over one gap if both ends of the one are near both ends of the other. Those laid by
    hand all count.
    """
    ends = cubic[:, [0, 3]]
    # those whose ends are near have their middles near, and few do
    near = cKDTree(ends.mean(axis=1)).query_pairs(TWIN_MM, output_type="ndarray")
    one, other = np.sort(near.astype(np.int64), axis=1).T
    same = np.hypot(*(ends[one] - ends[other]).transpose(2, 0, 1)).max(axis=1)
    crossed = np.hypot(*(ends[one] - ends[other][:, ::-1]).transpose(2, 0, 1)).max(axis=1)
    twin = np.minimum(same, crossed) < TWIN_MM
    kept = np.ones(len(cubic), bool)
    better: dict[int, list[int]] = {}
    for first, second in zip(one[twin].tolist(), other[twin].tolist(), strict=True):
        better.setdefault(second, []).append(first)
    for k in sorted(better):
        kept[k] = given[k] or not kept[better[k]].any()
    return kept
