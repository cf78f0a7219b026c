"""Specks: dust and grain removed, pinholes in blacks closed, drawn dots kept.

Ink's light is lost in the blur but not its amount: the absorbed light summed over a small mark,
by the page's full ink, is the area that it covers, whatever the focus. A pen's dot holds at
least the pen's area; dust is pale, so its amount is small even where it is wide.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I64, Bool
from inkclean.base.tiles import TILE, Tile, both, side_by_side, tiles
from inkclean.ink.checks import together
from inkclean.ink.levels import disc
from inkclean.ink.pieces import WINDOW_PX, Pieces, grown, small_pieces
from inkclean.ink.values import Doubt, Grey

# Marks up to this many times the speck's size are looked at: larger ones are drawn.
WATCHED = 2.5
# Darkness at the top, as a share of full ink; dust seen in photos reaches 0.58.
FIRM = 0.62  # a mark of speck size so firm may be a dot in company
PALE = 0.62  # one up to ``WIDE`` specks and no darker is dust or lint if it lies alone
FAINT = 0.45  # a larger one no darker is too
WIDE = 1.5
LIKE_DOTS = 4  # firm dots of like size in 3 by 3 cells that keep company: stipple, dotted rows
CELL_MM = 1.2  # side of a cell
BESIDE_MM = 0.3  # from a stroke, whose company is a dry brush's grain or a pen's spatter
SCRAPS = 3  # marks of any size in 3 by 3 cells that are scraps of a dry line
SCRAP_CELL_MM = 0.55  # side of a cell
SCRAP_DARK = 0.5  # least darkness of a scrap
# Beside a stroke a scrap of it must be darker than this; it need not be firm.
SCRAP = 0.35
SCRAP_ON_PENCIL = 0.48  # and than this where pencil was taken away, of which some grain is left
CRUMB_MM = 0.3  # but a shorter one that no row of scraps goes on with must be firm
SOLID = 0.86  # share around a hole that is ink if it is a pinhole
SOLID_MM = 0.8  # around it
CLEAR_PAPER = 0.55  # least reflectance of paper that shows through a black
# Coverage of px that are all ink; on pale pages noise keeps it lower. So many tell how dark it is.
DEEP, ENOUGH = (1.0, 0.9, 0.8), 20
LEAST_INK = 0.1  # share of light that the palest ink absorbs
PINHOLE = 0.5  # specks that a hole is wide to be a pinhole however bright
HOLE = 2.0  # specks of the widest hole looked at
PAPER_MOST = 0.3  # coverage of paper that no edge runs beside: interpolation swings by 0.1
INK_LEAST = 0.7  # coverage of such ink
DOUBT_MM = 12.0  # side of the squares that doubts are gathered in
MOST_DOUBTS = 24  # that are told
LEAST_CHANCE = 0.15  # that a mark in doubt was judged wrongly
MORE_CHANCE = 0.5  # and as much more at most


@dataclass(frozen=True)
class _Marks:
    """Small marks: centre px (N, 2), amount as diameter mm, length mm, darkness 0..1, company."""

    centre: F64
    size_mm: F64
    long_mm: F64
    dark: F64
    beside: Bool
    among: Bool
    broken: Bool


def clean_specks(
    coverage: F32,
    grey: Grey,
    *,
    speck_mm: float = 0.2,
    unsure: Bool | None = None,
    in_place: bool = False,
) -> tuple[F32, F32, tuple[Doubt, ...]]:
    """Remove specks from the ink and close pinholes in its blacks.

    Args:
        coverage: (H, W) share of ink; left as it is, unless ``in_place``.
        grey: the sheet it was cut from.
        speck_mm: marks that hold less ink than a dot of this diameter are specks, unless they
            are firm and in company; 0 takes nothing away.
        unsure: (H, W) bool, where faint marks are not to be trusted (edges of shadows), or None.
        in_place: spare the memory of a copy.

    Returns:
        The cleaned coverage, what was removed as (N, 3) float32 (x, y, diameter in mm), and the
        places where the judgement was close.
    """
    cleaned = coverage if in_place else coverage.copy()
    none = np.zeros((0, 3), np.float32)
    if speck_mm <= 0:
        return cleaned, none, ()
    widest = WATCHED * speck_mm * grey.px_per_mm
    full, (shapes, holes) = both(
        lambda: _full_ink(coverage, grey.ink),
        lambda: small_pieces(
            coverage > np.float32(0.5), 1.6 * widest + 1, HOLE * speck_mm * grey.px_per_mm
        ),
    )
    shapes = shapes.only(shapes.area < np.pi / 4 * widest**2)
    marks = _small_marks(shapes, grey, full)
    small = marks.size_mm < speck_mm
    scrap = np.where(_on_pencil(marks.centre, grey), SCRAP_ON_PENCIL, SCRAP)
    scrap[marks.long_mm < CRUMB_MM] = FIRM
    company = marks.among & (marks.dark >= FIRM) | marks.beside & (marks.dark >= scrap)
    company |= marks.broken
    lint = marks.dark < np.where(marks.size_mm < WIDE * speck_mm, PALE, FAINT)
    lint &= ~marks.beside & ~marks.broken
    if unsure is not None:
        at = _indices(marks.centre, coverage.shape)
        lint |= unsure[at] & (marks.dark < FIRM)
    gone = small & ~company | lint
    _erase(cleaned, shapes, gone)
    del shapes
    _close_pinholes(cleaned, holes, grey, full, speck_mm)
    _settle(cleaned)
    scale = grey.px_per_mm
    removed = np.concatenate([marks.centre / scale, marks.size_mm[:, None]], axis=1)[gone]
    lost = gone & (marks.dark >= FIRM)
    kept = ~gone & (marks.dark < FIRM) & ~marks.beside
    why = "a dark dot removed as dust", "a faint mark kept as ink"
    doubts = [*gather(marks, lost, why[0], scale, True), *gather(marks, kept, why[1], scale, False)]
    doubts.sort(key=lambda doubt: -doubt.chance)
    return cleaned, removed.astype(np.float32), tuple(doubts[:MOST_DOUBTS])


def _settle(coverage: F32) -> None:
    """Hold what is all paper or all ink off the half level, in place.

    Remains of dust and pencil lie just under half, and a cubic interpolation to a finer grid
    swings over it: each would leave a scrap of ink where none was found. The half level of the
    bilinear interpolation passes only between pixels next to both kinds, which stay.
    """
    around = np.ones((3, 3), np.uint8)
    high, wide = coverage.shape

    def settle(tile: Tile) -> None:
        # what strips beside this one hold off half keeps its side of it
        ink = (coverage[tile.around] >= 0.5).view(np.uint8)
        own = coverage[tile.own]
        paper = cv2.dilate(ink, around)[tile.inner] == 0
        np.copyto(own, np.float32(PAPER_MOST), where=paper & (own > PAPER_MOST))
        solid = cv2.erode(ink, around)[tile.inner] != 0
        np.copyto(own, np.float32(INK_LEAST), where=solid & (own < INK_LEAST))

    side_by_side(settle, tiles((high, wide), TILE, 1))


def gather(marks: _Marks, chosen: Bool, why: str, scale: float, removed: bool) -> tuple[Doubt, ...]:
    """Return the doubts about some marks: those in one square are one place."""
    if not chosen.any():
        return ()
    at = marks.centre[chosen] / scale
    size, dark = marks.size_mm[chosen], marks.dark[chosen]
    # the darker a mark that went, or the paler one that stayed, the likelier a mistake
    wrong = np.clip((dark - FIRM) / (1 - FIRM) if removed else (FIRM - dark) / FIRM, 0, 1)
    cells = np.floor(at / DOUBT_MM).astype(np.int64)
    _, which, count = np.unique(cells, axis=0, return_inverse=True, return_counts=True)
    which = which.ravel()
    sums = [np.bincount(which, part, len(count)) for part in (*at.T, wrong)]
    across, down, chance = (part / count for part in sums)
    middle = np.stack([across, down], axis=1)
    spread = np.zeros(len(count))
    np.maximum.at(spread, which, 2 * np.hypot(*(at - middle[which]).T) + size)
    rows = np.column_stack([at, size])[np.argsort(which, kind="stable")]
    parts = np.split(rows, np.cumsum(count)[:-1])
    return tuple(
        Doubt(
            x_mm=float(place[0]),
            y_mm=float(place[1]),
            size_mm=float(wide),
            why=why if number == 1 else f"{why} ({number} of them)",
            removed=removed,
            chance=together(LEAST_CHANCE + MORE_CHANCE * float(share), int(number)),
            marks=tuple((x, y, size) for x, y, size in part.tolist()),
        )
        for place, wide, number, share, part in zip(
            middle, spread, count, chance, parts, strict=True
        )
    )


def _full_ink(coverage: F32, ink: F32) -> float:
    """Return the share of light that the page's full ink absorbs."""
    thin, some = ink[::4, ::4], coverage[::4, ::4]
    for least in DEEP:
        deep = thin[some >= least]
        if deep.size > ENOUGH:
            return float(np.clip(1 - np.percentile(deep, 30), LEAST_INK, 1.0))
    return 0.9


