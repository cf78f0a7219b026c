"""Small networks that the package ships as ONNX, run through OpenCV.

Pictures are folded outside of the network: so many px a side become the channels of one cell,
row by row, and cells are unfolded the same way. OpenCV 5 misreads an exported pixel unshuffle,
and numpy does it as fast.
"""

from __future__ import annotations

import gzip
from functools import lru_cache
from importlib.resources import files

import cv2
import numpy as np

from inkclean.base.arrays import F32


def network(package: str, name: str) -> cv2.dnn.Net:
    """Return the network in the file ``name`` of ``package``, for one thread at a time.

    A name that ends in ``.gz`` is a file packed with gzip.
    """
    return cv2.dnn.readNetFromONNX(np.frombuffer(weights(package, name), np.uint8))


@lru_cache(maxsize=8)
def weights(package: str, name: str) -> bytes:
    """Return the file ``name`` of ``package``, unpacked."""
    data = (files(package) / name).read_bytes()
    return gzip.decompress(data) if name.endswith(".gz") else data


def run(net: cv2.dnn.Net, planes: F32) -> F32:
    """Return what the network makes of ``planes`` (C, h, w), as (D, h', w')."""
    net.setInput(np.ascontiguousarray(planes[None]))
    return np.asarray(net.forward()[0], np.float32)


def folded(picture: F32, fold: int, unit: int) -> F32:
    """Return (fold², h, w) of a picture (H, W); ``unit`` divides h and w, zeros fill them up."""
    height, width = picture.shape
    side = fold * unit
    high, wide = -(-height // side) * side, -(-width // side) * side
    padded = np.zeros((high, wide), np.float32)
    padded[:height, :width] = picture
    rows, columns = high // fold, wide // fold
    cells = padded.reshape(rows, fold, columns, fold).transpose(1, 3, 0, 2)
    return np.ascontiguousarray(cells.reshape(fold**2, rows, columns))


def unfolded(cells: F32) -> F32:
    """Return (h·f, w·f) of cells (f², h, w)."""
    fold = round(len(cells) ** 0.5)
    rows, columns = cells.shape[1:]
    parts = cells.reshape(fold, fold, rows, columns).transpose(2, 0, 3, 1)
    return np.ascontiguousarray(parts.reshape(rows * fold, columns * fold))
