"""Small networks that the package ships as ONNX: run through OpenCV, or their weights read.

Pictures are folded outside of the network: so many px a side become the channels of one cell,
row by row, and cells are unfolded the same way. OpenCV 5 misreads an exported pixel unshuffle,
and numpy does it as fast. Weights are read without a library for it: only what small networks
hold, nodes and their inputs, and tensors of float32 written as raw bytes (ONNX's own description
of its files, onnx.proto; Protocol Buffers' wire format).
"""

from __future__ import annotations

import gzip
from collections.abc import Iterator
from functools import lru_cache
from importlib.resources import files

import cv2
import numpy as np

from inkclean.base.arrays import F32

# Numbers of fields in onnx.proto.
_GRAPH, _NODE, _TENSOR = 7, 1, 5
_NODE_INPUT, _NODE_NAME, _NODE_KIND = 1, 3, 4
_TENSOR_SIDE, _TENSOR_TYPE, _TENSOR_NAME, _TENSOR_RAW = 1, 2, 8, 9
_FLOAT = 1


def network(package: str, name: str) -> cv2.dnn.Net:
    """Return the network in the file ``name`` of ``package``, for one thread at a time.

    A name that ends in ``.gz`` is a file packed with gzip.
    """
    return cv2.dnn.readNetFromONNX(np.frombuffer(_held(package, name), np.uint8))


def weights(package: str, name: str) -> bytes:
    """Return the file ``name`` of ``package``, unpacked."""
    data = (files(package) / name).read_bytes()
    return gzip.decompress(data) if name.endswith(".gz") else data


_held = lru_cache(maxsize=8)(weights)  # by OpenCV they are read again for each page


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


def layers(data: bytes) -> dict[str, tuple[str, list[F32]]]:
    """Return the kind of each node and the tensors that it is given, by its name."""
    (graph,) = (value for field, value in _fields(memoryview(data)) if field == _GRAPH)
    nodes, tensors = [], {}
    for field, value in _fields(_bytes(graph)):
        if field == _TENSOR:
            name, tensor = _tensor(_bytes(value))
            tensors[name] = tensor
        elif field == _NODE:
            nodes.append(list(_fields(_bytes(value))))
    found = {}
    for node in nodes:
        words = [(field, _text(value)) for field, value in node if field <= _NODE_KIND]
        given = [tensors[text] for field, text in words if field == _NODE_INPUT and text in tensors]
        by_field = dict(words)
        found[by_field[_NODE_NAME]] = by_field[_NODE_KIND], given
    return found


def _tensor(data: memoryview) -> tuple[str, F32]:
    sides, name, raw, kind = [], "", memoryview(b""), 0
    for field, value in _fields(data):
        if field == _TENSOR_SIDE:
            sides += [value] if isinstance(value, int) else list(_numbers(value))
        elif field == _TENSOR_TYPE:
            kind = int(value) if isinstance(value, int) else 0
        elif field == _TENSOR_NAME:
            name = _text(value)
        elif field == _TENSOR_RAW:
            raw = _bytes(value)
    if kind != _FLOAT:
        return name, np.zeros(0, np.float32)
    return name, np.frombuffer(raw, "<f4").astype(np.float32).reshape(sides)


def _fields(data: memoryview) -> Iterator[tuple[int, int | memoryview]]:
    """Give the number and the value of each field of a message."""
    at = 0
    while at < len(data):
        key, at = _number(data, at)
        if key & 7 == 0:
            value, at = _number(data, at)
            yield key >> 3, value
            continue
        length = {1: 8, 5: 4}.get(key & 7, 0)
        if not length:
            length, at = _number(data, at)
        yield key >> 3, data[at : at + length]
        at += length


def _number(data: memoryview, at: int) -> tuple[int, int]:
    """Return the number written from ``at`` on, seven bits a byte, and where it ends."""
    value = shift = 0
    while True:
        byte = data[at]
        value |= (byte & 127) << shift
        at, shift = at + 1, shift + 7
        if byte < 128:
            return value, at


def _numbers(data: memoryview) -> Iterator[int]:
    at = 0
    while at < len(data):
        value, at = _number(data, at)
        yield value


def _bytes(value: int | memoryview) -> memoryview:
    return memoryview(b"") if isinstance(value, int) else value


def _text(value: int | memoryview) -> str:
    return bytes(_bytes(value)).decode("utf-8", "replace")
