"""The label map after an edit: only the patches of paper that changed are laid out anew.

All comes out as :func:`full.at_full_resolution` has it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from inkclean.base.arrays import F32, F64, I32, I64, U16, Bool, count_up, places
from inkclean.flats.maps.full import Full, firmly, under
from inkclean.flats.maps.patches import PatchLabels
from inkclean.flats.nearest import grown
from inkclean.flats.rasters import depth
from inkclean.flats.tiled.windows import Box, widened, within
from inkclean.flats.walls.cells import renumbered
from inkclean.flats.walls.rooms import on_pixels

FIRM = 3  # px around a change within which a label may be firm or not


def laid_again(
    before: Full,
    coverage: F32,
    label: I32,
    sure: Bool,
    bridges: F64,
    px_per_mm: float,
    scale: float,
    now: I64,
    window: Box,
) -> Full | None:
    """Return the label map after an edit, None if it can only be laid out as a whole.

    Args:
        before: the map before the edit; its patches are changed in place.
        coverage: (H, W), as for ``at_full_resolution``, and so are the next ones.
        label: (h, w) labels of the working raster.
        sure: (h, w), the paper there.
        bridges: (B, 4, 2) cubics in mm.
        px_per_mm: of the coverage.
        scale: px/mm of the working raster.
        now: (M + 1,) which label each of the map before has now, 0 if none.
        window: all that changed on the working raster lies in it.
    """
    shape, small = coverage.shape, label.shape
    count = int(label.max(initial=0))
    row, column = under(shape, small, px_per_mm / scale)
    patches = before.patches or patches_of(before, coverage, px_per_mm, scale)
    inner = widened(window, FIRM, small)
    outer = widened(inner, FIRM, small)
    fresh = firmly(label[outer], sure[outer])[within(inner, outer)]
    held = before.firm[inner]
    # an area that is no more has 0 now
    changed = (held != fresh) | (held & fresh & (now[before.label[inner]] != label[inner]))
    firm = before.firm.copy()
    firm[inner] = fresh
    y, x = _touched(changed, inner, row, column)
    laid = _differing(shape, before.bridges * px_per_mm, bridges * px_per_mm)
    labels = renumbered(before.labels, now.astype(np.uint16))
    if labels is before.labels:
        labels = labels.copy()
    sizes = _sizes(before, now, count)
    seeded = before.seeded.copy()
    full = Full(labels, seeded, label, firm, bridges, sizes, before.reach, patches)
    chosen = patches.pieces.tiles_at(np.append(laid[0], y), np.append(laid[1], x))
    patches.renumber(now)
    sight = Under(label, firm, row, column)
    redone = patches.look(paper_of(coverage, bridges * px_per_mm), sight, chosen)
    boxes = [
        box
        for tile in redone.tolist()
        if (box := _seed(full, patches, patches.pieces.tiles[tile], sight, coverage)) is not None
    ]
    if not boxes:
        return full
    reach = before.reach or _deepest(before.seeded)
    for box in boxes:
        while (deepest := _deepest(seeded[widened(box, 2 * reach, shape)])) > reach:
            reach = deepest
    for box in boxes:
        _grow(full, coverage, box, reach)
    return replace(full, reach=reach) if labels.all() else None


@dataclass(frozen=True)
class Under:
    """Which label of the working raster is known to lie under pixels; see ``full.under``."""

    label: I32
    firm: Bool
    row: I64
    column: I64

    def __call__(self, box: Box) -> U16:
        """Return the labels under a box of the page, 0 where they are not known."""
        row, column = self.row[box[0]], self.column[box[1]]
        part = slice(int(row[0]), int(row[-1]) + 1), slice(int(column[0]), int(column[-1]) + 1)
        known = np.where(self.firm[part], self.label[part], 0).astype(np.uint16)
        return np.asarray(known[row - row[0]].take(column - column[0], axis=1))


def paper_of(coverage: F32, cubics: F64) -> Callable[[Box], Bool]:
    """Return what tells where paper is in a box of a page, between ink and ``cubics`` in px."""
    rows, columns, _ = on_pixels(coverage.shape, cubics, np.arange(len(cubics)))

    def paper(box: Box) -> Bool:
        found = coverage[box] < 0.5
        (top, bottom), (left, right) = ((side.start, side.stop) for side in box)
        inside = (rows >= top) & (rows < bottom) & (columns >= left) & (columns < right)
        found[rows[inside] - top, columns[inside] - left] = False
        return np.asarray(found)

    return paper


def patches_of(full: Full, coverage: F32, px_per_mm: float, scale: float) -> PatchLabels:
    """Return the patches of paper as they were when the map was laid out."""
    patches = PatchLabels.none(coverage.shape)
    row, column = under(coverage.shape, full.label.shape, px_per_mm / scale)
    every = np.arange(len(patches.pieces.tiles))
    paper = paper_of(coverage, full.bridges * px_per_mm)
    patches.look(paper, Under(full.label, full.firm, row, column), every)
    return patches


def _seed(full: Full, patches: PatchLabels, tile: Box, sight: Under, coverage: F32) -> Box | None:
    """Give paper in a tile its label, in place; return the box of what has another, if any."""
    found = patches.seeds(tile, sight(tile))
    labels, seeded = full.labels[tile], full.seeded[tile]
    # an area that is no more has left seeds without a label
    other = np.where(seeded, labels, np.uint16(0)) != found
    other |= seeded & (labels == 0)
    part = _true_in(other)
    if part is None:
        return None
    counted = other & (coverage[tile] < 0.5)
    many = len(full.sizes)
    full.sizes[:] -= np.bincount(labels[counted], minlength=many)
    labels[other] = found[other]
    full.sizes[:] += np.bincount(labels[counted], minlength=many)
    seeded[:] = found > 0
    return _moved(part, tile)


def _grow(full: Full, coverage: F32, box: Box, reach: int) -> None:
    """Give all around a box in which seeds changed the label of the nearest seed, in place."""
    inner = widened(box, reach, coverage.shape)
    outer = widened(inner, reach, coverage.shape)
    bare = coverage[inner] < 0.5
    count = len(full.sizes)
    full.sizes[:] -= np.bincount(full.labels[inner][bare], minlength=count)
    seeds = np.where(full.seeded[outer], full.labels[outer], np.uint16(0))
    full.labels[inner] = grown(seeds)[within(inner, outer)]
    full.sizes[:] += np.bincount(full.labels[inner][bare], minlength=count)
    full.sizes[0] = 0


def _true_in(mask: Bool) -> Box | None:
    """Return the box around what is true, None if nothing is."""
    rows = np.flatnonzero(mask.any(axis=1))
    if not len(rows):
        return None
    columns = np.flatnonzero(mask[rows[0] : rows[-1] + 1].any(axis=0))
    return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)


def _moved(part: Box, box: Box) -> Box:
    """Return where a part of a box lies on the page."""
    rows, columns = (
        slice(inner.start + outer.start, inner.stop + outer.start)
        for inner, outer in zip(part, box, strict=True)
    )
    return rows, columns


def _sizes(before: Full, now: I64, count: int) -> I64:
    """Return the sizes of the areas under their new numbers."""
    sizes = np.zeros(count + 1, np.int64)
    sizes[now] = before.sizes
    return sizes


def _deepest(seeded: Bool) -> int:
    """Return how many px at most lie between a pixel and the next seed, and a little more."""
    if not seeded.any():
        return int(max(seeded.shape))
    return int(depth(~seeded).max(initial=0)) + 3


def _touched(changed: Bool, box: Box, row: I64, column: I64) -> tuple[I64, I64]:
    """Return the pixels of the full map that lie on what changed, in a box of the other."""
    y, x = (place + side.start for place, side in zip(places(changed), box, strict=True))
    (first, high), (begin, wide) = (
        (np.searchsorted(along, at), np.searchsorted(along, at + 1) - np.searchsorted(along, at))
        for along, at in ((row, y), (column, x))
    )
    owner, nth = np.repeat(np.arange(y.size), high * wide), count_up(high * wide)
    down, across = np.divmod(nth, wide[owner])
    return first[owner] + down, begin[owner] + across


def _differing(shape: tuple[int, ...], old: F64, new: F64) -> tuple[I64, I64]:
    """Return the pixels of bridges that were laid or removed."""
    had, have = ({cubic.tobytes() for cubic in cubics} for cubics in (old, new))
    gone = [cubic for cubic in old if cubic.tobytes() not in have]
    came = [cubic for cubic in new if cubic.tobytes() not in had]
    cubics = np.array([*gone, *came]).reshape(-1, 4, 2)
    rows, columns, _ = on_pixels(shape, cubics, np.arange(len(cubics)))
    return rows, columns
