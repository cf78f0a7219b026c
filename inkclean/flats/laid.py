"""From judged rooms to the areas of the sheet: the label map, a row per area and per neighbour."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from inkclean.base.arrays import F64, I32, I64, U16, Bool
from inkclean.base.tiles import both
from inkclean.flats.kept import Laid
from inkclean.flats.maps.again import laid_again, patches_of
from inkclean.flats.maps.areas import measure, numbered
from inkclean.flats.maps.full import Full, at_full_resolution
from inkclean.flats.prepared import Prepared
from inkclean.flats.tiled.depths import Depths
from inkclean.flats.tiled.windows import Box
from inkclean.flats.values import Rows
from inkclean.flats.walls.cells import Cells
from inkclean.flats.walls.numbers import elsewhere, numbers
from inkclean.flats.walls.parts import Parts
from inkclean.flats.walls.rooms import Rooms
from inkclean.ink.values import Ink

MOST_AREAS = 65535


def lay_out(page: Prepared, ink: Ink, rooms: Rooms, bridges: F64) -> tuple[U16, Rows, Rows, I64]:
    """Return the label map of the sheet, rows of AREA and NEIGHBOURS, and each cell's area.

    ``bridges`` (B, 4, 2): cubics in mm of the box around the ink, as it was drawn.
    """
    kept, cells, turn = page.kept, rooms.cells, page.turn
    area, label = numbered(rooms, turn, MOST_AREAS)
    sure = turn.back(cells.open_)
    coverage = page.around.seen(ink.coverage)
    before = kept.laid if kept.laid is not None and kept.laid.serial == cells.after else None
    change = None if before is None else numbers(cells, area, before.area)
    kept.laid = None  # what it holds is changed in place

    def full() -> Full:
        made = None
        given = coverage, label, sure, bridges, ink.px_per_mm, page.scale
        if before is not None and change is not None:
            window = turn.box_back(*elsewhere(cells, change, before.area, area))
            made = laid_again(before.full, *given, change.now, window)
        return made or at_full_resolution(*given)

    def rows() -> tuple[Rows, Rows, Depths]:
        known, box, deep, altered = None, None, None, None
        if before is not None and change is not None:
            known = np.zeros(len(change.was) - 1, before.rows.dtype)
            same = change.same[1:]
            known[same] = before.rows[change.was[1:][same] - 1]
            box = turn.box_back(*_around(cells, ~change.same[area]))
            deep, altered = before.deep, turn.box_back(*cells.altered)
        return _measured(page, label, sure, ink.px_per_mm, (known, box), (deep, altered))

    found, (areas, neighbours, deep) = both(full, rows)
    kept.laid = Laid(cells.serial, area, found, areas.copy(), deep)
    labels = page.around.back(found.labels)
    sizes = found.sizes + page.around.beyond(found.labels, coverage, len(areas))
    areas["size_mm2"] = sizes[1:] / ink.px_per_mm**2
    # the box begins between two pixels of the working raster
    factor = page.scale / ink.px_per_mm
    frame = page.around.scaled(factor, *label.shape)
    right, down = (page.around.corner * factor - frame.corner) / page.scale
    for name, by in (("x_mm", right), ("y_mm", down)):
        areas[name] += by
    return labels, areas, neighbours, area


def ready(page: Prepared, ink: Ink) -> None:
    """Find what the first edit would have to find of what was laid out, if that is still to do."""
    kept = page.kept
    cells, laid = kept.cells, kept.laid
    if cells is not None and cells.parts is None:
        parts = Parts.of(cells.open_, cells.ground.room, cells.label)
        kept.cells = replace(cells, parts=parts)
        if kept.filled is not None and kept.shut is not None:
            kept.filled.look(kept.cells, parts, kept.shut[0])
    if laid is not None and laid.full.patches is None:
        given = page.around.seen(ink.coverage), ink.px_per_mm, page.scale
        kept.laid = replace(laid, full=replace(laid.full, patches=patches_of(laid.full, *given)))


def _around(cells: Cells, chosen: Bool) -> Box:
    """Return the box around some cells, and around what changed since the latest edit."""
    rows, columns = cells.window
    box = cells.box[np.flatnonzero(chosen[1:]) + 1]
    if not len(box):
        return rows, columns
    top, left = int(box[:, 0].min()), int(box[:, 2].min())
    bottom, right = int(box[:, 1].max()), int(box[:, 3].max())
    if rows.stop > rows.start and columns.stop > columns.start:
        top, bottom = min(top, rows.start), max(bottom, rows.stop)
        left, right = min(left, columns.start), max(right, columns.stop)
    return slice(top, bottom), slice(left, right)


def _measured(
    page: Prepared,
    label: I32,
    sure: Bool,
    px_per_mm: float,
    known: tuple[Rows | None, Box | None],
    before: tuple[Depths | None, Box | None],
) -> tuple[Rows, Rows, Depths]:
    """Return the rows of areas and neighbours, in mm of the working raster of the sheet.

    With them how deep its paper is. ``known`` are the rows that are, and where all others lie;
    ``before`` how deep paper was, and where it changed.
    """
    frame = page.around.scaled(page.scale / px_per_mm, *label.shape)
    if page.kept.panel is None:
        page.kept.panel = frame.back(page.turn.back(page.panel))

    def place(box: Box | None) -> Box | None:
        if box is None:
            return None
        if box[0].start == box[0].stop:
            return slice(0, 0), slice(0, 0)
        # what lies on the box's rim goes on to the sheet's sides
        return (
            _on_sheet(box[0], frame.top, frame.high, frame.shape[0]),
            _on_sheet(box[1], frame.left, frame.wide, frame.shape[1]),
        )

    rows, box = known
    deep, altered = before[0], place(before[1])
    label, sure = frame.back(label), frame.back(sure & (label > 0))
    if deep is None or altered is None or deep.px.shape != sure.shape:
        deep = Depths.of(sure)
    else:
        deep = deep.after(lambda box: sure[box], altered)
    given = label, sure, page.kept.panel, page.scale, deep.px
    return *measure(*given, rows, place(box)), deep


def _on_sheet(side: slice, start: int, many: int, length: int) -> slice:
    first = 0 if side.start <= 0 else min(max(0, side.start + start), length)
    last = length if side.stop >= many else min(max(0, side.stop + start), length)
    return slice(first, max(first, last))
