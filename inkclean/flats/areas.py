"""From labelled rooms to areas: the label map at full resolution, and a row per area."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import find_objects

from inkclean.base.arrays import F32, F64, I32, I64, U8, U16, Bool
from inkclean.base.tiles import side_by_side, strips
from inkclean.flats.nearest import grown
from inkclean.flats.rasters import dilated, square
from inkclean.flats.values import AREA, BACKGROUND, FIGURE, GUTTER, NEIGHBOURS, Rows
from inkclean.flats.walls.rooms import lay

FIRM_PX = 3  # pixels with only such around, in a square this wide, are sure of their label
MIXED = 0.002  # a patch of paper with a larger share of other labels is not one area's
BAND_ROWS = 64  # rows of the full map that are worked on at once
SAMPLED = 13  # every so many pixels decide to which area a patch belongs
EDGE_TO_LENGTH = np.pi / 4  # pixel edges along a line, over all its directions, to its length
BETWEEN_PX = 0.4  # middles of discs lie between pixels, edges of ink within them: as a mean
ALONG_SIDES = 0.2  # an area along this share of the sheet's sides is background


def at_full_resolution(
    coverage: F32, label: I32, sure: Bool, bridges: F64, px_per_mm: float, scale: float
) -> U16:
    """Return the label map at the ink's own resolution, hard-edged, without a bare pixel.

    Args:
        coverage: (H, W), the ink; its edge is at 0.5.
        label: (h, w) labels 1..N of the working raster, everywhere.
        sure: (h, w), the paper there.
        bridges: (B, 4, 2) cubics in mm that close areas.
        px_per_mm: of the coverage.
        scale: px/mm of the working raster.

    Each patch of paper between ink and bridges takes the label that lies under it. Where the
    working raster saw a wall that the full one does not, pixels keep the working label. Ink
    takes the label of the nearest paper, so areas meet in the middle of the line.
    """
    shape = coverage.shape
    paper = coverage < 0.5
    paper[lay(shape, bridges * px_per_mm, np.arange(len(bridges))) > 0] = False
    sight = _Sight.of(np.where(_firm(label, sure), label, 0), paper, px_per_mm / scale)
    count, patch = cv2.connectedComponents(paper.view(np.uint8), connectivity=4)
    del paper
    return grown(_seeds(np.asarray(patch, np.int32), sight, count))


@dataclass(frozen=True)
class _Sight:
    """What the working raster knows of the paper at full resolution.

    Its labels, nearest pixel centre, aligned at the outer corner: ``wide`` (h, W) enlarged
    along rows only, and ``row`` (H,) which of these each row is; ``known`` (H, W) paper where
    they are more than 0.
    """

    wide: U16
    row: I64
    known: Bool

    @classmethod
    def of(cls, label: I32, paper: Bool, factor: float) -> _Sight:
        """See the labels, 0 where they are unsure, at a scale larger by ``factor``."""
        row, column = (
            np.minimum(((np.arange(full) + 0.5) / factor).astype(int), small - 1)
            for full, small in zip(paper.shape, label.shape, strict=True)
        )
        found = cls(label.astype(np.uint16)[:, column], row, np.empty(paper.shape, bool))

        def look(band: slice) -> None:
            np.logical_and(found.full(band) > 0, paper[band], out=found.known[band])

        side_by_side(look, found.bands)
        return found

    @property
    def bands(self) -> list[slice]:
        """Rows that are worked on at once: few enough for the cache."""
        return strips(len(self.row), BAND_ROWS)

    def full(self, band: slice) -> U16:
        """Return the labels at full resolution of some rows."""
        return self.wide[self.row[band]]


def _seeds(patch: I32, sight: _Sight, count: int) -> U16:
    """Return the label of each pixel of paper: its patch's, or in a mixed patch its own."""
    seeds = np.empty(patch.shape, np.uint16)
    table = _most(patch, sight, count)

    def lay_out(band: slice) -> I32:
        np.take(table, patch[band], out=seeds[band])
        differs = sight.known[band] & (seeds[band] != sight.full(band))
        return np.asarray(patch[band][differs], np.int32)

    wrong = np.bincount(np.concatenate(side_by_side(lay_out, sight.bands)), minlength=count)
    if not wrong.any():
        return seeds
    size = np.zeros(count, np.int64)
    for band in sight.bands:
        size += np.bincount(patch[band].ravel(), minlength=count)
    mixed = wrong > MIXED * size
    mixed[0] = False

    def keep_own(band: slice) -> None:
        here = mixed[patch[band]]
        if here.any():
            np.copyto(seeds[band], sight.full(band) * sight.known[band], where=here)

    if mixed.any():
        side_by_side(keep_own, sight.bands)
    return seeds