def _small_marks(shapes: Pieces, grey: Grey, full: float) -> _Marks:
    scale, centre = grey.px_per_mm, shapes.centre
    amount, dark = _amounts(shapes, grey.ink)
    size = 2 * np.sqrt(np.maximum(amount, 0) / full / np.pi) / scale
    long = shapes.box[:, 2:].max(axis=1, initial=0) / scale
    dark = dark / full
    near = _beside_strokes(shapes, BESIDE_MM * scale)
    among = _among_dots(centre / scale, size, dark >= FIRM)
    scrap = dark >= SCRAP_DARK
    crowd = _crowd(centre / scale, scrap, SCRAP_CELL_MM, scrap, _scraps_in(size, scrap))
    broken = scrap & (crowd >= SCRAPS)
    return _Marks(centre, size, long, dark, near, among, broken)


def _scraps_in(size_mm: F64, scrap: Bool) -> F64:
    """Return (N,): as how many scraps of a usual size each mark counts; two may touch."""
    usual = np.median(size_mm[scrap]) if scrap.any() else 1.0
    return np.clip(np.round((size_mm / max(usual, 1e-6)) ** 2), 1, 2)


def _amounts(shapes: Pieces, ink: F32) -> tuple[F64, F64]:
    """Return absorbed light (px of full black) and its peak, of each mark with its blurred rim."""
    amount, peak = np.zeros(len(shapes.name)), np.zeros(len(shapes.name))
    for which, rows, columns, whose in shapes.windows(2):
        absorbed = 1 - ink[rows, columns]
        other = shapes.kind[rows, columns] & ~whose
        counted = grown(grown(whose)) & ~other
        amount[which] = np.where(counted, absorbed, 0).sum(axis=(1, 2))
        peak[which] = np.where(whose, absorbed, 0).max(axis=(1, 2))
    return amount, peak


