"""The ink's edge brought from where light puts it to where the ink ends.

Noise, the lens, a camera's sharpening and its curve of tones all move the level of light a little:
sharpened pictures are so in steps even to the eye, and lines in them come out thinner. A small
network looks at the pixels around each pixel beside the edge and says which share of it is ink. It
was fitted on photos and scans of drawn pages (``tests/fitting/edges``).

It counts in whole numbers that single precision holds: sums are the same in any order, so pages
come out alike on every machine. Values between layers are cut off below 0 and above ``FULL``.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from itertools import pairwise

import cv2
import numpy as np

from inkclean.base.arrays import F32, I64, U8, Bool
from inkclean.base.compiled import compiled
from inkclean.base.tiles import Tile, side_by_side, strips, tiles

_edges = compiled("inkclean.ink._edges")
_judge = getattr(_edges, "judge", None)  # one that was compiled earlier lacks it

REACH_PX = 3  # px around a pixel that are looked at
SIDE = 2 * REACH_PX + 1
CODES, LOWEST = 200.0, -0.15  # steps that shares of ink are told in, a full ink, and from where on
BLUR_CODES = 100.0  # steps that the blur is told in, a px
FULL = 255.0
LAYERS = (SIDE * SIDE + 1, 32, 16, 1)
WEIGHTS = "edges.i16"  # little-endian int16: weights (in, out) of a layer, then its bias / FULL
UNIT = 256.0  # what stands for a weight of 1
# A share is moved by no more than this: an edge, not a stroke.
MOST = 0.3
# Shares come out this much lower than the network says: it has seen more pictures that a camera
# sharpened, which thins lines, than such as nothing did, and these must not come out heavier.
HELD = 0.02
# Thinner strokes, in px across, than the first are left to the level of light, which their height
# gives (``levels``); broader ones than the second are the network's.
THIN_PX = (1.8, 2.4)
_SIDE = 512  # px of the parts worked on
# From this blur on, in px, the network is asked less, beyond the second no more.
SOFT_PX = (2.2, 3.0)


def settle_edges(share: F32, blur_px: float) -> None:
    """Bring the pixels beside the edge of ``share`` (H, W), in place, to their share of ink.

    ``share`` has ink from 0.5 on; ``blur_px`` is the standard deviation of the blur at edges.
    """
    trusted = float(np.interp(blur_px, SOFT_PX, (1.0, 0.0)))
    if trusted == 0:
        return
    codes = _coded(share)
    flat = share.ravel()

    def moved(tile: Tile) -> tuple[I64, F32]:
        at = np.flatnonzero(_at_edges(share[tile.around])[tile.inner])
        row, column = np.divmod(at, tile.own[1].stop - tile.own[1].start)
        row += tile.own[0].start
        column += tile.own[1].start
        at, seen = _around(codes, row * share.shape[1] + column, blur_px)
        move = np.clip(judged(seen) - np.float32(HELD), -MOST, MOST)
        move *= np.float32(trusted)
        move *= _broad(seen)
        some = ~lone(seen)
        return at[some], move[some]

    for at, move in side_by_side(moved, tiles((share.shape[0], share.shape[1]), _SIDE, 1)):
        flat[at] += move


def beside_edges(share: F32) -> I64:
    """Return the places in ``share`` (H, W), raveled, of pixels that touch the ink's edge."""
    return np.flatnonzero(_at_edges(share))


def _at_edges(share: F32) -> Bool:
    ink = (share >= np.float32(0.5)).view(np.uint8)
    square = np.ones((3, 3), np.uint8)
    return np.asarray(cv2.dilate(ink, square) != cv2.erode(ink, square), np.bool_)


def looks(share: F32, at: I64, blur_px: float) -> tuple[I64, U8]:
    """Return the places ``at`` (N,) in another order, and what is around each.

    That is (``LAYERS[0]``, N) uint8: the pixels around it and the blur. Patches are turned and
    mirrored so that ink lies to the right of them and below: a page that is turned or mirrored
    comes out the same.
    """
    return _around(_coded(share), at, blur_px)


