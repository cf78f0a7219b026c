"""Where ink is: a small network looks at the page around each place.

It has the shape of Ronneberger, Fischer, Brox, "U-Net: convolutional networks for biomedical
image segmentation", MICCAI 2015, and was fitted on drawn pages (``tests/fitting/ink``): strokes
by many pens, wet and dry, on many papers, beside pencil, stains, folds, dust and the page behind.
It is told how dark the page's own ink is, so that a pale drawing is as much ink as a black one,
and what shows through from behind as little.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, I64, U8, U16, Bool
from inkclean.base.colour import ENCODED, STEPS
from inkclean.base.compiled import compiled
from inkclean.base.memory import hand_back
from inkclean.base.tiles import side_by_side, strips, tiles
from inkclean.ink.seen.sight import sight
from inkclean.sheet.lit import STRIP, averaged

_compiled = compiled("inkclean.ink.seen._cells")

NET = "ink.onnx"
FOLD = 2  # so many px a side are channels of one cell
LEVELS = 32  # the coarsest level is so much coarser than the cells
# Finer pages are brought to about so many px/mm, and to at most so many px: what is ink shows
# there, its edge is found later.
FINEST, USUAL, MOST_PX = 17.0, 11.0, 20_000_000
TILE_PX = 1536
HALO_PX = 64  # what lies further from a tile is not seen
BARE = 0.03  # a tile without darkness above this has no ink
MOST_ODDS = 8.0
LIKELY = -0.25  # log-odds over which ink may be: rounding decides nothing at even odds
DENIED = -6.5  # log-odds under which the network is sure
# Where soft marks lie about, what looks like a dry stroke may be one of them. So far around, in
# mm, and on the whole page they are counted; from this share on the log-odds of a dry stroke fall
# by so much.
WARY_MM, MANY, WARY_ODDS = 40.0, 0.02, 3.0
# The ink's level is this quantile of what is darker than Otsu's threshold.
DENSE = 0.9
# Paler pages than any that was fitted on are shown as dark as the palest, as far as this goes.
PALEST, MOST_DRAWN_OUT = 0.12, 4.0

_DARKNESS: F32 = (1 - ENCODED).astype(np.float32)
_CODES: U8 = np.clip(_DARKNESS * 255, 0, 255).astype(np.uint8)


@dataclass(frozen=True)
class Places:
    """Where ink is: ``odds`` (h, w) float32, log-odds; ``factor``² px of the sheet make one.

    ``wary`` (h / 2, w / 2) float32 is what the log-odds of a dry stroke fall by, since pencil,
    printed squares or the page behind lie about.
    """

    odds: F32
    factor: int
    wary: F32

    @property
    def inked(self) -> Bool:
        """(h, w) bool: where ink is as likely as not."""
        return self.odds > LIKELY

    @property
    def denied(self) -> Bool:
        """(h, w) bool: where the network is sure that there is none."""
        return self.odds < DENIED

    def wary_at(self, part: tuple[slice, slice]) -> F32:
        """Return ``wary`` (h, w) for each pixel of a part of ``odds``."""
        cells = self.wary[_cells_of(part)].repeat(FOLD, axis=0).repeat(FOLD, axis=1)
        rows, columns = part
        down, right = rows.start % FOLD, columns.start % FOLD
        high, wide = rows.stop - rows.start, columns.stop - columns.start
        return cells[down : down + high, right : right + wide]

    @property
    def share(self) -> F32:
        """(h, w) float32: the share of each pixel that is ink, as the network sees it."""
        return np.asarray(1 / (1 + np.exp(-self.odds)), np.float32)


def darkness(reflectance: F32) -> F32:
    """Return 1 − sRGB-encoded ``reflectance`` (linear, any shape): evenly stepped for the eye."""
    return _DARKNESS[_steps(reflectance)]


def _steps(reflectance: F32) -> U16:
    """Return where ``reflectance`` is found in tables of darkness."""
    steps = reflectance * np.float32(STEPS - 1)
    return np.clip(steps, 0, STEPS - 1, out=steps).astype(np.uint16)


def find_places(ink: F32, px_per_mm: float) -> Places:
    """Return where ink is on a sheet of reflectance (H, W), 1.0 = paper."""
    factor = max(1, round(px_per_mm / USUAL)) if px_per_mm > FINEST else 1
    factor = max(factor, int(np.ceil(np.sqrt(ink.size / MOST_PX))))
    light = np.ascontiguousarray(averaged(ink, factor), np.float32)
    level = ink_level(light)
    drawn_out = min(max(1.0, PALEST / max(level, 1e-6)), MOST_DRAWN_OUT)
    high, wide = light.shape
    odds = np.full((high, wide), -MOST_ODDS, np.float32)
    soft = np.zeros((-(-high // FOLD), -(-wide // FOLD)), np.float32)
    net = sight("inkclean.ink.seen", NET)
    for tile in tiles((high, wide), TILE_PX, HALO_PX):
        cells = _cells(light, tile.around, drawn_out, level)
        if cells is not None:
            seen = net(cells)
            del cells
            _lay(seen[:-1, *_cells_of(tile.inner)], odds[tile.own])
            soft[_cells_of(tile.own)] = seen[-1][_cells_of(tile.inner)] > 0
    hand_back()  # what the network left behind
    return Places(odds, factor, _wariness(soft, px_per_mm / factor / FOLD))


def _wariness(soft: F32, per_mm: float) -> F32:
    """Return (h, w): how much less likely dry strokes are, where ``soft`` is 1 and 0 elsewhere.

    Who drew with a pencil in one place may have used it in any.
    """
    size = (2 * round(WARY_MM / 2 * per_mm) + 1,) * 2
    share = np.asarray(cv2.blur(soft, size, borderType=cv2.BORDER_REPLICATE), np.float32)
    np.maximum(share, np.float32(np.count_nonzero(soft) / soft.size), out=share)
    share *= np.float32(WARY_ODDS / MANY)
    return np.minimum(share, np.float32(WARY_ODDS), out=share)


def ink_level(light: F32) -> float:
    """Return how dark the dense ink of a sheet of reflectance (H, W) is.

    Otsu 1979, IEEE Trans. SMC 9(1).
    """
    codes = np.empty(light.shape, np.uint8)

    code = codes_by_numpy if _compiled is None else codes_compiled
    parts = strips(len(codes), STRIP)
    count = np.sum(side_by_side(lambda rows: code(light[rows], codes[rows]), parts), axis=0)
    half, _ = cv2.threshold(codes, 0, 1, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    count[: int(half) + 1] = 0
    if not count.any():
        return 0.0
    return float(np.searchsorted(np.cumsum(count), DENSE * count.sum())) / 255


def codes_by_numpy(light: F32, codes: U8) -> I64:
    """Put the darkness of ``light``, 0 to 255, into ``codes``; return how often each comes."""
    codes[:] = _CODES[_steps(light)]
    return np.bincount(codes.ravel(), minlength=256)


def codes_compiled(light: F32, codes: U8) -> I64:
    """Do what ``codes_by_numpy`` does, by ``_cells.c``: the same."""
    count = np.zeros(256, np.int64)
    _compiled.codes(np.ascontiguousarray(light), _CODES, codes, count)
    return count


def _cells_of(part: tuple[slice, slice]) -> tuple[slice, slice]:
    """Return the cells of a part of the page that starts at a whole one."""
    rows, columns = (slice(p.start // FOLD, -(-p.stop // FOLD)) for p in part)
    return rows, columns


def _cells(light: F32, around: tuple[slice, slice], drawn_out: float, level: float) -> F32 | None:
    """Return (FOLD² + 1, h, w) for a part of a sheet: its darkness, a cell's pixels as channels
    (as ``network.folded``), and the level, both ``drawn_out``; None where there is no ink.

    Zeros fill them up. Nothing else of its size is made on the way.
    """
    side = FOLD * LEVELS
    rows, columns = (-(-(part.stop - part.start) // side) * LEVELS for part in around)
    cells = np.zeros((FOLD**2 + 1, rows, columns), np.float32)
    fill = fill_by_numpy if _compiled is None else fill_compiled

    def some(part: slice) -> float:
        own = slice(around[0].start + part.start, around[0].start + part.stop)
        return fill(light, (own, around[1]), cells, part.start // FOLD, drawn_out)

    if max(side_by_side(some, strips(around[0].stop - around[0].start, STRIP))) <= BARE:
        return None
    cells[-1] = level * drawn_out
    return cells


def fill_by_numpy(
    light: F32, part: tuple[slice, slice], cells: F32, first: int, drawn_out: float
) -> float:
    """Put the darkness of a part of ``light`` (H, W), ``drawn_out``, into ``cells``.

    Returns the most there is before. ``first`` is the first row of cells.
    """
    dark = darkness(light[part])
    most = float(dark.max(initial=0.0))
    dark *= np.float32(drawn_out)
    for place in range(FOLD**2):
        own = dark[place // FOLD :: FOLD, place % FOLD :: FOLD]
        cells[place, first : first + len(own), : own.shape[1]] = own
    return most


def fill_compiled(
    light: F32, part: tuple[slice, slice], cells: F32, first: int, drawn_out: float
) -> float:
    """Do what ``fill_by_numpy`` does, by ``_cells.c``: the same."""
    rows, columns = part
    start, size = rows.start * light.shape[1] + columns.start, columns.stop - columns.start
    high = rows.stop - rows.start
    numbers = [start, light.shape[1], high, size, FOLD, *cells.shape[1:], first]
    told = _compiled.fill(light, _DARKNESS, cells, np.array(numbers, np.int64), drawn_out)
    return float(told)


def _lay(seen: F32, odds: F32) -> None:
    """Lay what the network has ``seen`` (FOLD², h, w) on its pixels of ``odds`` (H, W)."""

    def fill(part: slice) -> None:
        some = np.clip(seen[:, part], -MOST_ODDS, MOST_ODDS)
        for place, plane in enumerate(some):
            own = odds[place // FOLD :: FOLD, place % FOLD :: FOLD][part]
            own[:] = plane[: len(own), : own.shape[1]]

    side_by_side(fill, strips(seen.shape[1], STRIP))


def ready() -> None:
    """Read the network beforehand, while something else is done."""
    sight("inkclean.ink.seen", NET)
