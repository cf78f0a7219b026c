"""Thoughts, whose bubbles lead to who thinks, and black boxes with white letters."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F64, U8
from tests.lettering.pages import BALLOON, TEXT, Easel, kept, text_of
from tests.lettering.shapes import shape_of
from tests.lettering.words import FINER, Rng, Setter


def thoughts_and_blacks(easel: Easel, setter: Setter) -> None:
    """Lay one or two of each on a page, where there is room."""
    for _ in range(int(easel.rng.integers(1, 3))):
        thought(easel, setter)
    for _ in range(int(easel.rng.integers(1, 3))):
        black_box(easel, setter)


def thought(easel: Easel, setter: Setter) -> None:
    """A cloud around text, and two to four bubbles, each smaller than the one before."""
    rng = easel.rng
    mask, high = text_of(easel, setter, (4, 50))
    margin = rng.uniform(0.5, 1.2) * high * FINER
    half = 0.72 * (np.array(mask.shape[::-1]) + margin)
    at = [float(side) for side in half]
    way, discs = _bubbles(rng, half)
    reach = np.abs(discs[:, :2]).max(axis=0) + discs[0, 2]
    puffs = int(rng.integers(7, 14))
    wide = 2 * np.pi * np.sqrt((half**2).mean()) / puffs
    low = np.maximum(reach + FINER, half + 0.75 * wide + FINER)
    size = np.ceil(2 * low).astype(int)
    thick = round(float(np.exp(rng.uniform(np.log(0.22), np.log(0.8)))) * FINER)
    place = easel.free(int(size[0] * 0.8), int(size[1] * 0.8))
    if place is None:
        return
    cloud = np.zeros((size[1], size[0]), np.uint8)
    middle = size / 2
    axes = (round(at[0]), round(at[1]))
    cv2.ellipse(cloud, _whole(middle), axes, 0, 0, 360, 1, -1)
    turn = rng.uniform(0, 2 * np.pi)
    angle = turn + 2 * np.pi * (np.arange(puffs) + rng.normal(size=puffs) * 0.12) / puffs
    for one in np.stack([np.cos(angle), np.sin(angle)], 1) * half + middle:
        cv2.circle(cloud, _whole(one), round(wide * rng.uniform(0.52, 0.7)), 1, -1)
    bubbles = np.zeros_like(cloud)
    for x, y, radius in discs:
        spot = _whole(middle + np.array([x, y]))
        round_ = (max(1, round(radius)), max(1, round(radius * rng.uniform(0.75, 1.0))))
        own = np.zeros_like(cloud)
        cv2.ellipse(own, spot, round_, float(np.degrees(way)), 0, 360, 1, -1)
        if not (cv2.dilate(own, np.ones((5, 5), np.uint8)) & cloud).any():
            bubbles |= own
    rings = [_ring(part, thick) for part in (cloud, bubbles)]
    corner = place[0] - round(size[0] * 0.1), place[1] - round(size[1] * 0.1)
    easel.put(rings[0] | rings[1], *corner, BALLOON, np.asarray(cloud | bubbles, np.uint8))
    right, down = (round(m - n / 2) for m, n in zip(middle, mask.shape[::-1], strict=True))
    easel.put(mask, corner[0] + right, corner[1] + down, TEXT)
    kept(easel, rings[0], *corner, easel.outlines)
    kept(easel, rings[1], *corner, easel.bubbles)


def _bubbles(rng: Rng, half: F64) -> tuple[float, F64]:
    """Return which way the bubbles go, and x, y, radius of each, px from the cloud's middle."""
    way = float(rng.uniform(0.15, 0.85) * np.pi * (1 if rng.random() < 0.85 else -1))
    step = np.array([np.cos(way), np.sin(way)])
    away = 1.45 / float(np.hypot(*(step / half)))
    radius = float(rng.uniform(1.2, 2.6)) * FINER
    rows = []
    for _ in range(int(rng.integers(2, 5))):
        away += radius + rng.uniform(0.6, 1.6) * FINER
        side = rng.normal() * 0.25 * radius
        rows.append([*(step * away + side * np.array([-step[1], step[0]])), radius])
        away += radius
        radius *= rng.uniform(0.55, 0.8)
    return way, np.array(rows)


def black_box(easel: Easel, setter: Setter) -> None:
    """White letters on a black box or balloon, with a white rim or without."""
    rng = easel.rng
    mask, high = text_of(easel, setter, (4, 50))
    margin = rng.uniform(0.5, 1.3) * high * FINER
    wide, tall = mask.shape[1] + 2 * margin, mask.shape[0] + 2 * margin
    if rng.random() < 0.6:
        shape = np.array([[-wide, -tall], [wide, -tall], [wide, tall], [-wide, tall]]) / 2
    else:
        shape = shape_of(rng, mask.shape[1] + margin, mask.shape[0] + margin)
    rim = round(rng.uniform(0.3, 1.0) * FINER) if rng.random() < 0.5 else 0
    pad = rim + 4
    size = np.ceil(np.ptp(shape, axis=0)).astype(int) + 2 * pad
    place = easel.free(int(size[0]), int(size[1]))
    if place is None:
        return
    middle = pad - shape.min(axis=0)
    black = np.zeros((size[1], size[0]), np.uint8)
    cv2.fillPoly(black, [np.round(shape + middle).astype(np.int32)], 1)
    clear = cv2.dilate(black, np.ones((2 * rim + 1, 2 * rim + 1), np.uint8))
    right, down = (round(m - n / 2) for m, n in zip(middle, mask.shape[::-1], strict=True))
    black[down : down + mask.shape[0], right : right + mask.shape[1]] &= 1 - mask
    easel.put(black, *place, BALLOON, np.asarray(clear, np.uint8))
    kept(easel, black, *place, easel.black)


def _ring(filled: U8, thick: int) -> U8:
    contours, _ = cv2.findContours(filled, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    ring = np.zeros_like(filled)
    cv2.drawContours(ring, contours, -1, 1, thick)
    return ring


def _whole(at: F64) -> tuple[int, int]:
    return round(float(at[0])), round(float(at[1]))
