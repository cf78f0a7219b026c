"""Shapes on drawn comic pages: balloons, their tails, the white around letters."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F64, U8
from tests.lettering.words import FINER, Rng


def shape_of(rng: Rng, width: float, height: float) -> F64:
    """The outline of a balloon that holds a box so large, around 0, 0."""
    angle = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    power = rng.uniform(2.0, 3.6)
    c, s = np.cos(angle), np.sin(angle)
    grow = 2 ** (1 / power) * rng.uniform(1.02, 1.2)
    x = np.sign(c) * np.abs(c) ** (2 / power) * width / 2 * grow
    y = np.sign(s) * np.abs(s) ** (2 / power) * height / 2 * grow
    style = rng.choice(["plain", "plain", "wobbly", "cloud", "burst"])
    factor = np.ones_like(angle)
    if style == "wobbly":
        waves = range(2, 7)
        factor += sum(
            rng.normal() * 0.05 / k * np.cos(k * angle + rng.uniform(0, 7)) for k in waves
        )
    elif style == "cloud":
        factor += 0.09 * np.abs(np.sin(int(rng.integers(5, 9)) * angle / 1.0 + rng.uniform(0, 3)))
    elif style == "burst":
        teeth = int(rng.integers(9, 18))
        factor += 0.3 * np.abs((teeth * angle / (2 * np.pi)) % 1 - 0.5) * rng.uniform(0.7, 1.3)
    return np.stack([x * factor, y * factor], 1)


def tail_of(filled: U8, shape: F64, centre: F64, tail: float, rng: Rng) -> None:
    """Fill a tail in, so long, that leads out of a balloon."""
    at = int(rng.integers(len(shape)))
    foot = shape[at]
    way = foot / np.hypot(*foot) + rng.normal(size=2) * 0.4
    side = np.array([-way[1], way[0]]) * rng.uniform(1.0, 2.5) * FINER
    tip = foot + way * tail + rng.normal(size=2) * FINER
    inner = foot * 0.7
    bend = rng.normal() * tail * 0.2 * np.array([-way[1], way[0]])
    t = np.linspace(0, 1, 12)[:, None]

    def edge(start: F64) -> F64:
        return np.asarray(
            (1 - t) ** 2 * start + 2 * t * (1 - t) * (start / 2 + tip / 2 + bend) + t**2 * tip
        )

    outline = np.vstack([edge(inner + side), edge(inner - side)[::-1]])
    cv2.fillPoly(filled, [np.round(outline + centre).astype(np.int32)], 1)


def halo(mask: U8, mm: float) -> tuple[U8, U8, int]:
    """The mask with room around it, and the white around its letters."""
    reach = round(mm * FINER)
    wide = np.pad(mask, reach + 2)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    return wide, np.asarray(cv2.dilate(wide, disc), np.uint8), reach + 2
