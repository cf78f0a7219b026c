"""Parts of a page cover it once, and what is made of them does not depend on the threads."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inkclean.base.tiles import (
    BLOCK,
    blocks,
    both,
    even_strips,
    pixel_by_pixel,
    side_by_side,
    strips,
    tiles,
)


@settings(deadline=None)
@given(
    high=st.integers(1, 90),
    wide=st.integers(1, 90),
    side=st.integers(1, 40),
    halo=st.integers(0, 9),
)
def test_tiles_cover_a_page_once_and_see_around_themselves(
    high: int, wide: int, side: int, halo: int
) -> None:
    page = np.arange(high * wide).reshape(high, wide)
    seen = np.zeros((high, wide), np.int64)
    for tile in tiles((high, wide), side, halo):
        seen[tile.own] += 1
        around = page[tile.around]
        assert np.array_equal(around[tile.inner], page[tile.own])
        for own, wider, length in zip(tile.own, tile.around, (high, wide), strict=True):
            assert wider.start == max(0, own.start - halo)
            assert wider.stop == min(length, own.stop + halo)
    assert (seen == 1).all()


@pytest.mark.parametrize("length", [1, 2, 3, 25, 50, 64, 65, 399, 400])
def test_even_strips_keep_two_threads_busy_alike(length: int) -> None:
    parts = even_strips(length, 32)
    sizes = [part.stop - part.start for part in parts]
    assert [part.start for part in parts] == np.cumsum([0, *sizes[:-1]]).tolist()
    assert parts[-1].stop == length
    assert max(sizes) <= 32
    assert all(part.start % 2 == 0 for part in parts)
    halves = sum(sizes[0::2]), sum(sizes[1::2])
    assert length < 4 or max(halves) <= length / 2 + max(sizes)
    assert length < 4 or length > 64 or len(parts) % 2 == 0


@pytest.mark.parametrize("threads", [1, 2, 3])
def test_results_come_in_order_whatever_the_threads(threads: int) -> None:
    before = cv2.getNumThreads()
    try:
        cv2.setNumThreads(threads)
        assert side_by_side(lambda part: part.start, strips(100, 7)) == list(range(0, 100, 7))
        with pytest.raises(ZeroDivisionError):
            side_by_side(lambda part: 1 // (part.start - 7), strips(100, 7))
    finally:
        cv2.setNumThreads(before)


@pytest.mark.parametrize("threads", [1, 2])
def test_two_pieces_of_work_give_their_own(threads: int) -> None:
    before = cv2.getNumThreads()
    cv2.setNumThreads(threads)
    try:
        assert both(lambda: "one", lambda: 2) == ("one", 2)
        with pytest.raises(ZeroDivisionError):
            both(lambda: 1, lambda: 1 // 0)
    finally:
        cv2.setNumThreads(before)


def test_what_follows_pixel_by_pixel_is_the_same_in_strips() -> None:
    one = np.random.default_rng(0).normal(size=(75, 9)).astype(np.float32)
    colours = np.stack([one, one + 1, one - 1], axis=2)
    found = pixel_by_pixel(
        lambda rows, three: [np.exp(rows), rows * three[..., 2]], (one, colours), 2
    )
    assert np.array_equal(found[0], np.exp(one))
    assert np.array_equal(found[1], one * colours[..., 2])


@pytest.mark.parametrize("length", [0, 1, BLOCK - 1, BLOCK, 2 * BLOCK - 1, 2 * BLOCK + 3])
def test_blocks_cover_a_row_once_and_none_is_small(length: int) -> None:
    cut = blocks(length)
    assert [at for part in cut for at in (part.start, part.stop)][::2] == [
        BLOCK * number for number in range(len(cut))
    ]
    assert sum(part.stop - part.start for part in cut) == length
    assert all(part.stop - part.start >= min(BLOCK, length) for part in cut)


def test_blocks_give_complex_products_to_the_bit() -> None:
    rng = np.random.default_rng(5)
    one, other = rng.normal(size=(2, 3 * BLOCK + 77, 2)).astype(np.float32)
    z, w = (np.ascontiguousarray(part).view(np.complex64)[:, 0] for part in (one, other))

    def turned(some: slice) -> np.ndarray:
        ahead = z[some] - w[some]
        return np.asarray(np.abs(ahead * np.conj(w[some] + z[some])))

    parts = [turned(part) for part in blocks(z.size)]
    assert np.array_equal(np.concatenate(parts), turned(slice(None)))