def _beside_strokes(shapes: Pieces, reach_px: float) -> Bool:
    """Return (N,): whether ink that is no small mark lies within ``reach_px`` of a centre."""
    centre, shape = shapes.centre, shapes.kind.shape
    small = np.zeros(shapes.named + 1, np.bool_)
    small[shapes.name] = True
    around = disc(reach_px) > 0
    steps = np.arange(len(around)) - len(around) // 2
    rows, columns = _indices(centre, shape)
    found = np.zeros(len(centre), np.bool_)
    most = max(1, WINDOW_PX // around.size)
    for start in range(0, len(centre), most):
        part = slice(start, start + most)
        row = np.clip(rows[part, None] + steps, 0, shape[0] - 1)[..., None]
        column = np.clip(columns[part, None] + steps, 0, shape[1] - 1)[:, None]
        stroke = shapes.kind[row, column] & ~small[shapes.number[row, column]]
        found[part] = (stroke & around).any(axis=(1, 2))
    return found


def _on_pencil(centre: F64, grey: Grey) -> Bool:
    """Return (N,): whether pencil was taken away within a px of its map."""
    if grey.pencilled is None:
        return np.zeros(len(centre), np.bool_)
    near = cv2.dilate(grey.pencilled.view(np.uint8), np.ones((3, 3), np.uint8))
    unit = np.array(near.shape[::-1]) / np.array(grey.ink.shape[1::-1])
    return np.asarray(near[_indices(centre * unit, near.shape)] != 0, np.bool_)


def _among_dots(at_mm: F64, size_mm: F64, firm: Bool) -> Bool:
    """Return (N,): marks with enough firm ones of like size near."""
    octave = np.round(np.log2(np.maximum(size_mm, 1e-3)) * 2).astype(np.int64)
    among = np.zeros(len(at_mm), np.bool_)
    for step in np.unique(octave):
        like = firm & (np.abs(octave - step) <= 1)
        here = octave == step
        among[here] = _crowd(at_mm, like, CELL_MM, here)[here] >= LIKE_DOTS
    return among


def _crowd(at_mm: F64, counted: Bool, cell_mm: float, asked: Bool, worth: F64 | None = None) -> F32:
    """Return (N,): how many of the ``counted`` marks lie in 3 by 3 cells around those asked for.

    ``worth`` (N,) is as how many each counts.
    """
    result = np.zeros(len(at_mm), np.float32)
    if not len(at_mm) or not counted.any():
        return result
    cells = np.floor(at_mm / cell_mm).astype(np.int64)
    shape = (int(cells[:, 1].max()) + 1, int(cells[:, 0].max()) + 1)
    index = cells[:, 1] * shape[1] + cells[:, 0]
    each = None if worth is None else worth[counted]
    count = np.bincount(index[counted], each, shape[0] * shape[1]).reshape(shape)
    near = cv2.boxFilter(
        count.astype(np.float32), -1, (3, 3), normalize=False, borderType=cv2.BORDER_CONSTANT
    )
    result[asked] = np.asarray(near).ravel()[index[asked]]
    return result


def _indices(centre: F64, shape: tuple[int, ...]) -> tuple[I64, I64]:
    rows = np.clip(centre[:, 1].astype(np.int64), 0, shape[0] - 1)
    return rows, np.clip(centre[:, 0].astype(np.int64), 0, shape[1] - 1)


def _erase(coverage: F32, shapes: Pieces, gone: Bool) -> None:
    """Set the coverage of the marks ``gone`` to nothing; their rims lie under half already."""
    for _, rows, columns, whose in shapes.only(gone).windows(1):
        # the rim goes too, else the interpolation could pass half again
        _fill(coverage, rows, columns, whose | (grown(whose) & ~shapes.kind[rows, columns]), 0.0)


def _fill(coverage: F32, rows: I64, columns: I64, spots: Bool, value: float) -> None:
    window, row, column = np.nonzero(spots)
    coverage[rows[window, row, 0], columns[window, 0, column]] = value


def _close_pinholes(
    coverage: F32, shapes: Pieces, grey: Grey, full: float, speck_mm: float
) -> None:
    """Fill small holes in solid ink in place; spots where paper clearly shows stay open."""
    scale = grey.px_per_mm
    if not len(shapes.name):
        return
    size = 2 * max(1, round(SOLID_MM * scale / 2)) + 1
    paper = shapes.kind.view(np.uint8) * np.uint8(255)
    around = np.asarray(cv2.blur(paper, (size, size)))
    shapes = shapes.only(around[_indices(shapes.centre, paper.shape)] <= 255.0 * (1 - SOLID))
    light = np.zeros(len(shapes.name))
    for which, rows, columns, whose in shapes.windows(1):
        light[which] = np.where(whose, grey.ink[rows, columns], 0).max(axis=(1, 2))
    clear = (light - (1 - full)) / full >= CLEAR_PAPER
    across = 2 * np.sqrt(shapes.area / np.pi) / scale
    shut = (across < PINHOLE * speck_mm) | ~clear
    for _, rows, columns, whose in shapes.only(shut).windows(1):
        _fill(coverage, rows, columns, grown(whose), 1.0)
