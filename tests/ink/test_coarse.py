"""Ink on coarse pictures: crisp edges and the network, added up."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F32, Bool
from inkclean.ink.seen.coarse import coarse_ink
from inkclean.ink.seen.places import Places

HIGH, WIDE = 120, 160


def page(blur_px: float, pale: float) -> tuple[F32, Bool]:
    """Return two black strokes, a mark beside them, ``pale`` of their ink, and where it is."""
    black, mark = np.zeros((HIGH, WIDE), np.float32), np.zeros((HIGH, WIDE), np.float32)
    black[:, 20:26] = black[:, 50:56] = 1
    mark[:, 100:106] = 1
    light = 1 - 0.95 * cv2.GaussianBlur(black, (0, 0), 0.8)
    light *= 1 - 0.95 * pale * cv2.GaussianBlur(mark, (0, 0), blur_px)
    light += np.random.default_rng(3).normal(0, 0.004, light.shape)
    return light.astype(np.float32), mark > 0


def found(light: F32, mark: Bool, odds: float) -> float:
    """Return how much of the mark is ink if the network gives it such odds."""
    seen = np.full(light.shape, -6.0, np.float32)
    seen[:, 20:26] = seen[:, 50:56] = 6.0
    seen[mark] = odds
    ink = coarse_ink(light, Places(seen, 1, np.zeros((60, 80), np.float32))) > 0.5
    assert ink[:, 21:25].all()
    assert ink[:, 51:55].all()
    return float(ink[mark].mean())


def test_a_soft_mark_is_what_the_network_says() -> None:
    light, mark = page(4.0, 0.3)
    assert found(light, mark, 5.0) > 0.9
    assert found(light, mark, -5.0) == 0


def test_a_mark_that_edges_hardly_show_is_added() -> None:
    light, mark = page(4.0, 0.05)
    assert found(light, mark, 5.0) > 0.9
