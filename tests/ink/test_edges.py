"""The edge comes to lie where the ink ends, however the camera sharpened; nothing else moves."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import F32, Bool
from inkclean.ink.edges import (
    LAYERS,
    REACH_PX,
    SIDE,
    beside_edges,
    gather_by_numpy,
    gather_compiled,
    judged,
    looks,
    run_compiled,
    run_layers,
    settle_edges,
)
from inkclean.ink.levels import EdgeLevels, deblur, deblur_gain
from inkclean.sheet.check import edge_blur_px
from tests.sheet.icc import decode_srgb, encode_srgb

FINE = 8  # px of the true shapes a px of the picture
PAPER, INK = 0.8, 0.04


def shapes() -> tuple[F32, Bool]:
    """Return the true share of ink (H, W), by area, and the ink ``FINE`` times as fine: discs
    and bars of known size."""
    fine = np.zeros((220 * FINE, 320 * FINE), np.uint8)
    for number, radius in enumerate((4.0, 9.0, 17.3, 26.6)):
        centre = (int((30 + 75 * number + 0.37) * FINE), int(40.6 * FINE))
        cv2.circle(fine, centre, int(radius * FINE), 1, -1)
    for number, wide in enumerate((2.3, 3.1, 4.7, 8.2, 13.4)):
        centre = ((20 + 60 * number) * FINE, 150 * FINE)
        box = (centre, (wide * FINE, 110.0 * FINE), 12.0 + 4 * number)
        cv2.fillPoly(fine, [np.rint(cv2.boxPoints(box)).astype(np.int32)], 1)
    share = cv2.resize(fine.astype(np.float32), (320, 220), interpolation=cv2.INTER_AREA)
    return np.asarray(share, np.float32), fine > 0


def seen(true: F32, blur: float, sharpen: float, noise: float) -> tuple[F32, float]:
    """Return the share of ink by the level of light, and the blur as it is measured, where a
    camera blurs, adds noise, and sharpens its codes."""
    light = PAPER + (INK - PAPER) * cv2.GaussianBlur(true, (0, 0), blur)
    light = light + np.random.default_rng(3).normal(0, noise, true.shape)
    codes = encode_srgb(np.clip(light, 0, 1))
    codes = codes + sharpen * (codes - cv2.GaussianBlur(codes, (0, 0), 1.2))
    light = decode_srgb(np.clip(codes, 0, 1))
    reflectance = np.asarray(light / PAPER, np.float32)
    found = edge_blur_px(reflectance)
    share = np.clip((1 - reflectance) / np.float32(1 - INK / PAPER), -0.2, 1.1)
    gain = deblur_gain(found)
    share = deblur(np.asarray(share, np.float32), found, gain)
    share -= EdgeLevels(found, gain).of(share)
    share += np.float32(0.5)
    return share, found


def away(share: F32, true: Bool) -> tuple[float, float]:
    """Return how far the edge lies outwards of the true one in px, in the mean, and how far off
    it is either way. ``share`` is read bilinearly, ``true`` is finer."""
    size = (true.shape[1], true.shape[0])
    ink = cv2.resize(share, size, interpolation=cv2.INTER_LINEAR) >= 0.5
    length = len(beside_edges(true.astype(np.float32))) / 2
    more, less = float((ink & ~true).sum()), float((true & ~ink).sum())
    return (more - less) / length / FINE, (more + less) / length / FINE


@pytest.mark.parametrize(
    ("blur", "sharpen"), [(0.6, 0.2), (0.6, 0.6), (0.9, 0.3), (0.9, 0.5), (1.3, 0.3)]
)
def test_edges_are_truer_than_the_level_of_light(blur: float, sharpen: float) -> None:
    area, true = shapes()
    share, found = seen(area, blur, sharpen, 0.02)
    before = away(share, true)
    settle_edges(share, found)
    after = away(share, true)
    assert after[1] < before[1]
    assert abs(after[0]) < max(0.75 * abs(before[0]), 0.035)


def test_what_no_camera_sharpened_comes_out_hardly_heavier() -> None:
    area, true = shapes()
    share, found = seen(area, 0.9, 0.0, 0.02)
    settle_edges(share, found)
    outwards, either = away(share, true)
    # px, of 12 to the mm
    assert 0 < outwards < 0.06
    assert either < 0.07


def test_only_pixels_beside_the_edge_move_and_no_stroke_goes() -> None:
    share, found = seen(shapes()[0], 0.8, 0.3, 0.02)
    before = share.copy()
    settle_edges(share, found)
    moved = np.flatnonzero(share != before)
    assert len(moved)
    assert np.isin(moved, beside_edges(before)).all()
    counts = [cv2.connectedComponents((part >= 0.5).view(np.uint8))[0] for part in (before, share)]
    assert counts[0] == counts[1]


def test_what_is_too_soft_and_what_has_no_edge_is_left() -> None:
    share, _ = seen(shapes()[0], 0.8, 0.3, 0.02)
    before = share.copy()
    settle_edges(share, 3.5)
    np.testing.assert_array_equal(share, before)
    bare = np.full((40, 30), 0.2, np.float32)
    settle_edges(bare, 0.8)
    assert (bare == np.float32(0.2)).all()


def test_sums_are_the_same_in_any_order_and_number() -> None:
    share, found = seen(shapes()[0], 0.7, 0.4, 0.03)
    _, patches = looks(share, beside_edges(share), found)
    whole = judged(patches)
    np.testing.assert_array_equal(judged(patches[:, ::-1])[::-1], whole)
    parts = [judged(part) for part in np.array_split(patches, 7, axis=1)]
    np.testing.assert_array_equal(np.concatenate(parts), whole)


@pytest.mark.parametrize("change", [np.rot90, np.flipud, np.fliplr, np.transpose])
def test_a_page_that_is_turned_or_mirrored_comes_out_the_same(
    change: Callable[[F32], F32],
) -> None:
    share, found = seen(shapes()[0], 0.7, 0.4, 0.03)
    other = np.ascontiguousarray(change(share))
    settle_edges(share, found)
    settle_edges(other, found)
    unlike = np.abs(other - change(share)) > 1e-6
    # but for patches as dark to one side as to the other
    assert unlike.mean() < 1e-3


def test_specks_and_pinholes_are_left_to_their_own_judge() -> None:
    share = np.zeros((60, 60), np.float32)
    share[30:, :] = 1
    share[10:12, 10:12] = 0.7
    share[45, 20] = 0.3
    before = share.copy()
    settle_edges(share, 0.8)
    np.testing.assert_array_equal(share[5:18, 5:18], before[5:18, 5:18])
    np.testing.assert_array_equal(share[40:50, 15:25], before[40:50, 15:25])
    assert (share[29:31] != before[29:31]).any()


def test_what_is_compiled_gathers_the_same() -> None:
    pytest.importorskip("inkclean.ink._edges", reason="not compiled here")
    random = np.random.default_rng(5)
    codes = random.integers(0, 256, (60 + 2 * REACH_PX, 41 + 2 * REACH_PX), np.uint8)
    codes[20:40, 10:30] = 128  # no way is steeper than another
    at = np.sort(random.choice(60 * 41, 900, replace=False))
    one, other = (np.zeros((SIDE * SIDE, 900), np.uint8) for _ in range(2))
    wanted, found = gather_by_numpy(codes, at, one), gather_compiled(codes, at, other)
    assert np.array_equal(found, wanted)
    assert np.array_equal(other, one)
    with pytest.raises(ValueError, match="fit each other"):
        gather_compiled(codes, at + 60 * 41, other)


def test_what_is_compiled_judges_the_same() -> None:
    module = pytest.importorskip("inkclean.ink._edges", reason="not compiled here")
    if not hasattr(module, "judge"):
        pytest.skip("compiled before it could judge")
    random = np.random.default_rng(6)
    seen = random.integers(0, 256, (LAYERS[0], 1000 + 37), np.uint8)
    seen[:, :40] = np.array([0, 255], np.uint8)[np.arange(40) % 2]
    # halves between whole numbers too, and what lies beyond them
    layers = [
        (
            np.asarray(random.integers(-300, 300, (after, before)), np.float32),
            np.asarray(random.integers(-20_000, 20_000, after) * 2, np.float32),
        )
        for before, after in pairwise(LAYERS)
    ]
    layers[0][0][0], layers[0][1][0] = 0, 128 + 256 * 2
    layers[0][0][1], layers[0][1][1] = 0, 128 + 256 * 3
    assert np.array_equal(run_compiled(layers, seen), run_layers(layers, seen))
    with pytest.raises(ValueError, match="fit each other"):
        run_compiled(layers[1:], seen)
