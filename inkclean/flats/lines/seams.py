"""Where two areas meet, drawn or not, and which places lie in one area.

A network looks at the ink around: outlines are seams and hatching is none, and where an outline
breaks off the seam goes on across the gap. It also tells for every place whether the places
1.5, 4 and 10 mm away belong to the same area. Its shape is that of Ronneberger, Fischer, Brox,
"U-Net: convolutional networks for biomedical image segmentation", MICCAI 2015; affinities at
several distances after Lee, Zung, Li, Jain, Seung, arXiv 1706.00120, 2017. It was fitted on
drawings by many hands, inked anew (``tests/fitting/areas``).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, I64
from inkclean.base.memory import hand_back
from inkclean.base.network import folded, unfolded
from inkclean.base.pyramid import sight
from inkclean.base.tiles import tiles

NET = "areas.onnx.gz"
PX_PER_MM = 8.0  # of the ink it was fitted on
FOLD = 4  # so many px a side are channels of one cell
FINE = 2  # and so many places a side the odds of a cell are told for
UNIT = 32  # the coarsest level is so much coarser than the cells
REACH = (3, 8, 20)  # cells between two places whose belonging together is told
STEPS = tuple(
    step
    for r in REACH
    for d in (round(r / 2**0.5),)
    for step in ((0, r), (r, 0), (d, d), (d, -d))  # rows and columns
)
TILE_PX = 2560  # a page of A4 is seen whole
HALO_PX = 384  # what lies further from a tile is not seen
MOST_ODDS = 8.0
BARE = 0.02  # a tile without coverage above this has no ink
ALIKE = 4.0  # log-odds that two places on bare paper are in one area


@dataclass(frozen=True)
class Seen:
    """What the network tells of a page.

    ``seam`` (H, W): log-odds that a seam between two areas runs at each pixel; paper far from
    ink gets the least. ``together`` (len(STEPS), h, w): log-odds that the place and the one a
    step of ``STEPS`` away, in cells, lie in one area. ``cell`` is how many px of the page a
    cell measures; the first one begins ``top`` and ``left`` px outside of it.
    """

    seam: F32
    together: F32
    cell: float
    top: float
    left: float

    def rows(self) -> I64:
        """Return the row of px in the middle of each row of cells; it may lie outside."""
        return self._middles(self.together.shape[1], self.top)

    def columns(self) -> I64:
        """Return the column of px in the middle of each column of cells."""
        return self._middles(self.together.shape[2], self.left)

    def _middles(self, many: int, before: float) -> I64:
        return np.asarray(np.floor((np.arange(many) + 0.5) * self.cell - before), np.int64)


def see(coverage: F32, px_per_mm: float) -> Seen:
    """Return what the network tells; ``coverage`` (H, W) is the share of ink, 0 to 1."""
    height, width = coverage.shape
    factor = PX_PER_MM / px_per_mm
    sheet = coverage
    if abs(factor - 1) >= 1e-3:
        size = max(1, round(width * factor)), max(1, round(height * factor))
        shape = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
        sheet = np.asarray(cv2.resize(coverage, size, interpolation=shape), np.float32)
    else:
        factor = 1.0
    # the drawing in the middle of whole cells: turned or mirrored it is seen alike
    side = FOLD * UNIT
    down, right = (-n % side for n in sheet.shape)
    top, left = down // 2, right // 2
    odds, together = _odds(np.pad(sheet, ((top, down - top), (left, right - left))))
    seam = odds[top : top + sheet.shape[0], left : left + sheet.shape[1]]
    if factor != 1:
        seam = np.asarray(cv2.resize(seam, (width, height), interpolation=cv2.INTER_LINEAR))
    return Seen(
        np.ascontiguousarray(seam, np.float32),
        together,
        FOLD / factor,
        top / factor,
        left / factor,
    )


def seam_odds(coverage: F32, px_per_mm: float) -> F32:
    """Return the log-odds (H, W) that a seam between two areas runs at each pixel."""
    return see(coverage, px_per_mm).seam


def _odds(coverage: F32) -> tuple[F32, F32]:
    """Return the odds of seams (H, W) and of belonging together (len(STEPS), H / 4, W / 4)."""
    net = sight("inkclean.flats.lines", NET)
    height, width = coverage.shape
    seam = np.full(coverage.shape, -MOST_ODDS, np.float32)
    rows, columns = -(-height // FOLD), -(-width // FOLD)
    together = np.full((len(STEPS), rows, columns), ALIKE, np.float32)
    for tile in tiles(coverage.shape, TILE_PX, HALO_PX):
        if coverage[tile.own].max(initial=0.0) <= BARE:
            continue
        told = net(folded(coverage[tile.around], FOLD, UNIT))
        odds = np.clip(unfolded(told[: FINE**2]), -MOST_ODDS, MOST_ODDS)
        coarser = FOLD // FINE
        wide, high = odds.shape[1] * coarser, odds.shape[0] * coarser
        fine = cv2.resize(odds, (wide, high), interpolation=cv2.INTER_LINEAR)
        seam[tile.own] = fine[tile.inner]
        own, inner = (_in_cells(part) for part in (tile.own, tile.inner))
        together[(slice(None), *own)] = told[(slice(FINE**2, None), *inner)]
    hand_back()  # what the network left behind
    return seam, np.clip(together, -MOST_ODDS, MOST_ODDS)


def _in_cells(part: tuple[slice, slice]) -> tuple[slice, slice]:
    """Return rows and columns in cells; tiles begin at whole ones."""
    rows, columns = (slice(p.start // FOLD, -(-p.stop // FOLD)) for p in part)
    return rows, columns
