"""Colours that meet without a line: the lighter one runs on under the darker.

Where two plates meet, paper shows if they are a little off. So the lighter colour's inks are
printed on into the darker one, whose shape the eye follows, and the overlap hides in it (common
practice, no source). A line between them stops it: under lines colours overlap anyway.
"""

from __future__ import annotations

import numpy as np

from inkclean.base.arrays import F64, I64, U16, Bool
from inkclean.flats.rasters import beside_others

# colours of a page with flats; of pictures with soft tones most neighbours share their inks
MOST_TRAPPED = 64
# steps to the four sides, and by turns to the corners too: the reach is nearly round
_SIDES = ((0, 1), (1, 0), (0, -1), (-1, 0))
_CORNERS = (*_SIDES, (1, 1), (1, -1), (-1, 1), (-1, -1))


def meets_bare(tints: F64) -> Bool:
    """Return (K, K) whether paper may show between two mixtures: each has an ink the other lacks.

    ``tints`` (K, P) are the tints of the plates in each of K colours, 0..1.
    """
    has = tints > 0
    alone = np.any(has[:, None] & ~has[None], axis=-1)
    return np.asarray(np.logical_and(alone, alone.T), np.bool_)


def runs_into(tints: F64, lightness: F64) -> Bool:
    """Return (K, K) whether the first colour runs on into the second: it is the lighter.

    ``lightness`` (K,) is CIE L* of each colour as it prints.
    """
    number = np.arange(len(lightness))
    lighter = (lightness[:, None] > lightness[None]) | (
        (lightness[:, None] == lightness[None]) & (number[:, None] < number[None])
    )
    return np.asarray(meets_bare(tints) & lighter, np.bool_)


def trapped(index: U16, lines: Bool, into: Bool, reach_px: float) -> tuple[I64, I64]:
    """Return where a lighter colour runs on, as places in the flat map, and which colour it is.

    ``index`` (H, W) is each pixel's colour, ``lines`` (H, W) what is under a line, ``into`` as
    from ``runs_into``. A place is taken by the colour that reaches it first.
    """
    own, bare = index.ravel().astype(np.int64), ~lines.ravel()
    came = np.full(own.size, -1, np.int64)
    steps = round(reach_px)
    # the first step is from every pixel beside one of another colour
    front = np.flatnonzero(beside_others(index))
    source = own[front]
    for number in range(steps):
        ways = _CORNERS if number % 2 else _SIDES
        reached, bringing = [], []
        for way in ways:
            to, kept = _moved(front, way, index.shape)
            what = source[kept]
            free = bare[to] & bare[front[kept]] & (came[to] < 0) & into[what, own[to]]
            reached.append(to[free])
            bringing.append(what[free])
        front, first = np.unique(np.concatenate(reached), return_index=True)
        source = np.concatenate(bringing)[first]
        came[front] = source
        if not len(front):
            break
    at = np.flatnonzero(came >= 0)
    return at, came[at]


def _moved(at: I64, way: tuple[int, int], shape: tuple[int, int]) -> tuple[I64, Bool]:
    """Return the places a step away in the map of ``shape``, and which of ``at`` have one."""
    y, x = np.divmod(at, shape[1])
    y, x = y + way[0], x + way[1]
    kept = (y >= 0) & (y < shape[0]) & (x >= 0) & (x < shape[1])
    return y[kept] * shape[1] + x[kept], kept
