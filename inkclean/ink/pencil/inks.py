"""Which inks a page is drawn in: the colours of its strokes, where they fall into groups.

A pen's strokes differ by pressure and by how dry it ran, but they have all shades between; two
inks have hardly any. So the mean colours of strokes, square by square, are cut in two where
they differ most (k-means with two means, begun by Otsu's cut, IEEE Trans. SMC 9(1), 1979), and
are two inks if there is a valley between.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np

from inkclean.base.arrays import F32, F64, I64, Bool
from inkclean.base.colour import as_hex, to_lab, to_srgb
from inkclean.base.tiles import TILE, Tile, side_by_side, tiles
from inkclean.ink.depth import told_ridges
from inkclean.ink.pencil.pigments import Pigment
from inkclean.ink.values import Grey, InkColour
from inkclean.sheet.lit import at
from inkclean.sheet.values import Sheet

SQUARE_MM = 2.0  # side of the squares that a stroke's colour is told in
ENOUGH = 6  # px on the middle of strokes in a square
SAMPLES = 150_000  # of the page's, at most
SURE = 0.8  # of full ink that the blur left at a stroke's middle
SQUARES, SHARE = 10, 0.03  # of an ink, and of all strokes, at least
APART = 10.0  # CIELAB units between two inks
VALLEY = 0.25  # strokes of shades between two inks, as a share of the scarcer one's
SAME_HUE, FAINTER = 25.0, 8.0  # degrees and L*: thin lines of one ink, whose tint JPEG dilutes
MIXED = 8.0  # CIELAB units from the straight way between two inks
GREY, BLACK = 9.0, 40.0  # chroma under which it is grey, L* under which that is black
BROWN = 62.0  # L* under which orange is called brown
MOST = 4  # inks told


def tell_inks(inked: Bool, grey: Grey, sheet: Sheet, blur_px: float) -> tuple[InkColour, ...]:
    """Return the inks of a page, the one with most strokes first; none if there is but one.

    Args:
        inked: (H, W) where ink was cut.
        grey: the sheet with ink alone on it.
        sheet: the sheet, for its colours.
        blur_px: standard deviation of the blur at edges, in px.
    """
    light, weight = _squares(inked, grey, sheet, blur_px)
    if not len(light):
        return ()
    lab = to_lab(light.astype(np.float64))
    groups = _pure(_groups(lab, weight), lab, weight)
    if len(groups) < 2:
        return ()
    total = sum(float(weight[rows].sum()) for rows in groups)
    inks: list[InkColour] = []
    for rows in groups:
        part = weight[rows] / weight[rows].sum()
        share = float(weight[rows].sum()) / total
        inks.append(_ink(part @ lab[rows], part @ light[rows], share))
    return tuple(sorted(inks, key=lambda ink: -ink.share))


def _squares(inked: Bool, grey: Grey, sheet: Sheet, blur_px: float) -> tuple[F32, F64]:
    """Return the mean colour of strokes (N, 3), linear, square by square, and their length (N,)."""
    rows, columns, share = _middles(inked, grey.ink, blur_px)
    step = max(1, -(-len(rows) // SAMPLES))
    rows, columns, share = rows[::step], columns[::step], share[::step]
    light = 1 - (1 - at(sheet.tone, rows, columns)) / share[:, None]
    size = SQUARE_MM * sheet.px_per_mm
    across = int(inked.shape[1] / size) + 1
    square = (rows / size).astype(np.int64) * across + (columns / size).astype(np.int64)
    _, which, count = np.unique(square, return_inverse=True, return_counts=True)
    sums = [np.bincount(which.ravel(), light[:, k], len(count)) for k in range(3)]
    told = count >= ENOUGH
    mean = np.stack(sums, axis=1)[told] / count[told, None]
    return mean.clip(0, 1).astype(np.float32), count[told].astype(np.float64)


def _middles(inked: Bool, grey: F32, blur_px: float) -> tuple[I64, I64, F32]:
    """Return the px on the middles of strokes, and how much of full ink the blur left there."""
    nothing = np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0, np.float32)

    def find(tile: Tile) -> tuple[I64, I64, F32]:
        near = inked[tile.own]
        if not near.any():
            return nothing
        place, share = told_ridges(grey[tile.around], tile.inner, blur_px, near)
        sure = share >= SURE
        row, column = np.divmod(place[sure], tile.own[1].stop - tile.own[1].start)
        return row + tile.own[0].start, column + tile.own[1].start, share[sure]

    found = side_by_side(find, tiles((inked.shape[0], inked.shape[1]), TILE, 1))
    rows, columns, share = (np.concatenate(part) for part in zip(*found, strict=True))
    return rows, columns, np.asarray(share, np.float32)


def _groups(lab: F64, weight: F64) -> list[I64]:
    """Return the rows of the squares of each ink."""
    waiting: list[I64] = [np.arange(len(lab))]
    done: list[I64] = []
    while waiting:
        rows = waiting.pop()
        other = None
        if len(waiting) + len(done) + 2 <= MOST:
            other = _other_ink(lab[rows], weight[rows], SHARE * weight.sum())
        if other is None:
            done.append(rows)
        else:
            waiting += [rows[other], rows[~other]]
    return done


def _pure(groups: list[I64], lab: F64, weight: F64) -> list[I64]:
    """Return the groups without squares in which strokes of two others lie together."""
    middle = [np.average(lab[rows], axis=0, weights=weight[rows]) for rows in groups]

    def mixed(number: int) -> bool:
        others = [at for other, at in enumerate(middle) if other != number]
        for one, two in combinations(others, 2):
            way = two - one
            along = float((middle[number] - one) @ way / (way @ way))
            off = float(np.linalg.norm(middle[number] - one - along * way))
            if 0 < along < 1 and off < MIXED:
                return True
        return False

    return [rows for number, rows in enumerate(groups) if not mixed(number)]


def _other_ink(lab: F64, weight: F64, least: float) -> Bool | None:
    """Return which of some squares (N,) are of another ink than the rest; None if none is."""
    if len(lab) < 2 * SQUARES:
        return None
    one = _halved(lab, weight)
    for part in (one, ~one):
        if np.count_nonzero(part) < SQUARES or weight[part].sum() < least:
            return None
    near, far = (np.average(lab[part], axis=0, weights=weight[part]) for part in (~one, one))
    apart = float(np.linalg.norm(far - near))
    if apart < APART or _diluted(near, far):
        return None
    along = (lab - near) @ (far - near) / apart**2
    steps = np.linspace(-0.75, 1.75, 51)
    count = np.histogram(along, steps, weights=weight)[0]
    kernel = np.exp(-0.5 * (np.arange(-4, 5) / 1.5) ** 2)
    count = np.convolve(count, kernel / kernel.sum(), "same")
    middle = int(np.searchsorted(steps, 0.5))
    low, high = int(np.argmax(count[:middle])), middle + int(np.argmax(count[middle:]))
    between = count[low : high + 1].min()
    return one if between <= VALLEY * min(count[low], count[high]) else None


def _halved(lab: F64, weight: F64) -> Bool:
    """Return (N,): the squares of one of two groups that differ most."""
    mean = np.average(lab, axis=0, weights=weight)
    axis = np.linalg.eigh(np.cov(lab.T, aweights=weight))[1][:, -1]
    order = np.argsort((lab - mean) @ axis, kind="stable")
    so_far = np.cumsum(weight[order])[:-1]
    moment = np.cumsum((weight * ((lab - mean) @ axis))[order])[:-1]
    cut = int(np.argmax(moment**2 / (so_far * (weight.sum() - so_far))))
    one = np.zeros(len(lab), np.bool_)
    one[order[cut + 1 :]] = True
    for _ in range(10):
        near, far = (np.average(lab[part], axis=0, weights=weight[part]) for part in (~one, one))
        moved = ((lab - far) ** 2).sum(axis=1) < ((lab - near) ** 2).sum(axis=1)
        if moved.all() or not moved.any() or (moved == one).all():
            break
        one = moved
    return one


def _diluted(near: F64, far: F64) -> bool:
    """Whether two colours (3,) are one ink, in broad strokes and in thin ones."""
    if abs(near[0] - far[0]) > FAINTER or min(np.hypot(*near[1:]), np.hypot(*far[1:])) < GREY:
        return False
    turn = np.degrees(np.arctan2(near[2], near[1]) - np.arctan2(far[2], far[1]))
    return bool(abs((turn + 180) % 360 - 180) < SAME_HUE)


def _ink(lab: F64, light: F64, share: float) -> InkColour:
    code = as_hex(to_srgb(light.astype(np.float32))).upper()
    if np.hypot(*lab[1:]) < GREY:
        return InkColour("black" if lab[0] < BLACK else "grey", code, float(share))
    name = Pigment(-np.log(np.maximum(light, 1e-3)), 0.0).name
    name = "brown" if name == "orange" and lab[0] < BROWN else name
    return InkColour(name, code, float(share))
