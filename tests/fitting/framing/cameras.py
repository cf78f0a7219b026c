"""Cameras and poses by chance: where a sheet of length 1 lies in a picture."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]
Rng = np.random.Generator
# Shares of pictures: the sheet whole, its sides near the picture's borders, cut by them, beyond all
# of them, scanned.
MODES = {"whole": 0.34, "near": 0.1, "cut": 0.38, "beyond": 0.11, "scan": 0.07}
BESIDE = 0.6  # of the sheet in the picture that another beside it may show: else which is meant?
UNDER, TOUCHING = 2.5, 0.25  # the same of one that lies under so much of it
TRIES = 6
AWAY = np.array([60.0, 60.0])  # out of sight


def page_half(rng: Rng) -> F64:
    """Return half the width and height of a sheet whose longer side is 1."""
    ratio = 2**0.5 if rng.random() < 0.5 else rng.choice([11 / 8.5, 1.0, 1.5, rng.uniform(1, 2.2)])
    half = np.array([0.5 / ratio, 0.5])
    return half if rng.random() < 0.65 else half[::-1].copy()


def camera(rng: Rng, half: F64, size: tuple[int, int]) -> tuple[F64, str]:
    """Return the matrix from the sheet's plane to a picture (width, height) px, and its mode."""
    mode = str(rng.choice(list(MODES), p=list(MODES.values())))
    longer = rng.choice([4 / 3, 4 / 3, 1.5, 16 / 9, 2**0.5, rng.uniform(1, 2)])
    seen = np.array([1.0, longer] if size[1] > size[0] else [longer, 1.0])
    focal = np.hypot(*seen) * np.exp(rng.normal(-0.35, 0.25))
    lean = rng.normal(0, np.radians(rng.choice([2, 8, 16])), 2).clip(-0.6, 0.6)
    spin = rng.random()
    turn = (
        rng.normal(0, 0.1)
        if spin < 0.7
        else rng.normal(0, 0.02)
        if spin < 0.8
        else rng.uniform(-np.pi, np.pi)
    )
    fill = {
        "whole": rng.uniform(0.45, 0.98) if rng.random() < 0.8 else rng.uniform(0.3, 0.5),
        "near": rng.uniform(0.92, 1.02),
        "cut": np.exp(rng.uniform(np.log(0.6), np.log(1.9))),
        "beyond": rng.uniform(1.15, 2.6),
        "scan": rng.uniform(0.75, 1.06),
    }[mode]
    if mode == "near":
        lean, turn = lean * 0.4, rng.normal(0, 0.02)
    if mode == "scan":
        lean, turn = np.zeros(2), rng.normal(0, 0.012) + rng.choice([0, np.pi / 2], p=[0.8, 0.2])
    c, s = np.cos(turn), np.sin(turn)
    around = np.abs(np.array([[c, s], [s, c]])) @ half * 2
    scale = fill * float((seen / around).min())
    spinning = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    (ca, sa), (cb, sb) = ((np.cos(a), np.sin(a)) for a in lean)
    leaning = np.array([[1, 0, 0], [0, ca, -sa], [0, sa, ca]]) @ np.array(
        [[cb, 0, sb], [0, 1, 0], [-sb, 0, cb]]
    )
    turned = leaning @ spinning
    plane = np.column_stack([turned[:, 0], turned[:, 1], [0, 0, focal / scale]])
    room = np.maximum(seen - around * scale, 0.0)
    shift = {
        "whole": rng.uniform(-0.55, 0.55, 2) * room,
        "near": rng.uniform(-0.04, 0.04, 2) * seen,
        "cut": rng.uniform(-0.5, 0.5, 2) * seen * rng.choice([0.0, 1.0, 1.0], 2),
        "beyond": rng.uniform(-0.06, 0.06, 2) * seen,
        "scan": rng.uniform(-0.5, 0.5, 2) * room,
    }[mode]
    lens = np.array([[focal, 0, 0], [0, focal, 0], [0, 0, 1.0]])
    middle = np.eye(3)
    middle[:2, 2] = seen / 2 + shift
    stretch = np.diag([size[0] / seen[0], size[1] / seen[1], 1.0])
    return stretch @ middle @ lens @ plane, mode


def others(rng: Rng, kind: str, half: F64) -> tuple[F64, float, F64]:
    """Return middle (2,), turn and half size (2,) of another sheet of a ``kind`` of heap."""
    same = half if rng.random() < 0.75 else page_half(rng) * rng.uniform(0.5, 1.4)
    if kind == "stack":
        return rng.normal(0, 0.02, 2), rng.normal(0, 0.015), same
    if kind == "fan":
        return rng.normal(0, 0.12, 2), rng.normal(0, 0.25), same
    if kind == "rows":
        step = rng.integers(-2, 3, 2) * 2 * half * rng.uniform(0.9, 1.1)
        return step + rng.normal(0, 0.02, 2), rng.normal(0, 0.01), same
    return rng.normal(0, 0.6, 2), rng.uniform(-np.pi, np.pi), same


def placed(rng: Rng, kind: str, half: F64, picture: F64) -> tuple[F64, float, F64]:
    """Return middle, turn and half size of another sheet that is plainly not the one meant.

    ``picture`` (4, 2) is what the picture shows of the plane. The sheet meant lies on all that it
    touches, and shows more of itself than others beside it.
    """
    for _ in range(TRIES):
        at, turn, size = others(rng, kind, half)
        if _is_other(_box(at, turn, size), half, picture):
            return at, turn, size
    return AWAY, 0.0, half


def beside(rng: Rng, half: F64, picture: F64) -> F64:
    """Return the middle (2,) of a notebook's other page, out of sight if it might be meant."""
    across = int(rng.random() < 0.4)
    for sign in rng.permutation([-1.0, 1.0]):
        at = np.zeros(2)
        at[across] = 2 * half[across] * sign
        if _is_other(_box(at, 0.0, half), half, picture):
            return at
    return AWAY


def pictured(matrix: F64, size: tuple[int, int]) -> F64:
    """Return what a picture (width, height) shows of the sheet's plane, (4, 2)."""
    corners = np.array([[0, 0, 1], [size[0], 0, 1], [*size, 1], [0, size[1], 1]], np.float64)
    back = np.linalg.inv(matrix)
    seen = corners @ back.T / (back @ np.array([size[0] / 2, size[1] / 2, 1.0]))[2]
    return np.asarray(seen[:, :2] / np.maximum(seen[:, 2:], 0.02), np.float64)


def _box(at: F64, turn: float, half: F64) -> F64:
    c, s = np.cos(turn), np.sin(turn)
    box = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
    return np.asarray(box @ np.array([[c, s], [-s, c]]) + at, np.float64)


def _is_other(box: F64, half: F64, picture: F64) -> bool:
    own = _both(_box(np.zeros(2), 0.0, half), picture)
    if own is None:
        return False
    seen = _both(box, picture)
    if seen is None:
        return True
    covered = _both(seen, own)
    hidden = 0.0 if covered is None else cv2.contourArea(covered.astype(np.float32))
    whole = cv2.contourArea(own.astype(np.float32))
    shown = cv2.contourArea(seen.astype(np.float32)) - hidden
    return bool(shown < (UNDER if hidden > TOUCHING * whole else BESIDE) * whole)


def _both(one: F64, other: F64) -> F64 | None:
    area, corners = cv2.intersectConvexConvex(one.astype(np.float32), other.astype(np.float32))
    return corners[:, 0].astype(np.float64) if area > 0 and corners is not None else None
