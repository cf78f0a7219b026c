"""The nearest label of each pixel that has none; compiled where that is there, else by OpenCV."""

from __future__ import annotations

from functools import partial
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from inkclean.base.arrays import Bool
from inkclean.base.compiled import compiled
from inkclean.base.tiles import Tile, side_by_side, tiles

_compiled = compiled("inkclean.flats._nearest")
TILE_PX = 512
HALOS_PX = 48, 192  # so far around a tile the nearest label is looked for

_Label = TypeVar("_Label", np.int32, np.uint16, np.uint8)


def grown(label: NDArray[_Label]) -> NDArray[_Label]:
    """Return the map with every 0 given the label of the nearest pixel that has one.

    Most are near one: tiles with a little around them tell the same as the whole map, and stay
    in the cache. Those in wide bare stretches see further.
    """
    bare = label == 0
    if bare.all() or not bare.any():
        return label
    full = label.copy()
    for halo in (*HALOS_PX, max(label.shape)):
        side = TILE_PX if halo in HALOS_PX else halo
        parts = [tile for tile in tiles(label.shape, side, halo) if not full[tile.own].all()]
        side_by_side(partial(_fill, full, label, bare, halo), parts)
    return full


def nearest(label: NDArray[_Label]) -> NDArray[_Label]:
    """Return the same, of a map most of which is bare: it is looked at as a whole."""
    own = tuple(slice(0, side) for side in label.shape)
    return _told(label, label == 0, (own[0], own[1]))[0] if label.any() else label


def _fill(full: NDArray[_Label], label: NDArray[_Label], bare: Bool, halo: int, tile: Tile) -> None:
    """Give the bare pixels of a tile their label, unless one may be nearer outside the halo."""
    found, far = _told(label[tile.around], bare[tile.around], tile.inner)
    if halo >= max(bare.shape) or far <= halo:
        full[tile.own] = found[tile.inner]


def _told(
    label: NDArray[_Label], bare: Bool, inner: tuple[slice, slice]
) -> tuple[NDArray[_Label], float]:
    """Return a map with its bare pixels filled; and how far one of an inner part is, at most."""
    if _compiled is None:
        return told_by_opencv(label, bare, inner)
    found = np.array(label, order="C")
    places = [end for part in inner for end in (part.start, part.stop)]
    return found, _compiled.grow(found, label.shape[1], label.itemsize, *places)


def told_by_opencv(
    label: NDArray[_Label], bare: Bool, inner: tuple[slice, slice]
) -> tuple[NDArray[_Label], float]:
    """Return what ``_told`` does."""
    away, number = cv2.distanceTransformWithLabels(
        np.ascontiguousarray(bare).view(np.uint8),
        cv2.DIST_L2,
        5,
        labelType=cv2.DIST_LABEL_PIXEL,
    )
    # pixels with a label are numbered as they are met from the top left
    table = np.append(label.dtype.type(0), label[~bare])
    return table[number], float(away[inner].max(initial=0))
