"""The label map of areas at the ink's own resolution."""

from __future__ import annotations

from dataclasses import dataclass, field
from threading import Lock

import numpy as np

from inkclean.base.arrays import F32, F64, I32, I64, U16, Bool
from inkclean.base.compiled import compiled
from inkclean.base.pieces import pieces_of
from inkclean.base.tiles import side_by_side, strips
from inkclean.flats.maps.patches import MIXED, SAMPLED, SHIFTED, PatchLabels
from inkclean.flats.nearest import grown
from inkclean.flats.rasters import beside_others, dilated, square
from inkclean.flats.tiled.windows import Box, whole
from inkclean.flats.walls.rooms import on_pixels

_compiled = compiled("inkclean.flats.maps._seeds")

FIRM_PX = 3  # pixels with only such around, in a square this wide, are sure of their label
BAND_ROWS = 64  # rows of the full map that are worked on at once


@dataclass(frozen=True)
class Full:
    """The label map at the ink's own resolution, ``labels`` (H, W).

    ``seeded`` (H, W) tells where paper has its label, wherever else only what is near has;
    ``label`` (h, w) is that of the working raster, ``firm`` where it is sure of it. ``bridges``
    (B, 4, 2) are in mm, ``sizes`` (N + 1,) px of paper of each area. No pixel is further than
    ``reach`` px from one with a seed; it is 0 as long as nobody asked, and so is ``patches``
    None: what decided the labels.
    """

    labels: U16
    seeded: Bool
    label: I32
    firm: Bool
    bridges: F64
    sizes: I64
    reach: int = 0
    patches: PatchLabels | None = field(default=None, repr=False)


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
    patch, _ = pieces_of(paper, 4)
    sure_of = np.where(firm, label, np.int32(0))
    seeds = seeds_of(patch, sure_of, row, column, whole(shape))
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
class Sight:
    """What the working raster knows of paper at full resolution.

    Its labels, nearest pixel centre, aligned at the outer corner: ``wide`` (h, W) enlarged
    along rows only, 0 where they are not known, and ``row`` (H,) which of these each row is.
    ``corner`` is where the paper's first pixel lies on the page.
    """

    wide: U16
    row: I64
    corner: tuple[int, int]

    @property
    def bands(self) -> list[slice]:
        """Rows that are worked on at once: few enough for the cache."""
        return strips(len(self.row), BAND_ROWS)

    def full(self, band: slice) -> U16:
        """Return the labels at full resolution of some rows."""
        return self.wide[self.row[band]]


def seeds_of(patch: I32, firm: I32, row: I64, column: I64, box: Box) -> U16:
    """Return the label of each pixel of paper in a box of the page, 0 where it is not known.

    ``patch`` (H, W): the patches of paper there; ``row`` and ``column``: where ``firm`` lies
    under them.
    """
    rows = slice(int(row[0]), int(row[-1]) + 1)
    wide = firm[rows].astype(np.uint16).take(column, axis=1)
    sight = Sight(wide, row - row[0], (box[0].start, box[1].start))
    return _seeds(patch, sight, int(patch.max(initial=0)) + 1)


def _seeds(patch: I32, sight: Sight, count: int) -> U16:
    """Return the label of each pixel of paper: its patch's, or in a mixed patch its own."""
    table = _most(patch, sight, count)
    if _compiled is None:
        return seeds_by_numpy(patch, sight, table)
    seeds = np.empty(patch.shape, np.uint16)
    given = np.ascontiguousarray(patch), sight.wide, np.ascontiguousarray(sight.row, np.int64)
    _compiled.seed(*given, table, seeds, MIXED)
    return seeds


def seeds_by_numpy(patch: I32, sight: Sight, table: U16) -> U16:
    """Return what ``_seeds`` does; ``table`` (N,) has the label of each patch, 0 for none yet."""
    seeds, table, count = np.empty(patch.shape, np.uint16), table.copy(), len(table)
    wrong, guard = np.zeros(count, np.int64), Lock()

    def lay_out(band: slice) -> tuple[I32, U16]:
        """Lay out the labels of patches; return the pixels of those that have none yet.

        Of others count how many known pixels of each have another.
        """
        found, own = sight.full(band), patch[band]
        np.take(table, own, out=seeds[band], mode="clip")
        differs = (found != seeds[band]) & (found > 0) & (own > 0)
        of, other = own[differs], found[differs]
        missed = table[of] == 0
        part = np.bincount(of[~missed])
        with guard:
            wrong[: len(part)] += part
        return of[missed], other[missed]

    small = side_by_side(lay_out, sight.bands)
    of, own = (np.concatenate(part) for part in zip(*small, strict=True))
    if len(of):
        # the lattice met none of the smallest patches: the last pixel of each decides
        table[of] = own
        wrong += np.bincount(of[table[of] != own], minlength=count)
        rest = np.zeros(count, np.uint16)
        rest[of] = table[of]

        def fill(band: slice) -> None:
            here = np.nonzero((seeds[band] == 0) & (patch[band] > 0))
            seeds[band][here] = rest[patch[band][here]]

        side_by_side(fill, sight.bands)
    if wrong.any():
        _keep_own(seeds, patch, sight, wrong)
    return seeds


def _keep_own(seeds: U16, patch: I32, sight: Sight, wrong: I64) -> None:
    """Give pixels of mixed patches their own label, in place; ``wrong`` (N,) have another."""
    size = np.zeros(len(wrong), np.int64)
    for band in sight.bands:
        size += np.bincount(patch[band].ravel(), minlength=len(wrong))
    mixed = wrong > MIXED * size

    def keep_own(band: slice) -> None:
        here = mixed[patch[band]]
        if here.any():
            np.copyto(seeds[band], sight.full(band), where=here)

    if mixed.any():
        side_by_side(keep_own, sight.bands)


def _most(patch: I32, sight: Sight, count: int) -> U16:
    """Return for each patch the label most of its known pixels on a lattice have, 0 for none."""

    def sample(band: slice) -> tuple[I64, I64]:
        # a lattice that stays where it is, whatever part of the page is looked at
        row = np.arange(band.start, band.stop)[:, None]
        column = -(SHIFTED * (row + sight.corner[0]) + sight.corner[1]) % SAMPLED
        column = column + np.arange(0, patch.shape[1], SAMPLED)
        inside = column < patch.shape[1]
        row, column = np.broadcast_to(row, column.shape)[inside], column[inside]
        some = sight.wide[sight.row[row], column].astype(np.int64)
        own = patch[row, column].astype(np.int64)
        met = (some > 0) & (own > 0)
        key = own[met] << 16 | some[met]
        # neighbours are mostly alike
        starts = np.flatnonzero(np.diff(key, prepend=-1))
        return key[starts], np.diff(starts, append=len(key))

    keys, times = (
        np.concatenate(part) for part in zip(*side_by_side(sample, sight.bands), strict=True)
    )
    key, at = np.unique(keys, return_inverse=True)
    total = np.bincount(at.ravel(), times, len(key))
    order = np.argsort(total, kind="stable")
    table = np.zeros(count, np.uint16)
    table[key[order] >> 16] = key[order] & 0xFFFF  # the most frequent last
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
