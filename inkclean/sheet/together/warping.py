"""Photos laid over each other to a fraction of a px: what the ink itself says, smoothly spread.

Each cell of the canvas gives the normal equations of Lucas and Kanade (IJCAI 1981): how far the
one photo is off the other, and along which direction that is sure. Lines tell of one direction
only, so all cells and all photos are solved for at once, changing their bend as little as they can
(third differences, and a little of a thin plate: Terzopoulos, *Computer Vision, Graphics, and Image
Processing* 24(1), 1983).
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from math import comb
from typing import Any

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I64, Bool
from inkclean.sheet.together.matching import Match
from inkclean.sheet.together.page import page_mask, scaled_maps
from inkclean.sheet.together.placing import to_canvas
from inkclean.sheet.together.seen import Glance
from inkclean.sheet.together.values import Canvas, Placed, kept, within

# cells along the canvas's longer side
CELLS = 44
# how stiff the plate is, beside a cell whose ink says all
STIFF = 1.0
STRAIGHT = 0.02  # beside that, how little a photo bends where nothing tells
HELD = 1e-4  # and how it is held where no photo overlaps another
# the size of the small pictures in each round, and the blur in their px
ROUNDS = ((0.5, 1.5), (0.5, 0.8), (1.0, 0.8))
# a match counts as much as so much ink; it is off by more than this, in px: another place
MATCH = 0.5
FAR_PX = 30.0
LEAST_ALIKE = 0.3  # correlation of two cells that show the same


def by_matches(
    canvas: Canvas, placed: tuple[Placed, ...], first: int, matches: Sequence[Match]
) -> tuple[Placed, ...]:
    """Return the photos moved smoothly to where their matches are: paper that is not flat."""
    cell, shape = cells_of(canvas)
    pairs = []
    for pair in matches:
        one = to_canvas(canvas, placed[pair.first], pair.at_first)
        two = to_canvas(canvas, placed[pair.second], pair.at_second)
        off = two - one
        # what all around agree on; a match beside it is of another place
        near = np.hypot(*(off - np.median(off, axis=0)).T) < FAR_PX
        middle, off = ((one + two) / 2)[near], off[near]
        for _ in range(2):
            smooth = _local_median(middle, off)
            good = np.hypot(*(off - smooth).T) < 3.0 + 0.3 * np.hypot(*smooth.T)
            middle, off = middle[good], off[good]
        pairs.append((pair.first, pair.second, *_point_equations(middle, off, cell, shape)))
    return _solved(placed, first, pairs, cell, shape)


def by_ink(
    canvas: Canvas,
    placed: tuple[Placed, ...],
    first: int,
    seen: Sequence[Glance],
    scale: float,
    blur: float,
    outline: F64 | None,
) -> tuple[Placed, ...]:
    """Return the photos moved to where their ink lies on that of the others.

    ``scale`` is that of the pictures that are compared, beside the canvas; ``blur`` in their px;
    ``outline`` is the page's: the table beside it may have moved.
    """
    cell, shape = cells_of(canvas)
    shown = [warped(canvas, placed[k], seen[k], scale, blur) for k in range(len(seen))]
    page = page_mask(outline, shown[0][1].shape, scale)
    shown = [(ink, known & page) for ink, known in shown]
    pairs = []
    for a, b in combinations(range(len(seen)), 2):
        found = _equations(shown[a], shown[b], cell * scale, shape)
        if found is not None:
            # displacements are counted in px of the canvas
            pairs.append((a, b, found[0] * scale**2, found[1] * scale, found[2]))
    return _solved(placed, first, pairs, cell, shape)


def cells_of(canvas: Canvas) -> tuple[float, tuple[int, int]]:
    """Return the side of a cell in canvas px, and how many there are down and across."""
    cell = max(canvas.size) / CELLS
    return cell, (int(np.ceil(canvas.size[0] / cell)), int(np.ceil(canvas.size[1] / cell)))


def warped(
    canvas: Canvas, placed: Placed, seen: Glance, scale: float, blur: float = 0.0
) -> tuple[F32, Bool]:
    """Return a photo's ink on the canvas made smaller by ``scale``, and where it is known."""
    high, wide = (max(1, round(n * scale)) for n in canvas.size)
    factor = seen.ink.shape[1] / (seen.size[1] * scale)
    maps = scaled_maps(placed, canvas, (high, wide), scale, seen.ink.shape[:2])
    known = within(maps, seen.ink.shape[:2], 3.0)
    ink = seen.ink if blur <= 0 else cv2.GaussianBlur(seen.ink, (0, 0), blur * factor)
    shown = cv2.remap(ink, maps[0], maps[1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(shown, np.float32), known


Equations = tuple[int, int, F64, F64, F64]


def _equations(
    one: tuple[F32, Bool], two: tuple[F32, Bool], cell: float, shape: tuple[int, int]
) -> tuple[F64, F64, F64] | None:
    """Return for each cell the (h, w, 3) matrix xx, xy, yy, the (h, w, 2) right side, the trust."""
    common = one[1] & two[1]
    if np.count_nonzero(common) < 500:
        return None
    size = (round(shape[1] * cell), round(shape[0] * cell))
    one, two = (_cut(one[0], size), one[1]), (_cut(two[0], size), two[1])
    thin = cv2.erode(common.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(np.float32)
    known = _cut(np.asarray(thin, np.float32), size)
    mean = (one[0] + two[0]) * np.float32(0.5)
    x = cv2.Sobel(mean, cv2.CV_32F, 1, 0, scale=1 / 8) * known
    y = cv2.Sobel(mean, cv2.CV_32F, 0, 1, scale=1 / 8) * known
    off = one[0] - two[0]
    planes = [x * x, x * y, y * y, x * off, y * off]
    sums = [_summed(plane, cell, shape) for plane in planes]
    # where the two differ more than they are alike, it is not the same ink
    dark_one, dark_two = (1 - one[0]) * known, (1 - two[0]) * known
    product = _summed(dark_one * dark_two, cell, shape)
    squares = _summed(dark_one**2, cell, shape) * _summed(dark_two**2, cell, shape)
    alike = product / np.sqrt(np.maximum(squares, 1e-6))
    trust = np.clip((alike - LEAST_ALIKE) / (1 - LEAST_ALIKE), 0, 1) ** 2
    matrix = np.stack(sums[:3], axis=-1) * trust[..., None]
    right = -np.stack(sums[3:], axis=-1) * trust[..., None]
    return matrix, right, trust


def _cut(plane: F32, size: tuple[int, int]) -> F32:
    """Return a plane cut, or filled up with zeros, to ``size`` (width, height)."""
    more = max(0, size[1] - plane.shape[0]), max(0, size[0] - plane.shape[1])
    if any(more):
        plane = np.pad(plane, ((0, more[0]), (0, more[1])))
    return plane[: size[1], : size[0]]


def _summed(plane: F32, cell: float, shape: tuple[int, int]) -> F64:
    """Return the sums of a plane over its (h, w) cells."""
    means = cv2.resize(plane, shape[::-1], interpolation=cv2.INTER_AREA)
    return np.asarray(means, np.float64) * cell * cell


def _point_equations(
    at: F64, off: F64, cell: float, shape: tuple[int, int]
) -> tuple[F64, F64, F64]:
    column = np.clip((at[:, 0] / cell).astype(int), 0, shape[1] - 1)
    row = np.clip((at[:, 1] / cell).astype(int), 0, shape[0] - 1)
    flat = row * shape[1] + column
    count = np.bincount(flat, minlength=shape[0] * shape[1]).astype(np.float64)
    sums = [np.bincount(flat, off[:, k], minlength=len(count)) for k in (0, 1)]
    weight = MATCH * count
    matrix = np.stack([weight, np.zeros_like(weight), weight], axis=-1)
    # the first moved by d1, the second by d2: they meet where d2 − d1 is what they are off
    right = -MATCH * np.stack(sums, axis=-1)
    whole = (*shape, -1)
    trust: F64 = np.minimum(count, 1.0).reshape(shape)
    return matrix.reshape(whole), np.asarray(right.reshape(whole), np.float64), trust


def _local_median(at: F64, off: F64) -> F64:
    """Return the median of ``off`` (N, 2) over each place and the eight nearest."""
    from scipy.spatial import cKDTree

    if len(at) == 0:
        return off
    _, near = cKDTree(at).query(at, k=min(9, len(at)))
    return np.asarray(np.median(off[np.reshape(near, (len(at), -1))], axis=1), np.float64)


def _solved(
    placed: tuple[Placed, ...],
    first: int,
    pairs: Sequence[Equations],
    cell: float,
    shape: tuple[int, int],
) -> tuple[Placed, ...]:
    """Return the photos moved by what the pairs say, all but the first."""
    from scipy.sparse import coo_matrix, csc_matrix, diags, kron
    from scipy.sparse.linalg import spsolve

    if not pairs:
        return placed
    cells = shape[0] * shape[1]
    free = [k for k in range(len(placed)) if k != first]
    slot = {k: at for at, k in enumerate(free)}
    total = 2 * cells * len(free)
    traces = np.concatenate([(m[..., 0] + m[..., 2]).ravel() for _, _, m, _, _ in pairs])
    sure = float(np.median(traces[traces > 0])) if (traces > 0).any() else 1.0
    plate = _plate(shape)
    one = kron(diags([1.0, 1.0]), sure * (STIFF * plate + HELD * diags(np.ones(cells))))
    left = kron(diags(np.ones(len(free))), one, format="csc")
    before = np.zeros(total)
    for k in free:
        if placed[k].moved is not None:
            moved = np.asarray(placed[k].moved).reshape(cells, 2)
            before[2 * cells * slot[k] :][: 2 * cells] = moved.T.ravel()
    right = -(left @ before)
    rows: list[I64] = []
    columns: list[I64] = []
    values: list[F64] = []
    at = np.arange(cells, dtype=np.int64)
    for a, b, matrix, force, _ in pairs:
        flat, push = matrix.reshape(cells, 3), force.reshape(cells, 2)
        # A of a photo alone, −A between two
        for p, q, sign in ((a, a, 1.0), (b, b, 1.0), (a, b, -1.0), (b, a, -1.0)):
            if p not in slot or q not in slot:
                continue
            for u in (0, 1):
                for v in (0, 1):
                    rows.append(2 * cells * slot[p] + u * cells + at)
                    columns.append(2 * cells * slot[q] + v * cells + at)
                    values.append(sign * flat[:, u + v])
        for p, sign in ((a, 1.0), (b, -1.0)):
            if p in slot:
                base = 2 * cells * slot[p]
                right[base : base + cells] += sign * push[:, 0]
                right[base + cells : base + 2 * cells] += sign * push[:, 1]
    if values:
        where = (np.concatenate(rows), np.concatenate(columns))
        left = left + coo_matrix((np.concatenate(values), where), shape=(total, total)).tocsc()
    step = spsolve(csc_matrix(left), right)
    found = list(placed)
    for k in free:
        values_k = (before + step)[2 * cells * slot[k] :][: 2 * cells]
        found[k] = kept(placed[k], values_k.reshape(2, cells).T.reshape(*shape, 2), cell)
    return tuple(found)


def _plate(shape: tuple[int, int]) -> Any:
    """Return the (N, N) energy of a grid: third differences squared, second ones a little.

    A page that bows goes on bowing where no ink tells, to its rim; far off it runs out straight.
    """
    from scipy.sparse import csr_matrix, diags, kron

    def difference(n: int, order: int) -> Any:
        if n <= order:
            return csr_matrix((1, n))
        row = ([1.0], [-1.0, 1.0], [1.0, -2.0, 1.0], [-1.0, 3.0, -3.0, 1.0])[order]
        return diags(row, range(order + 1), shape=(n - order, n))

    high, wide = shape

    def energy(order: int) -> Any:
        total = 0
        for k, count in enumerate([comb(order, k) for k in range(order + 1)]):
            part = kron(difference(high, k), difference(wide, order - k))
            total = total + count * (part.T @ part)
        return total

    return energy(3) + STRAIGHT * energy(2)
