"""Art that looks like lettering from afar: figures in a row, tufts of grass, loops and ticks."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from inkclean.base.arrays import F64, U8
from tests.lettering import words
from tests.lettering.textures import ART
from tests.lettering.words import FINER, Rng


def crowd(part: U8, rng: Rng, drawings: Callable[[Rng], U8]) -> None:
    """Draw a row or three of small figures, side by side or behind each other."""
    high = rng.uniform(3, 16) * FINER
    own = [drawings(rng) for _ in range(int(rng.integers(1, 4)))]
    left = rng.uniform(0, 0.6) * part.shape[1]
    top = rng.uniform(0, 0.9) * part.shape[0]
    apart, drop = rng.uniform(-0.35, 0.6), rng.uniform(-0.25, 0.25)
    hides = rng.random() < 0.7
    for row in range(int(rng.integers(1, 4))):
        x = left + rng.uniform(0, 1) * high
        y = top + row * high * rng.uniform(0.4, 1.1)
        for _ in range(int(rng.integers(2, 14))):
            mask = own[int(rng.integers(len(own)))]
            scale = high * float(rng.uniform(0.8, 1.2)) / mask.shape[0]
            small = _thick(words.turned(mask, float(rng.normal() * 3), (scale, scale)), rng)
            small = small[:, ::-1] if rng.random() < 0.3 else small
            small = small[: round(small.shape[0] * (1.0 if rng.random() < 0.7 else 0.6))]
            _lay(part, small, round(x), round(y + rng.normal() * 0.06 * high), hides)
            x += small.shape[1] * (1 + apart + 0.1 * rng.normal())
            y += drop * high * 0.3


def _thick(mask: U8, rng: Rng) -> U8:
    """Return a small figure drawn by a pen: at least 0.15 to 0.5 mm broad."""
    inner = cv2.erode(mask, np.ones((3, 3), np.uint8))
    broad = 4 * float(mask.sum()) / max(float(mask.sum() - inner.sum()), 1.0)
    lacking = rng.uniform(0.15, 0.5) * FINER - broad
    if lacking < 1:
        return mask
    wide = 1 + 2 * max(1, round(lacking / 2))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (wide, wide))
    return np.asarray(cv2.dilate(np.pad(mask, wide), disc), np.uint8)


def _lay(part: U8, mask: U8, x: int, y: int, hides: bool) -> None:
    rows = slice(max(y, 0), min(y + mask.shape[0], part.shape[0]))
    columns = slice(max(x, 0), min(x + mask.shape[1], part.shape[1]))
    if rows.stop <= rows.start or columns.stop <= columns.start:
        return
    cut = mask[rows.start - y : rows.stop - y, columns.start - x : columns.stop - x]
    target = part[rows, columns]
    if hides:
        contours, _ = cv2.findContours(cut.copy(), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        whole = np.zeros(cut.shape, np.uint8)
        cv2.drawContours(whole, contours, -1, 1, -1)
        target[whole > 0] = 0
    target[cut > 0] = ART


def grass(part: U8, rng: Rng) -> None:
    """Draw tufts and zigzags as a quick hand does, along a line or over a patch."""
    high = rng.uniform(0.8, 7) * FINER
    thick = max(2, round(rng.uniform(0.1, 0.4) * FINER))
    at = rng.uniform(0, 0.8, 2) * np.array(part.shape[::-1])
    slope, lean = rng.uniform(-0.3, 0.3), rng.normal() * 0.3
    lines: list[F64] = []
    for _ in range(int(rng.integers(1, 4))):
        x, y = at + rng.normal(size=2) * high
        for _ in range(int(rng.integers(2, 16))):
            lines.append(_tuft(np.array([x, y]), high * rng.uniform(0.5, 1.2), lean, rng))
            step = np.ptp(lines[-1][:, 0]) + high * rng.choice([0.1, 0.4, 1.2]) * rng.random()
            x, y = x + step, y + slope * step + rng.normal() * 0.08 * high
        at = at + np.array([0, high * rng.uniform(0.9, 2.0)])
    ends = [np.round(line * 16).astype(np.int32) for line in lines]
    cv2.polylines(part, ends, False, ART, thick, cv2.LINE_8, 4)


def _tuft(foot: F64, high: float, lean: float, rng: Rng) -> F64:
    """Return the stroke of a tuft: up and down some times, or a loop, a tick, a hook."""
    turns = int(rng.integers(1, 6))
    wide = high * rng.uniform(0.15, 0.6)
    points = [foot]
    for k in range(turns + 1):
        up = high * rng.uniform(0.5, 1.0) * (k % 2 == 0)
        points.append(foot + np.array([wide * (k + rng.uniform(0.2, 0.8)) + lean * up, -up]))
    if rng.random() < 0.4:
        points.append(points[-1] + rng.normal(size=2) * 0.3 * high)
    line = np.array(points)
    return words._smooth(line) if rng.random() < 0.6 else line
