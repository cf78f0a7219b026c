"""Compiled convolutions beside sums in double precision."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from inkclean.base import convolve as module
from inkclean.base.arrays import F32, F64
from inkclean.base.convolve import LANES, Kernel, Planes, can_convolve, convolve

pytestmark = pytest.mark.skipif(not can_convolve(), reason="nothing was compiled here")


def _planes(picture: F32, rim: int = 1) -> Planes:
    blocks = -(-len(picture) // LANES)
    planes = Planes.empty(blocks, picture.shape[1], picture.shape[2], rim)
    full = np.zeros((blocks * LANES, *picture.shape[1:]), np.float32)
    full[: len(picture)] = picture
    planes.inner[:] = full.reshape(blocks, LANES, *picture.shape[1:]).transpose(0, 2, 3, 1)
    return planes


def _flat(planes: Planes) -> F32:
    return planes.inner.transpose(0, 3, 1, 2).reshape(-1, *planes.size)


def _sums(picture: F32, weights: F32, bias: F32, stride: int) -> F64:
    size, pad = weights.shape[2], (weights.shape[2] - 1) // 2
    wide = np.pad(picture.astype(np.float64), ((0, 0), (pad, size), (pad, size)))
    high, across = (side // stride for side in picture.shape[1:])
    found: F64 = np.zeros((len(weights), high, across))
    found += bias[:, None, None]
    for down in range(size):
        for right in range(size):
            rows = slice(down, down + stride * high, stride)
            part = wide[:, rows, right : right + stride * across : stride]
            found += np.einsum("kc,chw->khw", weights[:, :, down, right].astype(np.float64), part)
    return found


@pytest.mark.parametrize(
    ("channels", "outputs", "size", "stride", "shape"),
    [
        (5, 32, 6, 2, (38, 50)),
        (5, 8, 3, 1, (33, 47)),
        (16, 20, 3, 1, (40, 26)),
        (48, 64, 3, 2, (34, 30)),
        (32, 40, 3, 1, (18, 106)),
        (100, 9, 3, 1, (2, 2)),
        (24, 16, 3, 1, (9, 10)),
        (24, 5, 1, 1, (3, 1)),
    ],
)
def test_sums_are_those_of_double_precision(
    channels: int, outputs: int, size: int, stride: int, shape: tuple[int, int]
) -> None:
    rng = np.random.default_rng(channels)
    picture = rng.normal(size=(channels, *shape)).astype(np.float32)
    scale = size * np.sqrt(channels)
    weights = (rng.normal(size=(outputs, channels, size, size)) / scale).astype(np.float32)
    bias = rng.normal(size=outputs).astype(np.float32)
    kernel = Kernel.of(weights, bias, (size - 1) // 2)
    source = _planes(picture, rim=2)
    target = Planes.empty(kernel.blocks, shape[0] // stride, shape[1] // stride)
    convolve(kernel, source, target, stride=stride, above=False)
    wanted = _sums(picture, weights, bias, stride)
    assert np.abs(_flat(target)[:outputs] - wanted).max() < 2e-5
    convolve(kernel, source, target, stride=stride, added=target)
    assert np.abs(_flat(target)[:outputs] - np.maximum(2 * wanted, 0)).max() < 4e-5
    rim = target.data.copy()
    rim[:, 1:-1, 1:-1] = 0
    assert not rim.any()


@pytest.mark.skipif(module.AT_ONCE <= LANES, reason="this processor takes no more at a time")
@pytest.mark.parametrize(("channels", "shape"), [(5, (9, 61)), (16, (6, 50)), (40, (20, 106))])
def test_more_lanes_change_nothing(
    channels: int, shape: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(channels)
    weights = rng.normal(size=(40, channels, 3, 3)).astype(np.float32)
    kernel = Kernel.of(weights, rng.normal(size=40).astype(np.float32), 1)
    source = _planes(rng.normal(size=(channels, *shape)).astype(np.float32))
    found = []
    for lanes in (LANES, module.AT_ONCE):
        monkeypatch.setattr(module, "AT_ONCE", lanes)
        target = Planes.empty(kernel.blocks, *shape)
        target.inner[:] = 1
        convolve(kernel, source, target, added=target)
        found.append(target.data)
    assert np.array_equal(found[0], found[1])


def test_threads_change_nothing() -> None:
    rng = np.random.default_rng(3)
    kernel = Kernel.of(
        rng.normal(size=(16, 16, 3, 3)).astype(np.float32), np.zeros(16, np.float32), 1
    )
    source = _planes(rng.normal(size=(16, 100, 90)).astype(np.float32))
    found = []
    usual = cv2.getNumThreads()
    try:
        for threads in (1, 3):
            cv2.setNumThreads(threads)
            found.append(Planes.empty(2, 100, 90))
            convolve(kernel, source, found[-1])
    finally:
        cv2.setNumThreads(usual)
    assert np.array_equal(found[0].data, found[1].data)


def test_nothing_is_read_or_written_beside_the_arrays() -> None:
    kernel = Kernel.of(np.ones((8, 8, 3, 3), np.float32), np.zeros(8, np.float32), 1)
    source, target = Planes.empty(1, 20, 20), Planes.empty(1, 20, 20)
    for places in (
        [source.steps(-1), [0] * 4, target.steps(0)],
        [source.steps(1), [0] * 4, target.steps(0)],
        [source.steps(0), [0] * 4, target.steps(2)],
        [source.steps(0, 0, 1, 3), [0] * 4, target.steps(0)],
    ):
        with pytest.raises(ValueError, match="do not fit"):
            module.run(kernel, source, None, target, places, (20, 20), True)


def test_nor_is_it_by_squares() -> None:
    kernel = Kernel.of(np.ones((8, 24, 3, 3), np.float32), np.zeros(8, np.float32), 1)
    source, target = Planes.empty(3, 20, 20), Planes.empty(1, 20, 20)
    for size, places in (
        ((20, 20), [source.steps(0, 0), [0] * 4, target.steps(0)]),
        ((20, 20), [source.steps(-1, -1), [0] * 4, target.steps(2)]),
        ((19, 20), [source.steps(-1, -1), [0] * 4, target.steps(0)]),
    ):
        with pytest.raises(ValueError, match="do not fit"):
            module.run(kernel, source, None, target, places, size, True, True)


@pytest.mark.parametrize(("channels", "rim"), [(5, 2), (16, 1), (13, 1), (8, 0)])
def test_cells_are_laid_in_blocks_as_by_numpy(channels: int, rim: int) -> None:
    rng = np.random.default_rng(channels)
    cells = rng.normal(size=(channels, 9, 7)).astype(np.float32)
    laid, wanted = (Planes.empty(-(-channels // LANES), 9, 7, rim) for _ in range(2))
    for rows in (slice(0, 4), slice(4, 9)):
        module.lay_rows(cells, laid, rows)
        module.lay_by_numpy(cells, wanted, rows)
    assert np.array_equal(laid.data, wanted.data)
    assert np.array_equal(_flat(laid)[:channels], cells)
    assert not _flat(laid)[channels:].any()
    with pytest.raises(ValueError, match="do not fit"):
        module.lay_rows(cells[:, :8].copy(), laid, slice(0, 8))
    with pytest.raises(ValueError, match="do not fit"):
        module.lay_rows(cells, laid, slice(4, 10))
