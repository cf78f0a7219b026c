"""Reflectance by parts is the same as all of it at once."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inkclean.base.arrays import F32
from inkclean.base.colour import to_linear
from inkclean.sheet.lit import (
    Lit,
    at,
    averaged,
    channels,
    every,
    gain_on,
    repeated,
    rows_of,
    stretched,
    whole,
)


def _lit(high: int, wide: int, seed: int, *, blank: bool = False) -> Lit:
    random = np.random.default_rng(seed)
    pixels = random.integers(0, 256, (high, wide, 3), np.uint8)
    gain = 1 + random.random((-(-high // 4), -(-wide // 4), 3), np.float32)
    off = random.random((high, wide)) < 0.2 if blank else None
    return Lit(pixels, gain, off)


@settings(deadline=None)
@given(
    high=st.integers(1, 80),
    wide=st.integers(1, 60),
    seed=st.integers(0, 99),
    blank=st.booleans(),
)
def test_parts_are_the_same_as_the_whole(high: int, wide: int, seed: int, blank: bool) -> None:
    tone = _lit(high, wide, seed, blank=blank)
    all_of_it = whole(tone)
    assert all_of_it.shape == (high, wide, 3)
    assert all_of_it.max() <= 1.5
    if tone.blank is not None:
        assert (all_of_it[tone.blank] == 1).all()
    part = slice(high // 3, high)
    assert np.allclose(rows_of(tone, part), all_of_it[part], atol=1e-6)
    rows, columns = np.nonzero(np.random.default_rng(seed).random((high, wide)) < 0.3)
    assert np.allclose(at(tone, rows, columns), all_of_it[rows, columns], atol=1e-5)
    thin = slice(None, None, 3)
    assert np.allclose(every(tone, thin, thin, 1), all_of_it[thin, thin, 1], atol=1e-5)
    assert np.array_equal(whole(all_of_it), all_of_it)


@pytest.mark.parametrize("factor", [1, 2, 3, 5])
def test_means_are_those_of_all_px(factor: int) -> None:
    tone = _lit(31, 47, 3, blank=True)
    tone = Lit(tone.pixels // 2, np.ones_like(tone.gain), tone.blank)
    mean = averaged(tone, factor)
    assert mean.shape == (-(-31 // factor), -(-47 // factor), 3)
    high, wide = 31 // factor, 47 // factor
    inner = whole(tone)[: high * factor, : wide * factor]
    wanted = inner.reshape(high, factor, wide, factor, 3).mean(axis=(1, 3))
    assert np.allclose(mean[:high, :wide], wanted, atol=1e-5)
    plane: F32 = np.ascontiguousarray(whole(tone)[..., 1])
    assert np.allclose(averaged(plane, factor), mean[..., 1], atol=1e-5)


def test_channels_times_gain_are_the_reflectance() -> None:
    """Light that changes evenly is the same read from its grid or from a coarser one."""
    pixels = np.random.default_rng(4).integers(0, 200, (60, 48, 3), np.uint8)
    slope = np.linspace(1.0, 1.2, 15, dtype=np.float32)[:, None, None]
    tone = Lit(pixels, np.ascontiguousarray(np.broadcast_to(slope, (15, 12, 3))))
    gain = gain_on(tone, 3)
    assert gain is not None
    red = channels(tone, slice(0, 60))[0]
    assert np.array_equal(red, to_linear(pixels[..., 0]))
    lit = red * stretched(np.ascontiguousarray(gain[..., 0]), 3, slice(0, 60), 48)
    inner = slice(6, 54)
    assert np.allclose(lit[inner], whole(tone)[inner, :, 0], atol=2e-3)


@pytest.mark.parametrize("factor", [1, 2, 5])
def test_stretched_and_repeated_parts_fit_together(factor: int) -> None:
    random = np.random.default_rng(factor)
    high, wide = 37, 53
    size = (-(-high // factor), -(-wide // factor))
    plane, mask = random.random(size, np.float32), random.random(size) < 0.5
    once = stretched(plane, factor, slice(0, high), wide)
    parts = [
        stretched(plane, factor, slice(top, min(top + 2 * factor, high)), wide)
        for top in range(0, high, 2 * factor)
    ]
    assert np.array_equal(np.concatenate(parts), once)
    wanted = np.kron(mask, np.ones((factor, factor), np.bool_))[:high, :wide]
    part = slice(3, 31), slice(7, 50)
    assert np.array_equal(repeated(mask, factor, part), wanted[part])
