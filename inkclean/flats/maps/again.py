"""The label map after an edit: only the patches of paper that changed are laid out anew.

All comes out as :func:`full.at_full_resolution` has it.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I32, I64, U16, Bool, count_up
from inkclean.flats.maps.full import Full, firmly, seeds_of, under
from inkclean.flats.nearest import grown
from inkclean.flats.rasters import depth, dilated, square
from inkclean.flats.walls.cells import Box, area_of, renumbered, whole, widened, within
from inkclean.flats.walls.rooms import on_pixels

LEAST_PX = 64  # a part of the page that is too small for its patches grows by this at least,
GROWS = 0.5  # or by this share of it
MOST = 0.35  # when more of the page than this is to be looked at, all of it is
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
        before: the map before the edit.
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
    inner = widened(window, FIRM, small)
    outer = widened(inner, FIRM, small)
    fresh = firmly(label[outer], sure[outer])[within(inner, outer)]
    held = before.firm[inner]
    # an area that is no more has 0 now
    changed = (held != fresh) | (held & fresh & (now[before.label[inner]] != label[inner]))
    firm = before.firm.copy()
    firm[inner] = fresh
    touched = _touched(changed, inner, row, column)
    laid = _differing(shape, before.bridges * px_per_mm, bridges * px_per_mm)
    labels = renumbered(before.labels, now.astype(np.uint16))
    if labels is before.labels:
        labels = labels.copy()
    sizes = _sizes(before, now, count)
    full = Full(labels, before.seeded.copy(), label, firm, bridges, sizes, before.reach)
    if not len(laid[0]) and not len(touched[0]):
        return full
    rows, columns, _ = on_pixels(shape, bridges * px_per_mm, np.arange(len(bridges)))
    at = np.concatenate([laid[0], touched[0]]), np.concatenate([laid[1], touched[1]])
    box, paper, patch = _patches(coverage, (rows, columns), at)
    under_box = slice(int(row[box[0].start]), int(row[box[0].stop - 1]) + 1)
    sure_of = np.zeros(small, np.int32)
    np.copyto(sure_of[under_box], label[under_box], where=firm[under_box])
    found = seeds_of(patch, sure_of, row[box[0]], column[box[1]], box)
    # paper of other patches has the seeds that it had
    had = np.where(full.seeded[box], labels[box], np.uint16(0))
    np.copyto(found, had, where=paper & (patch == 0))
    # an area that is no more has left seeds without a label
    other = found != had
    if not now[1:].all():
        other |= full.seeded[box] & (had == 0)
    part = _true_in(other)
    if part is None:
        return full
    box, found = _moved(part, box), found[part]
    full.seeded[box] = found > 0
    reach = before.reach or _deepest(before.seeded)
    while (deepest := _deepest(full.seeded[widened(box, 2 * reach, shape)])) > reach:
        reach = deepest
    _grow(full, coverage, found, box, reach)
    return replace(full, reach=reach) if labels.all() else None


def _grow(full: Full, coverage: F32, found: U16, box: Box, reach: int) -> None:
    """Give a box of the map other seeds, and all around it its label, in place."""
    inner = widened(box, reach, coverage.shape)
    outer = widened(inner, reach, coverage.shape)
    bare = coverage[inner] < 0.5
    count = len(full.sizes)
    full.sizes[:] -= np.bincount(full.labels[inner][bare], minlength=count)
    seeds = np.where(full.seeded[outer], full.labels[outer], np.uint16(0))
    seeds[within(box, outer)] = found
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
    y, x = (place + side.start for place, side in zip(np.nonzero(changed), box, strict=True))
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


def _pieces(paper: Bool) -> I32:
    _, patch = cv2.connectedComponents(paper.view(np.uint8), connectivity=4)
    return np.asarray(patch, np.int32)


def _patches(coverage: F32, laid: tuple[I64, I64], at: tuple[I64, I64]) -> tuple[Box, Bool, I32]:
    """Return a box in which all patches of paper lie that have to do with places.

    With it the paper in the box, and the numbers of these patches, 0 of others. ``laid`` are the
    pixels of all bridges, ``at`` the places.
    """
    shape = coverage.shape
    box: Box = (
        slice(int(at[0].min()), int(at[0].max()) + 1),
        slice(int(at[1].min()), int(at[1].max()) + 1),
    )
    box = widened(box, LEAST_PX, shape)
    while True:
        if area_of(box) > MOST * coverage.size:
            box = whole(shape)
        paper = coverage[box] < 0.5
        inside = (
            (laid[0] >= box[0].start)
            & (laid[0] < box[0].stop)
            & (laid[1] >= box[1].start)
            & (laid[1] < box[1].stop)
        )
        paper[laid[0][inside] - box[0].start, laid[1][inside] - box[1].start] = False
        patch = _pieces(paper)
        spot = np.zeros(patch.shape, bool)
        spot[at[0] - box[0].start, at[1] - box[1].start] = True
        own = np.zeros(int(patch.max(initial=0)) + 1, bool)
        own[patch[dilated(spot, square(3)) > 0]] = True
        own[0] = False
        # those that reach a side go on beyond it, but for the page's own
        wider = tuple(
            slice(
                side.start - (side.start > 0 and own[first].any()) * _by(side),
                side.stop + (side.stop < length and own[last].any()) * _by(side),
            )
            for side, length, first, last in (
                (box[0], shape[0], patch[0], patch[-1]),
                (box[1], shape[1], patch[:, 0], patch[:, -1]),
            )
        )
        if wider == box:
            return box, paper, np.where(own[patch], patch, np.int32(0))
        box = widened((wider[0], wider[1]), 0, shape)


def _by(side: slice) -> int:
    return max(LEAST_PX, int(GROWS * (side.stop - side.start)))
