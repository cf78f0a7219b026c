"""What a map of labels tells of each: how large and how deep it is, and where it lies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inkclean.base.arrays import F32, I32, I64, Bool
from inkclean.base.compiled import compiled
from inkclean.flats.rasters import deepest
from inkclean.flats.tiled.windows import Box, boxes

_compiled = compiled("inkclean.flats.tiled._told")


@dataclass(frozen=True)
class Told:
    """What is told of labels, 0 unused, and 0 of those not asked for.

    Per label (N + 1,): ``size`` px of paper, the ``most`` that it is deep, in px, the last
    ``place`` where it is, a pixel's number in a box of the page, and (N + 1, 4) where it lies
    there: top, bottom, left, right.
    """

    size: I64
    most: F32
    place: I64
    box: I64


def told(label: I32, sure: Bool, depth: F32, fresh: Bool, box: Box) -> Told:
    """Return what a box of a map of labels (H, W) tells of the ``fresh`` (N + 1,) ones.

    ``sure`` (H, W) is the paper that counts, ``depth`` (H, W) how deep it is in px.
    """
    how = told_by_numpy if _compiled is None else told_compiled
    return how(label, sure, depth, fresh, box)


def told_compiled(label: I32, sure: Bool, depth: F32, fresh: Bool, box: Box) -> Told:
    """Return what ``told`` does, by compiled code."""
    n = len(fresh)
    found = Told(
        np.zeros(n, np.int64),
        np.zeros(n, np.float32),
        np.zeros(n, np.int64),
        np.zeros((n, 4), np.int64),
    )
    given = (np.ascontiguousarray(one) for one in (label, sure, depth, fresh))
    sides = (side for part in box for side in (part.start, part.stop))
    _compiled.tell(*given, label.shape[1], *sides, found.size, found.most, found.place, found.box)
    return found


def told_by_numpy(label: I32, sure: Bool, depth: F32, fresh: Bool, box: Box) -> Told:
    """Return what ``told`` does, by numpy."""
    here, deep = label[box], depth[box]
    on_paper = np.where(sure[box] & fresh[here], here, np.int32(0))
    most = deepest(on_paper, deep, len(fresh))
    at = np.flatnonzero((deep == most[on_paper]) & (on_paper > 0))
    place = np.zeros(len(fresh), np.int64)
    place[on_paper.ravel()[at]] = at
    size = np.bincount(on_paper.ravel(), minlength=len(fresh))
    size[0] = 0
    return Told(size, most, place, boxes(on_paper, len(fresh) - 1))