def _coded(share: F32) -> U8:
    """Return ``share`` in codes, and ``REACH_PX`` more pixels on all sides, like the outermost."""
    codes = np.empty(share.shape, np.uint8)

    def fill(rows: slice) -> None:
        steps = share[rows] * np.float32(CODES)
        steps += np.float32(0.5 - LOWEST * CODES)
        codes[rows] = np.clip(steps, 0, FULL, out=steps)

    side_by_side(fill, strips(len(share), _SIDE // 8))
    ends = (REACH_PX,) * 4
    return np.asarray(cv2.copyMakeBorder(codes, *ends, cv2.BORDER_REPLICATE), np.uint8)


def _around(codes: U8, at: I64, blur_px: float) -> tuple[I64, U8]:
    seen = np.empty((LAYERS[0], len(at)), np.uint8)
    seen[-1] = min(int(FULL), round(blur_px * BLUR_CODES))
    if _edges is None:
        order = gather_by_numpy(codes, at, seen[:-1])
    else:
        order = gather_compiled(codes, at, seen[:-1])
    return at[order], seen


def gather_compiled(codes: U8, at: I64, seen: U8) -> I64:
    """Return what ``gather_by_numpy`` does, by ``_edges.c``: the same."""
    order = np.empty(len(at), np.int64)
    steps = np.array([[y * codes.shape[1] + x for y, x in _turned(kind)] for kind in range(8)])
    _edges.gather(
        codes, np.ascontiguousarray(at, np.int64), steps, order, seen, codes.shape[1], REACH_PX
    )
    return order


def gather_by_numpy(codes: U8, at: I64, seen: U8) -> I64:
    """Put what ``codes`` (H + 6, W + 6) hold around the places ``at`` (N,) into ``seen`` (49, N).

    Returns the order of the places (N,) in it.
    """
    flat, wide = codes.ravel(), codes.shape[1]
    rows, columns = np.divmod(at, wide - 2 * REACH_PX)
    middle = (rows + REACH_PX) * wide + columns + REACH_PX
    right, down = np.zeros(len(at), np.int16), np.zeros(len(at), np.int16)
    for along in (-1, 0, 1):
        for way in (-1, 1):
            right += way * flat[middle + (along * wide + way)].astype(np.int16)
            down += way * flat[middle + (along + way * wide)].astype(np.int16)
    kind = (right < 0) * 1 + (down < 0) * 2 + (abs(down) > abs(right)) * 4
    order = np.argsort(kind, kind="stable")
    middle = middle[order]
    starts = np.searchsorted(kind[order], np.arange(9))
    for number in range(8):
        part = slice(starts[number], starts[number + 1])
        own = middle[part] - REACH_PX * (wide + 1)
        for cell, (y, x) in enumerate(_turned(number)):
            # the pixels from the patch's own corner on, so that places need no sum
            seen[cell, part] = flat[(y + REACH_PX) * wide + x + REACH_PX :].take(own)
    return order


@cache
def _turned(kind: int) -> tuple[tuple[int, int], ...]:
    """Return the steps down and right from a pixel to those of its patch, turned and mirrored."""
    order = np.arange(SIDE * SIDE).reshape(SIDE, SIDE)
    order = order[:, ::-1] if kind & 1 else order
    order = order[::-1] if kind & 2 else order
    order = order.T if kind & 4 else order
    down, right = np.divmod(order.ravel(), SIDE)
    return tuple(zip((down - REACH_PX).tolist(), (right - REACH_PX).tolist(), strict=True))


def lone(seen: U8) -> Bool:
    """Return (N,) whether all that surrounds a patch is paper, or ink: a speck or a pinhole.

    What they are is judged elsewhere (``specks``).
    """
    half = round((0.5 - LOWEST) * CODES)
    around = seen[_RIM]
    return np.asarray((around.max(axis=0) < half) | (around.min(axis=0) >= half), np.bool_)


def _broad(seen: U8) -> F32:
    """Return (N,) 0..1: how far the network is asked, by how broad the stroke is."""
    row = seen[REACH_PX * SIDE : (REACH_PX + 1) * SIDE].astype(np.float32)
    row += np.float32(LOWEST * CODES)
    width = np.clip(row, 0, CODES).sum(axis=0) / np.float32(CODES)
    least, full = THIN_PX
    return np.asarray(np.clip((width - least) / (full - least), 0, 1), np.float32)


_RIM = np.flatnonzero(np.pad(np.zeros((SIDE - 2, SIDE - 2), bool), 1, constant_values=True))


def judged(seen: U8) -> F32:
    """Return (N,): by how much the share of ink differs from what light says, from ``looks``."""
    return (run_layers if _judge is None else run_compiled)(_layers(), seen)


def run_compiled(layers: list[tuple[F32, F32]], seen: U8) -> F32:
    """Return what ``run_layers`` does, by ``_edges.c``: the same."""
    share = np.float32(1 / UNIT)
    flat = [part.ravel() * share for layer in layers for part in layer]
    sizes = np.array([len(seen), *(len(bias) for _, bias in layers)], np.int64)
    told = np.empty(seen.shape[1], np.float32)
    _edges.judge(np.ascontiguousarray(seen), np.concatenate(flat), sizes, told, FULL)
    return told


def run_layers(layers: list[tuple[F32, F32]], seen: U8) -> F32:
    """Return (N,) what a network of ``layers`` (weights and bias each) makes of ``seen``."""
    # a power of two: weights so much smaller give the same sums, so much smaller
    share = np.float32(1 / UNIT)
    scaled: list[tuple[F32, F32]] = [(rows * share, offset * share) for rows, offset in layers]
    *inner, (weight, bias) = scaled
    value = seen.astype(np.float32)
    for rows, offset in inner:
        value = rows @ value
        value += offset[:, None]
        np.clip(np.rint(value, out=value), 0, FULL, out=value)
    return np.asarray((weight @ value + bias)[0] * np.float32(1 / FULL), np.float32)


@cache
def _layers() -> list[tuple[F32, F32]]:
    return unpack((files("inkclean.ink") / WEIGHTS).read_bytes())


def unpack(data: bytes) -> list[tuple[F32, F32]]:
    """Return the layers written in ``data``."""
    flat = np.frombuffer(data, "<i2").astype(np.float32)
    layers = []
    for rows, columns in pairwise(LAYERS):
        weight, flat = flat[: rows * columns].reshape(rows, columns), flat[rows * columns :]
        bias, flat = flat[:columns] * np.float32(FULL), flat[columns:]
        layers.append((np.ascontiguousarray(weight.T), bias))
    return layers
