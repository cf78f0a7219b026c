"""Dots and discs: loops that are ellipses, drawn as such."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inkclean.base.arrays import F32, F64, I64, Bool
from inkclean.base.tiles import side_by_side
from inkclean.curves.outlines.outline import InkOutline, leave_out, parts_of

_PART = 1 << 16  # points of the loops looked at at once, or more
_TINY_PX = 1.7  # px of the longest half axis of a dot that shows no more than place, size and lean
_SMALL = 20  # points of a loop that may stray from an oval by the whole tolerance
_SHARE = 0.6  # of the tolerance for larger loops: a shape drawn nearly round keeps its character
_CIRCLE_PX = 0.04  # px by which half axes may differ and still be one radius
_LONG = 4.0  # longest oval, length by breadth: a longer one is a dash, with ends of its own
# px of the largest radius drawn by four cubics: they leave it by 1.96e-4, eight by 4.2e-6
_FOUR_UP_TO_PX = 40.0
_K4 = 0.551915024494  # handle of a quarter of the unit circle (Mortensen, Geometric Modeling)
_K8 = 4.0 / 3.0 * np.tan(np.pi / 16.0)  # handle of an eighth


@dataclass(frozen=True)
class Ovals:
    """Which loops are ovals (L,) bool; their cubics (S, 4, 2) px in the order of the loops, and
    how many each has (O,).
    """

    which: Bool
    cubics: F64
    counts: I64


def find_ovals(outline: InkOutline, tolerance: F32) -> Ovals:
    """Return the loops that an ellipse follows within ``tolerance`` (N,) px, as cubics.

    The ellipse has the loop's own area, centre and second moments.
    """
    sharp = np.zeros(outline.loops.size - 1, np.bool_)
    sharp[np.searchsorted(outline.loops, np.flatnonzero(outline.corner), side="right") - 1] = True
    outline, keep = leave_out(outline, sharp)
    tolerance = tolerance[keep]
    if outline.loops.size == 1:
        return Ovals(~sharp, np.zeros((0, 4, 2)), np.zeros(0, np.int64))
    parts = parts_of(outline.loops, _PART)
    shapes = side_by_side(lambda part: _shapes(outline, tolerance, part), parts)
    centre, axes, oval = (np.concatenate(each) for each in zip(*shapes, strict=True))
    which = ~sharp
    which[which] = oval
    return Ovals(which, *_draw(centre[oval], axes[oval], outline.hole[oval]))


def _shapes(outline: InkOutline, tolerance: F32, part: slice) -> tuple[F64, F64, Bool]:
    """Return centre (L, 2) and half axes (L, 2, 2), as columns, of the ellipse of each loop of a
    ``part``; whether it is one (L,).
    """
    tolerance = tolerance[outline.loops[part.start] : outline.loops[part.stop]]
    outline = outline.only(part)
    count = outline.loops.size - 1
    lengths = np.diff(outline.loops)
    begin = outline.loops[:-1]
    own = np.repeat(np.arange(count), lengths)
    centre, root = _moments(outline, own)
    local = np.einsum("nij,nj->ni", np.linalg.inv(root)[own], outline.points - centre[own])
    radial = np.hypot(local[:, 0], local[:, 1])
    # Chords cut inside the ellipse: its size is that at which the points lie evenly about it.
    size = np.add.reduceat(radial, begin) / lengths
    half, turn = np.linalg.eigh(root)
    half *= size[:, None]
    off = np.abs(radial / size[own] - 1.0) * np.hypot(*(outline.points - centre[own]).T)
    worst = np.maximum.reduceat(off / tolerance, begin)
    oval = worst < np.where(lengths <= _SMALL, 1.0, _SHARE)
    oval |= half[:, 1] < _TINY_PX
    oval &= (half[:, 1] < _LONG * half[:, 0]) & (half[:, 0] > 0.0)
    near = half[:, 1] - half[:, 0] < _CIRCLE_PX
    half[near] = np.sqrt(half[near, 0] * half[near, 1])[:, None]
    return centre, turn * half[:, None, :], oval


def _moments(outline: InkOutline, own: I64) -> tuple[F64, F64]:
    """Centre (L, 2) and the matrix (L, 2, 2) that takes the unit circle to the ellipse of the
    same moments: of a polygon, by Green's theorem.
    """
    begin = outline.loops[:-1]
    count = begin.size
    p = outline.points - outline.points[begin][own]
    following = np.arange(own.size) + 1
    following[outline.loops[1:] - 1] = begin
    q = p[following]
    cross = p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]
    area = np.add.reduceat(cross, begin) / 2.0
    safe = np.where(np.abs(area) < 1e-9, 1e-9, area)
    first = np.add.reduceat((p + q) * cross[:, None], begin) / (6.0 * safe[:, None])
    second = np.empty((count, 2, 2))
    for i, j in ((0, 0), (0, 1), (1, 1)):
        mixed = p[:, i] * p[:, j] + q[:, i] * q[:, j]
        mixed += (p[:, i] + q[:, i]) * (p[:, j] + q[:, j])
        total = np.add.reduceat(mixed * cross, begin) / (24.0 * safe)
        second[:, i, j] = second[:, j, i] = total - first[:, i] * first[:, j]
    value, vector = np.linalg.eigh(second)
    # A uniform ellipse of half axis a has variance a²/4 along it.
    half = 2.0 * np.sqrt(np.maximum(value, 1e-6))
    root: F64 = np.einsum("nik,nk,njk->nij", vector, half, vector)
    return first + outline.points[begin], root


def _draw(centre: F64, axes: F64, hole: Bool) -> tuple[F64, I64]:
    """Cubics of ellipses with half ``axes`` (O, 2, 2) as columns, clockwise on the screen,
    holes the other way.
    """
    handed = np.sign(axes[:, 0, 0] * axes[:, 1, 1] - axes[:, 0, 1] * axes[:, 1, 0])
    axes[:, :, 1] *= (handed * np.where(hole, -1.0, 1.0))[:, None]
    large = np.hypot(axes[:, 0, 1], axes[:, 1, 1]) > _FOUR_UP_TO_PX
    large |= np.hypot(axes[:, 0, 0], axes[:, 1, 0]) > _FOUR_UP_TO_PX
    counts = np.where(large, 8, 4).astype(np.int64)
    cubics = np.empty((int(counts.sum()), 4, 2))
    place = np.repeat(np.cumsum(counts) - counts, counts)
    nth = np.arange(cubics.shape[0]) - place
    for pieces, handle in ((4, _K4), (8, _K8)):
        rows = np.repeat(counts == pieces, counts)
        owner = np.repeat(np.arange(counts.size), counts)[rows]
        angle = 2.0 * np.pi * nth[rows] / pieces
        after = 2.0 * np.pi * ((nth[rows] + 1) % pieces) / pieces
        start, end = (np.stack((np.cos(a), np.sin(a)), 1) for a in (angle, after))
        unit = np.stack(
            (
                start,
                start + handle * np.stack((-start[:, 1], start[:, 0]), 1),
                end - handle * np.stack((-end[:, 1], end[:, 0]), 1),
                end,
            ),
            1,
        )
        cubics[rows] = np.einsum("sij,skj->ski", axes[owner], unit) + centre[owner][:, None]
    return cubics, counts
