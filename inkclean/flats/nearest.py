"""The nearest label of each pixel that has none."""

from __future__ import annotations

from functools import partial
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from inkclean.base.arrays import Bool
from inkclean.base.tiles import Tile, side_by_side, tiles

TILE_PX = 512
HALOS_PX = 48, 192  # so far around a tile the nearest label is looked for

_Label = TypeVar("_Label", np.int32, np.uint16)


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


def _fill(full: NDArray[_Label], label: NDArray[_Label], bare: Bool, halo: int, tile: Tile) -> None:
    """Give the bare pixels of a tile their label, unless one may be nearer outside the halo."""
    away, nearest = cv2.distanceTransformWithLabels(
        bare[tile.around].view(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    own = bare[tile.own]
    if halo < max(bare.shape) and away[tile.inner][own].max() > halo:
        return
    # pixels with a label are numbered as they are met from the top left
    table = np.append(label.dtype.type(0), label[tile.around][~bare[tile.around]])
    full[tile.own][own] = table[nearest[tile.inner][own]]
