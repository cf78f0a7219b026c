"""From labelled rooms to areas: the label map at full resolution, and a row per area."""

from __future__ import annotations

import numpy as np

from inkclean.base.arrays import F32, I32, I64, U8, Bool
from inkclean.flats.tiled.sides import ordered, shared
from inkclean.flats.tiled.told import told
from inkclean.flats.tiled.windows import Box, whole
from inkclean.flats.turns import Turn
from inkclean.flats.values import AREA, BACKGROUND, FIGURE, GUTTER, NEIGHBOURS, Rows
from inkclean.flats.walls.rooms import Rooms

EDGE_TO_LENGTH = np.pi / 4  # pixel edges along a line, over all its directions, to its length
BETWEEN_PX = 0.4  # middles of discs lie between pixels, edges of ink within them: as a mean
ALONG_SIDES = 0.2  # an area along this share of the sheet's sides is background


def numbered(rooms: Rooms, turn: Turn, most: int) -> tuple[I64, I32]:
    """Return the area of each cell (N + 1,), and the map of areas as it was drawn.

    They are numbered 1.. in the order they are met from the top left; 0 stays 0, and so becomes
    what is met after ``most`` others.
    """
    number, label = ordered(turn.back(rooms.cells.label), rooms.of, rooms.count + 1, most)
    return number[rooms.of], label


def measure(
    label: I32,
    sure: Bool,
    panel: U8,
    scale: float,
    depth: F32,
    known: Rows | None = None,
    box: Box | None = None,
) -> tuple[Rows, Rows]:
    """Return a row per area (AREA) and per pair of neighbours (NEIGHBOURS).

    ``label`` (h, w) is 1..N everywhere, ``sure`` the paper, ``panel`` the number of the panel,
    ``depth`` how deep paper is in px: paper of two areas never touches, so it is as deep in its
    area. Rows that are ``known`` (N,) are not measured again; those of label 0 are not known,
    and lie in the ``box``.
    """
    n = int(label.max(initial=0))
    areas = np.zeros(n, AREA) if known is None else known.copy()
    if not n:
        return areas, np.zeros(0, NEIGHBOURS)
    a, b, length = shared(label, n)
    neighbours = np.zeros(len(a), NEIGHBOURS)
    neighbours["a"], neighbours["b"] = a, b
    neighbours["edge_mm"] = length * EDGE_TO_LENGTH / scale
    _measure(areas, label, sure, panel, scale, depth, box or whole(label.shape))
    sides = _along_sides(label, n)
    areas["enclosing"] = _enclosing(a, b, sides > 0)
    areas["kind"] = _kinds(areas, neighbours, sides, label.shape)
    return areas, neighbours


def _measure(
    areas: Rows, label: I32, sure: Bool, panel: U8, scale: float, depth: F32, box: Box
) -> None:
    """Fill in the rows of areas that have no label yet, in place; they lie in the box."""
    fresh = np.append(False, areas["label"] == 0)
    areas["label"] = np.arange(1, len(areas) + 1)
    found = told(label, sure, depth, fresh, box)
    top, left = box[0].start, box[1].start
    new = np.flatnonzero(fresh)
    row, column = np.divmod(found.place[new], box[1].stop - left)
    row, column = row + top, column + left
    rows = areas[new - 1]
    rows["size_mm2"] = found.size[new] / scale**2
    rows["inner_mm"] = (found.most[new] + BETWEEN_PX) / scale
    rows["x_mm"], rows["y_mm"] = (column + 0.5) / scale, (row + 0.5) / scale
    rows["panel"] = panel[row, column]
    edges = (("top_mm", top), ("bottom_mm", top), ("left_mm", left), ("right_mm", left))
    for k, (name, before) in enumerate(edges):
        rows[name] = np.where(found.size[new] > 0, found.box[new, k] + before, 0) / scale
    areas[new - 1] = rows


def _along_sides(label: I32, n: int) -> I64:
    sides = np.concatenate([label[0], label[-1], label[:, 0], label[:, -1]])
    return np.bincount(sides, minlength=n + 1)[1:]


def _enclosing(a: I64, b: I64, at_side: Bool) -> I32:
    """Return for each area the nearest one that every way to the sheet's sides leads through.

    The immediate dominators of the graph of neighbours, seen from outside the sheet; Cooper,
    Harvey and Kennedy, "A simple, fast dominance algorithm", Rice University, 2001.
    """
    n = len(at_side)
    near: list[list[int]] = [[] for _ in range(n + 1)]
    for i, j in zip(a.tolist(), b.tolist(), strict=True):
        near[i].append(j)
        near[j].append(i)
    for k in (np.flatnonzero(at_side) + 1).tolist():
        near[0].append(k)
        near[k].append(0)
    order, rank = [0], [-1] * (n + 1)
    rank[0] = 0
    for k in order:  # breadth first: good enough an order to settle in a few rounds
        for c in near[k]:
            if rank[c] < 0:
                rank[c] = len(order)
                order.append(c)
    above = [-1] * (n + 1)
    above[0] = 0
    changed = True
    while changed:
        changed = False
        for k in order[1:]:
            best = -1
            for c in near[k]:
                if above[c] < 0:
                    continue
                best = c if best < 0 else _meet(best, c, above, rank)
            if above[k] != best:
                above[k], changed = best, True
    return np.array(above[1:], np.int32).clip(0)


def _meet(i: int, j: int, above: list[int], rank: list[int]) -> int:
    while i != j:
        while rank[i] > rank[j]:
            i = above[i]
        while rank[j] > rank[i]:
            j = above[j]
    return i


def _kinds(areas: Rows, neighbours: Rows, sides: I64, shape: tuple[int, int]) -> U8:
    """Tell background and gutter from the figures."""
    kind = np.full(len(areas), FIGURE, np.uint8)
    around = 2 * (shape[0] + shape[1])
    outer = sides >= ALONG_SIDES * around
    if sides.any():
        outer[np.argmax(sides)] = True
    if not areas["panel"].any():
        kind[outer] = BACKGROUND
        return kind
    kind[outer & (areas["panel"] == 0)] = GUTTER
    # in each panel the area with the longest edge along the panel's border is its background
    along = np.zeros(len(areas))
    i, j = neighbours["a"] - 1, neighbours["b"] - 1
    apart = areas["panel"][i] != areas["panel"][j]
    np.add.at(along, i[apart], neighbours["edge_mm"][apart])
    np.add.at(along, j[apart], neighbours["edge_mm"][apart])
    for number in range(1, int(areas["panel"].max()) + 1):
        inside = np.flatnonzero(areas["panel"] == number)
        if len(inside):
            kind[inside[np.argmax(along[inside])]] = BACKGROUND
    return kind
