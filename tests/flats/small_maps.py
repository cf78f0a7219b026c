"""Small label maps with known truth, for the tests of colours, layers and files."""

from __future__ import annotations

import cv2
import numpy as np
from scipy.ndimage import find_objects
from scipy.spatial import cKDTree

from inkclean.base.arrays import I32, U8
from inkclean.flats.values import AREA, BACKGROUND, NEIGHBOURS, Flats
from inkclean.ink.values import Ink, Pencil

_NO_PENCIL = Pencil(False, (), 0.0, None, "")


def flats_of(labels: I32, px_per_mm: float, kinds: list[int] | None = None) -> Flats:
    """Return the flats of a whole label map 1..N; kinds default to figures."""
    count = int(labels.max())
    areas = np.zeros(count, AREA)
    areas["label"] = np.arange(1, count + 1)
    areas["kind"] = 0 if kinds is None else kinds
    areas["size_mm2"] = np.bincount(labels.ravel(), minlength=count + 1)[1:] / px_per_mm**2
    for row, (y, x) in zip(areas, find_objects(labels), strict=True):
        row["left_mm"], row["right_mm"] = x.start / px_per_mm, x.stop / px_per_mm
        row["top_mm"], row["bottom_mm"] = y.start / px_per_mm, y.stop / px_per_mm
    return Flats(labels.astype(np.uint16), px_per_mm, areas, neighbours_of(labels, px_per_mm))


def neighbours_of(labels: I32, px_per_mm: float) -> np.ndarray:
    one = np.concatenate([labels[:, :-1].ravel(), labels[:-1].ravel()]).astype(np.int64)
    other = np.concatenate([labels[:, 1:].ravel(), labels[1:].ravel()]).astype(np.int64)
    apart = one != other
    low = np.minimum(one, other)[apart]
    high = np.maximum(one, other)[apart]
    pair, count = np.unique(low << 16 | high, return_counts=True)
    rows = np.zeros(len(pair), NEIGHBOURS)
    rows["a"], rows["b"], rows["edge_mm"] = pair >> 16, pair & 0xFFFF, count / px_per_mm
    return rows


def cells(count: int, side: int, seed: int, *, disc: bool = True) -> Flats:
    """Return a map of ``count`` random cells, side × side px; outside a disc is background."""
    random = np.random.default_rng(seed)
    y, x = np.mgrid[:side, :side] + 0.5
    middles = random.uniform(0, side, (count, 2))
    near = cKDTree(middles).query(np.stack([y.ravel(), x.ravel()], axis=1))[1]
    labels = near.reshape(side, side) + 1
    if disc:
        labels[np.hypot(y - side / 2, x - side / 2) > 0.46 * side] = 0
    values, labels = np.unique(labels, return_inverse=True)
    kinds = [BACKGROUND if value == 0 else 0 for value in values]
    return flats_of(labels.reshape(side, side).astype(np.int32) + 1, 4.0, kinds)


def lined(flats: Flats, width_px: int = 5) -> Ink:
    """Return ink along all borders of the areas, edges soft as a pen's are."""
    labels = flats.labels
    edge = np.zeros(labels.shape, np.uint8)
    edge[:, 1:] |= labels[:, 1:] != labels[:, :-1]
    edge[1:] |= labels[1:] != labels[:-1]
    broad = cv2.dilate(edge * np.uint8(255), np.ones((width_px, width_px), np.uint8))
    soft = cv2.GaussianBlur(broad, (3, 3), 0).astype(np.float32) / 255
    return Ink(np.asarray(soft, np.float32), flats.px_per_mm, _NO_PENCIL)


def two_rooms(side: int = 240) -> tuple[Flats, Ink]:
    """Return a box with a wall and a gap in it, all one area (2), a ring inside (3), paper (1).

    The wall stands at x = side; the gap is 16 px wide in its middle; 8 px/mm.
    """
    drawn: U8 = np.zeros((side, 2 * side), np.uint8)
    labels = np.ones(drawn.shape, np.int32)
    far = (2 * side - 21, side - 21)
    cv2.rectangle(labels, (20, 20), far, 2, -1)
    cv2.circle(labels, (side // 2, side // 2), 25, 3, -1)
    cv2.rectangle(drawn, (20, 20), far, 255, 4)
    cv2.circle(drawn, (side // 2, side // 2), 25, 255, 4)
    cv2.line(drawn, (side, 20), (side, side // 2 - 8), 255, 4)
    cv2.line(drawn, (side, side // 2 + 8), (side, side - 20), 255, 4)
    flats = flats_of(labels, 8.0, [BACKGROUND, 0, 0])
    flats.areas["enclosing"][2] = 2
    return flats, Ink((drawn / np.float32(255)).astype(np.float32), 8.0, _NO_PENCIL)
