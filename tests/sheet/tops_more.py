"""More tops of tables, drawn by chance as in ``tops``, that no framing was made with."""

from __future__ import annotations

import cv2
import numpy as np

from tests.sheet.desks import F64
from tests.sheet.tops import PER_MM, SIDE_MM, Image, Rng, cloud, field, tinted

_SIDE = int(SIDE_MM * PER_MM)


def granite(rng: Rng) -> Image:
    """Light granite: grains of two or three greys, close together."""
    top = field(tinted(rng, 0.78, 0.93, 0.02)).copy()
    for mm, depth in ((0.7, 0.10), (1.5, 0.12), (3.0, 0.07)):
        grains = cloud(rng, mm) > rng.uniform(0.6, 1.4)
        soft = cv2.GaussianBlur(grains.astype(np.float32), (0, 0), 0.7)
        top -= np.float32(depth * rng.uniform(0.3, 1.0)) * soft[..., None]
    return np.asarray(top + (0.02 * cloud(rng, 40))[..., None], np.float32)


def towel(rng: Rng) -> Image:
    """A pale towel: loops, folds that run across it, a woven border."""
    y, x = np.mgrid[:_SIDE, :_SIDE].astype(np.float32) / np.float32(PER_MM)
    angle = rng.uniform(0, np.pi)
    across = x * np.cos(angle) + y * np.sin(angle)
    folds = sum(
        rng.uniform(0.01, 0.05) * np.tanh(np.sin(across / length + rng.uniform(0, 6.3)) * 4)
        for length in rng.uniform(15, 60, 3)
    )
    loops = 0.035 * cloud(rng, 0.9) + 0.02 * cloud(rng, 2.2)
    border = 0.06 * (np.sin(across / 1.1) > 0.2) * (across % 260 < 30)
    out = field(tinted(rng, 0.78, 0.94, 0.03)) + (np.asarray(folds) + loops - border)[..., None]
    return np.asarray(out, np.float32)


def tiles(rng: Rng) -> Image:
    """Pale glazed tiles with joints, lighter or darker than they are."""
    top = field(tinted(rng, 0.8, 0.94, 0.02)) + (0.02 * cloud(rng, 25))[..., None]
    pitch = rng.uniform(60, 160) * PER_MM
    joint = rng.uniform(2, 5) * PER_MM
    at = np.arange(_SIDE, dtype=np.float32)
    gap = np.clip(joint / 2 - np.abs(at % pitch - pitch / 2) + 0.5, 0, 1)
    share = np.maximum(gap[:, None], gap[None])[..., None]
    tone = tinted(rng, 0.5, 0.97, 0.02) + (0.03 * cloud(rng, 1.0))[..., None]
    return _turned(np.asarray(top * (1 - share) + tone * share, np.float32), rng)


def squared_sheets(rng: Rng) -> Image:
    """Sheets with printed squares, lying across each other and all over the table."""
    top = field(tinted(rng, 0.3, 0.8, 0.1)).copy()
    for _ in range(int(rng.integers(2, 6))):
        middle = _SIDE / 2 + rng.uniform(-160, 160, 2) * PER_MM
        size = np.array([210.0, 297.0]) * PER_MM
        _squared(top, rng, middle, size)
    return top


def _squared(top: Image, rng: Rng, middle: F64, size: F64) -> None:
    turn = rng.uniform(0, np.pi)
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])

    def placed(points: F64) -> np.ndarray[tuple[int, ...], np.dtype[np.int32]]:
        at = (points - 0.5) * size @ spin.T + middle
        return np.asarray(np.rint(at * 16), np.int32)

    box = np.array([[0.0, 0.0], [1, 0], [1, 1], [0, 1]])
    shade = np.ones(top.shape[:2], np.float32)
    cv2.fillPoly(shade, [placed(box) + 32], 0.72, cv2.LINE_AA, 4)
    top *= cv2.GaussianBlur(shade, (0, 0), 2.5)[..., None]
    cv2.fillPoly(top, [placed(box)], tinted(rng, 0.86, 0.95, 0.01).tolist(), cv2.LINE_AA, 4)
    ink = tinted(rng, 0.55, 0.75, 0.04).tolist()
    for axis in (0, 1):
        for step in np.arange(5.0, size[axis] / PER_MM, 5.0) * PER_MM / size[axis]:
            ends = np.array([[step, 0.0], [step, 1.0]])
            line = placed(ends if axis == 0 else ends[:, ::-1])
            cv2.polylines(top, [line], False, ink, 1, cv2.LINE_AA, 4)


def _turned(top: Image, rng: Rng) -> Image:
    turn = cv2.getRotationMatrix2D((_SIDE / 2, _SIDE / 2), rng.uniform(0, 180), 1.45)
    return np.asarray(
        cv2.warpAffine(top, turn, (_SIDE, _SIDE), borderMode=cv2.BORDER_REFLECT), np.float32
    )
