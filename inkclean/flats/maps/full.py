"""The label map of areas at the ink's own resolution."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I32, I64, U16, Bool
from inkclean.base.tiles import side_by_side, strips
from inkclean.flats.nearest import grown
from inkclean.flats.rasters import beside_others, dilated, square
from inkclean.flats.walls.cells import Box, whole
from inkclean.flats.walls.rooms import on_pixels

FIRM_PX = 3  # pixels with only such around, in a square this wide, are sure of their label
MIXED = 0.002  # a patch of paper with a larger share of other labels is not one area's
BAND_ROWS = 64  # rows of the full map that are worked on at once
SAMPLED = 13  # every so many pixels of a row decide to which area a patch belongs,
SHIFTED = 5  # further by so many from row to row


@dataclass(frozen=True)
class Full:
    """The label map at the ink's own resolution, ``labels`` (H, W).

    ``seeded`` (H, W) tells where paper has its label, wherever else only what is near has;
    ``label`` (h, w) is that of the working raster, ``firm`` where it is sure of it. ``bridges``
    (B, 4, 2) are in mm, ``sizes`` (N + 1,) px of paper of each area. No pixel is further than
    ``reach`` px from one with a seed; it is 0 as long as nobody asked.
    """

    labels: U16
    seeded: Bool
    label: I32
    firm: Bool
    bridges: F64
    sizes: I64
    reach: int = 0


def at_full_resolution(
    coverage: F32, label: I32, sure: Bool, bridges: F64, px_per_mm: float, scale: float
) -> Full:
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
    rows, columns, _ = on_pixels(shape, bridges * px_per_mm, np.arange(len(bridges)))
    paper[rows, columns] = False
    firm = firmly(label, sure)
    row, column = under(shape, label.shape, px_per_mm / scale)
    _, patch = cv2.connectedComponents(paper.view(np.uint8), connectivity=4)
    sure_of = np.where(firm, label, np.int32(0))
    seeds = seeds_of(np.asarray(patch, np.int32), sure_of, paper, row, column, whole(shape))
    del paper, patch
    labels = grown(seeds)
    sizes = bare_px(coverage, labels, int(label.max(initial=0)))
    return Full(labels, seeds > 0, label, firm, bridges, sizes)


def under(shape: tuple[int, ...], small: tuple[int, ...], factor: float) -> tuple[I64, I64]:
    """Return which row and column of the working raster lies under each of the full one."""
    row, column = (
        np.minimum(((np.arange(full) + 0.5) / factor).astype(int), less - 1)
        for full, less in zip(shape, small, strict=True)
    )
    return row, column


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
    corner: tuple[int, int]

    @classmethod
    def of(
        cls, label: I32, paper: Bool, row: I64, column: I64, corner: tuple[int, int] = (0, 0)
    ) -> _Sight:
        """See the labels, 0 where they are unsure; ``row`` and ``column`` lie under the paper's.

        ``corner`` is where the paper's first pixel lies on the page.
        """
        wide = label.astype(np.uint16)[:, column]
        found = cls(wide, row, np.empty(paper.shape, bool), corner)

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


def seeds_of(patch: I32, firm: I32, paper: Bool, row: I64, column: I64, box: Box) -> U16:
    """Return the label of each pixel of paper in a box of the page, 0 where it is not known.

    ``patch`` (H, W): the patches of ``paper`` there; ``row`` and ``column``: where ``firm`` lies
    under them.
    """
    rows = slice(int(row[0]), int(row[-1]) + 1)
    corner = box[0].start, box[1].start
    sight = _Sight.of(firm[rows], paper, row - row[0], column, corner)
    return _seeds(patch, sight, int(patch.max(initial=0)) + 1)


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

    def sample(number: int) -> tuple[I32, U16, I64]:
        band = bands[number]
        here = sight.known[band]
        patches, labels = patch[band][here], sight.full(band)[here]
        last = np.zeros(int(patches.max(initial=0)) + 1, np.uint16)
        last[patches] = labels
        held = np.flatnonzero(last).astype(np.int32)
        # a lattice that stays where it is, whatever part of the page is looked at
        row = np.arange(band.start, band.stop)[:, None]
        column = -(SHIFTED * (row + sight.corner[0]) + sight.corner[1]) % SAMPLED
        column = column + np.arange(0, patch.shape[1], SAMPLED)
        inside = column < patch.shape[1]
        row, column = np.broadcast_to(row, column.shape)[inside], column[inside]
        met = sight.known[row, column]
        row, column = row[met], column[met]
        some = sight.wide[sight.row[row], column].astype(np.int64)
        return held, last[held], patch[row, column].astype(np.int64) << 16 | some

    held, last, keys = zip(*side_by_side(sample, range(len(bands))), strict=True)
    table = np.zeros(count, np.uint16)
    # one of them: enough for the smallest patches
    table[np.concatenate(held)] = np.concatenate(last)
    key, times = np.unique(np.concatenate(keys), return_counts=True)
    order = np.argsort(times, kind="stable")
    table[key[order] >> 16] = key[order] & 0xFFFF  # the most frequent last
    table[0] = 0
    return table


def firmly(label: I32, sure: Bool) -> Bool:
    """Return the paper of the working raster that is well inside its area."""
    return np.asarray(sure & (dilated(beside_others(label), square(FIRM_PX)) == 0))


def bare_px(coverage: F32, label: U16, count: int) -> I64:
    """Return how many px of paper each area 0..count has at full resolution."""

    def sizes(band: slice) -> I64:
        return np.bincount(label[band][coverage[band] < 0.5], minlength=count + 1)

    parts = side_by_side(sizes, strips(len(label), BAND_ROWS))
    return np.asarray(np.sum(parts, axis=0, dtype=np.int64))
