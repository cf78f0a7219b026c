"""Areas split between several dabs of colour."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from scipy.ndimage import find_objects
from scipy.sparse import csgraph, csr_array

from inkclean.base.arrays import F64, I64, Bool, places
from inkclean.base.errors import InputError
from inkclean.flats.values import Flats, Rows
from inkclean.ink.values import Ink

# Cells of the grid on which ways are measured: fine enough to see a neck, few enough that an
# answer takes under a second.
_MOST_CELLS = 200_000
# A step through ink costs this much more than one through the narrowest neck, so that no way
# leads through a line while one leads round it.
_THROUGH_INK = 1e4
_MOST_LABELS = 65535


def split_areas(
    flats: Flats, ink: Ink, label: I64, points: F64, owner: I64
) -> tuple[Flats, I64, I64]:
    """Split areas between the owners of dabs; return the flats, the pieces and their owners.

    ``points`` (P, 2) are x, y in mm, ``label`` (P,) the area each lies in, ``owner`` (P,)
    numbers; every area named has two owners at least. A pixel goes to the owner whose dab is
    nearest by a way inside the area, off the ink, on which a step costs the inverse cube of
    the distance to the next ink: wide rooms cost next to nothing and necks much, so pieces
    meet where the room between them is narrowest (a geodesic distance with a weight;
    Dijkstra's algorithm from all dabs at once). The piece of the first owner keeps its label.

    Raises:
        InputError: there would be more than 65 535 areas.
    """
    split = np.unique(label)
    claims = np.unique(label << 32 | owner)
    whose, owners = claims >> 32, claims & 0xFFFFFFFF
    first = np.diff(whose, prepend=-1) != 0
    pieces = np.where(first, whose, len(flats.areas) + np.cumsum(~first))
    if pieces.max() > _MOST_LABELS:
        raise InputError("these dabs would split the page into more than 65 535 areas; use fewer")
    labels = flats.labels.copy()
    rows: list[Rows] = []
    boxes = find_objects(flats.labels.astype(np.int32))
    for old in split.tolist():
        box = boxes[old - 1]
        mine, here = pieces[whose == old], label == old
        corner = np.array([box[1].start, box[0].start])
        at = np.floor(points[here] * flats.px_per_mm).astype(np.int64) - corner
        inside = flats.labels[box] == old
        paper = inside & (ink.coverage[box] < 0.5)
        number = np.searchsorted(owners[whose == old], owner[here])
        part = mine[_nearest_owner(inside, paper, at, number, len(mine))].astype(np.uint16)
        np.copyto(labels[box], part, where=inside)
        for piece in mine.tolist():
            each = (part == piece) & inside
            rows.append(_row(flats, each, each & paper, old, piece, corner))
    every = np.concatenate(rows)  # in the order of the pieces
    areas = np.concatenate([flats.areas, every[~first]])
    areas[split - 1] = every[first]
    pairs = _neighbours(replace(flats, labels=labels), pieces)
    _enclose_anew(areas, pairs, split, pieces)
    return replace(flats, labels=labels, areas=areas, neighbours=pairs), pieces, owners


def _nearest_owner(inside: Bool, free: Bool, at: I64, owner: I64, count: int) -> I64:
    """Return the owner, 0..count − 1, of every pixel (h, w); only ``inside`` matters."""
    height, width = inside.shape
    step = max(int(np.ceil(np.sqrt(height * width / _MOST_CELLS))), 1)
    h, w = -(-height // step), -(-width // step)
    share = np.zeros((h * step, w * step), np.float32)
    share[:height, :width] = free
    cells = cv2.resize(share, (w, h), interpolation=cv2.INTER_AREA) > 0.6
    room = cv2.distanceTransform(np.pad(cells, 1).view(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
    cost = np.where(cells, 1 / np.maximum(room, 0.5) ** 3, _THROUGH_INK).astype(np.float64)
    column, row = at.T // step
    seeds, first = np.unique(row * w + column, return_index=True)
    _, _, source = csgraph.dijkstra(
        _grid(cost, cells), indices=seeds, min_only=True, return_predecessors=True
    )
    of_seed = np.zeros(h * w, np.int64)
    of_seed[seeds] = owner[first]
    coarse = of_seed[np.maximum(source, 0)].reshape(h, w)
    # soft borders between the cells, so that the pieces' edge is no staircase
    best = np.full((h * step, w * step), -1, np.float32)
    result = np.zeros(best.shape, np.int64)
    for number in range(count):
        x, y, wide, high = cv2.boundingRect((coarse == number).view(np.uint8))
        rows, columns = _widened(y, high, h), _widened(x, wide, w)
        part = cv2.GaussianBlur((coarse[rows, columns] == number).astype(np.float32), (3, 3), 0)
        fine = cv2.resize(part, None, fx=step, fy=step, interpolation=cv2.INTER_LINEAR)
        window = (
            slice(rows.start * step, rows.stop * step),
            slice(columns.start * step, columns.stop * step),
        )
        result[window][fine > best[window]] = number
        np.maximum(best[window], fine, out=best[window])
    return result[:height, :width]


def _widened(start: int, length: int, most: int) -> slice:
    return slice(max(start - 2, 0), min(start + length + 2, most))


def _grid(cost: F64, cells: Bool) -> csr_array:
    """Return the ways between neighbouring cells; diagonal ones only past no ink."""
    h, w = cost.shape
    # older graph routines take no wider indices
    number = np.arange(h * w, dtype=np.int32).reshape(h, w)
    parts = []
    for one, other in (
        (np.s_[:, :-1], np.s_[:, 1:]),
        (np.s_[:-1, :], np.s_[1:, :]),
    ):
        parts.append((number[one], number[other], (cost[one] + cost[other]) / 2))
    clear = cells[:-1, :-1] & cells[1:, 1:] & cells[:-1, 1:] & cells[1:, :-1]
    for near, far in (
        (np.s_[:-1, :-1], np.s_[1:, 1:]),
        (np.s_[:-1, 1:], np.s_[1:, :-1]),
    ):
        length = (cost[near] + cost[far]) / 2 * np.sqrt(2)
        parts.append((number[near][clear], number[far][clear], length[clear]))
    start, end, length = (np.concatenate([part[k].ravel() for part in parts]) for k in range(3))
    return csr_array(
        (np.tile(length, 2), (np.concatenate([start, end]), np.concatenate([end, start]))),
        shape=(h * w, h * w),
    )


def _row(flats: Flats, piece: Bool, paper: Bool, old: int, label: int, corner: I64) -> Rows:
    """Return the row (1,) of one piece of the area ``old``; ``corner`` is its window's x, y."""
    left, top = corner.tolist()
    scale = flats.px_per_mm
    if not paper.any():
        paper = piece
    room = cv2.distanceTransform(np.pad(paper, 1).view(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
    row, column = np.unravel_index(int(room.argmax()), room.shape)
    x, y, width, height = cv2.boundingRect(paper.view(np.uint8))
    result = flats.areas[old - 1 : old].copy()
    result["label"] = label
    result["x_mm"], result["y_mm"] = (left + column + 0.5) / scale, (top + row + 0.5) / scale
    result["inner_mm"] = float(room.max()) / scale
    result["size_mm2"] = np.count_nonzero(paper) / scale**2
    result["left_mm"], result["right_mm"] = (left + x) / scale, (left + x + width) / scale
    result["top_mm"], result["bottom_mm"] = (top + y) / scale, (top + y + height) / scale
    return result


def _enclose_anew(areas: Rows, pairs: Rows, split: I64, new: I64) -> None:
    """Give what a split area enclosed to the one piece it touches, if it is one, in place."""
    held = areas["label"][np.isin(areas["enclosing"], split)]
    child = np.concatenate([pairs["a"], pairs["b"]])
    piece = np.concatenate([pairs["b"], pairs["a"]])
    at = np.isin(child, held) & np.isin(piece, new)
    children, first, count = np.unique(child[at], return_index=True, return_counts=True)
    areas["enclosing"][held - 1] = 0
    areas["enclosing"][children - 1] = np.where(count == 1, piece[at][first], 0)


def _neighbours(flats: Flats, new: I64) -> Rows:
    """Return the pairs with those of the split areas counted anew."""
    old = flats.neighbours
    touched = np.zeros(_MOST_LABELS + 1, np.bool_)
    touched[new] = True
    kept = old[~(touched[old["a"]] | touched[old["b"]])]
    sides = (flats.labels[:, :-1], flats.labels[:, 1:]), (flats.labels[:-1], flats.labels[1:])
    codes = []
    for one, other in sides:
        row, column = places(one != other)
        a, b = one[row, column].astype(np.int64), other[row, column].astype(np.int64)
        a, b = (side[touched[a] | touched[b]] for side in (a, b))
        codes.append(np.minimum(a, b) << 16 | np.maximum(a, b))
    pair, count = np.unique(np.concatenate(codes), return_counts=True)
    pair, count = pair[pair >> 16 > 0], count[pair >> 16 > 0]
    fresh = np.zeros(len(pair), old.dtype)
    fresh["a"], fresh["b"] = pair >> 16, pair & 0xFFFF
    # pixel edges are 4/π times as long as the line they follow, over all directions
    fresh["edge_mm"] = count / flats.px_per_mm * (np.pi / 4)
    both = np.concatenate([kept, fresh])
    return both[np.lexsort((both["b"], both["a"]))]