def _most(patch: I32, sight: _Sight, count: int) -> U16:
    """Return for each patch the label most of its known pixels have, 0 for none."""
    bands = sight.bands
    known = np.array([np.count_nonzero(sight.known[band]) for band in bands])
    skipped = -(np.cumsum(known) - known) % SAMPLED  # the first sample of each band

    def sample(number: int) -> tuple[I32, U16, I64]:
        band = bands[number]
        here = sight.known[band]
        patches, labels = patch[band][here], sight.full(band)[here]
        last = np.zeros(int(patches.max(initial=0)) + 1, np.uint16)
        last[patches] = labels
        held = np.flatnonzero(last).astype(np.int32)
        some = slice(int(skipped[number]), None, SAMPLED)
        return held, last[held], patches[some].astype(np.int64) << 16 | labels[some]

    held, last, keys = zip(*side_by_side(sample, range(len(bands))), strict=True)
    table = np.zeros(count, np.uint16)
    # one of them: enough for the smallest patches
    table[np.concatenate(held)] = np.concatenate(last)
    key, times = np.unique(np.concatenate(keys), return_counts=True)
    order = np.argsort(times)
    table[key[order] >> 16] = key[order] & 0xFFFF  # the most frequent last
    table[0] = 0
    return table


def _firm(label: I32, sure: Bool) -> Bool:
    """Return paper of the working raster that is well inside its area."""
    edge = np.zeros(label.shape, bool)
    across, down = label[:, 1:] != label[:, :-1], label[1:] != label[:-1]
    edge[:, 1:] |= across
    edge[:, :-1] |= across
    edge[1:] |= down
    edge[:-1] |= down
    return np.asarray(sure & (dilated(edge, square(FIRM_PX)) == 0))


def bare_sizes(coverage: F32, label: U16, count: int, px_per_mm: float) -> F64:
    """Return the paper of each area 1..count at full resolution, mm²."""

    def sizes(band: slice) -> I64:
        return np.bincount(label[band][coverage[band] < 0.5], minlength=count + 1)

    parts = side_by_side(sizes, strips(len(label), BAND_ROWS))
    return np.asarray(np.sum(parts, axis=0)[1:] / px_per_mm**2)


def measure(label: I32, sure: Bool, panel: U8, scale: float) -> tuple[Rows, Rows]:
    """Return a row per area (AREA) and per pair of neighbours (NEIGHBOURS).

    ``label`` (h, w) is 1..N everywhere, ``sure`` the paper, ``panel`` the number of the panel.
    """
    n = int(label.max(initial=0))
    areas = np.zeros(n, AREA)
    if not n:
        return areas, np.zeros(0, NEIGHBOURS)
    a, b, length = _shared(label, n)
    neighbours = np.zeros(len(a), NEIGHBOURS)
    neighbours["a"], neighbours["b"] = a, b
    neighbours["edge_mm"] = length * EDGE_TO_LENGTH / scale
    on_paper = np.where(sure, label, 0)
    areas["label"] = np.arange(1, n + 1)
    areas["size_mm2"] = np.bincount(on_paper.ravel(), minlength=n + 1)[1:] / scale**2
    depth = _depth(on_paper)
    deepest = np.zeros(n + 1, np.float32)
    np.maximum.at(deepest, on_paper.ravel(), depth.ravel())
    at = np.flatnonzero((depth == deepest[on_paper]).ravel())
    place = np.zeros(n + 1, np.int64)
    place[on_paper.ravel()[at]] = at
    areas["inner_mm"] = (deepest[1:] + BETWEEN_PX) / scale
    areas["x_mm"] = (place[1:] % label.shape[1] + 0.5) / scale
    areas["y_mm"] = (place[1:] // label.shape[1] + 0.5) / scale
    for k, box in enumerate(find_objects(on_paper)):
        if box is not None:
            areas["top_mm"][k], areas["bottom_mm"][k] = box[0].start / scale, box[0].stop / scale
            areas["left_mm"][k], areas["right_mm"][k] = box[1].start / scale, box[1].stop / scale
    areas["panel"] = panel.ravel()[place[1:]]
    areas["enclosing"] = _enclosing(a, b, _along_sides(label, n) > 0)
    areas["kind"] = _kinds(areas, neighbours, _along_sides(label, n), label.shape)
    return areas, neighbours


def _depth(on_paper: I32) -> F32:
    """Return how far each pixel of paper is from ink and from other areas."""
    inside = on_paper > 0
    right, left = on_paper[:, 1:], on_paper[:, :-1]
    lower, upper = on_paper[1:], on_paper[:-1]
    inside[:, 1:] &= (right == left) | (left == 0)
    inside[1:] &= (lower == upper) | (upper == 0)
    # the quick transforms are 2 % off: a fifth of a millimetre on a disc of one centimetre
    deep = cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    # a page that is one area has no edge to be far from
    far = np.float32(np.hypot(*on_paper.shape))
    deep = np.minimum(np.asarray(deep, np.float32), far)
    # squares are whole numbers: the transform's own last bit depends on threads and alignment
    square_px = np.rint(deep * deep)
    return np.asarray(np.sqrt(square_px), np.float32)


def _shared(label: I32, n: int) -> tuple[I64, I64, I64]:
    """Return pairs of labels that touch, a < b, sorted, and how many pixel edges they share."""
    keys = []
    for one, two in ((label[:, 1:], label[:, :-1]), (label[1:], label[:-1])):
        differs = one != two
        first, second = one[differs].astype(np.int64), two[differs].astype(np.int64)
        keys.append(np.minimum(first, second) * (n + 1) + np.maximum(first, second))
    key, count = np.unique(np.concatenate(keys), return_counts=True)
    return key // (n + 1), key % (n + 1), count


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
