"""What covers an area without parting it: grain, foliage, ripples, fur along an outline."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F64, U8, Bool
from tests.flats.pages import PX_PER_MM
from tests.flats.shapes import resample, wobbled

STEP_MM = 0.3


def grain(area: Bool, at: F64, rng: np.random.Generator) -> U8:
    """Long strokes all over the area that follow one wave and break off here and there."""
    layer = np.zeros(area.shape, np.uint8)
    turn, apart = rng.uniform(0, 2 * np.pi), float(rng.uniform(0.8, 3.5))
    out = np.array([np.cos(turn), np.sin(turn)])
    across = np.array([-out[1], out[0]])
    reach = rng.uniform(12, 60)
    t = np.arange(-reach, reach, STEP_MM)
    wave, swing = rng.uniform(0.05, 0.35, 2), rng.uniform(0, 1.5, 2)
    phase = rng.uniform(0, 2 * np.pi, 2)
    broken, thick = rng.uniform(0.0, 0.3), int(rng.integers(2, 6))
    for off in np.arange(-reach / 2, reach / 2, apart):
        shift = off + rng.normal() * 0.15 * apart
        bend = swing @ np.sin(wave[:, None] * t + phase[:, None] + 0.05 * shift)
        line = wobbled(at + out * t[:, None] + across * (shift + bend)[:, None], 0.1, rng, True)
        mark = rng.random(len(line) // 12 + 1) < broken
        _stroke(layer, line, ~np.repeat(mark, 12)[: len(line)], thick)
    layer[~area] = 0
    return layer


def foliage(area: Bool, at: F64, rng: np.random.Generator) -> U8:
    """Chains of small bows strewn about, none of them closed."""
    layer = np.zeros(area.shape, np.uint8)
    bow, thick = rng.uniform(0.7, 2.5), int(rng.integers(2, 6))
    spread = rng.uniform(4, 18)
    for _ in range(int(rng.integers(4, 25))):
        place = at + rng.normal(size=2) * spread
        turn, curl = rng.uniform(0, 2 * np.pi), rng.normal() * 0.25
        many = int(rng.integers(1, 8))
        pieces = []
        for k in range(many):
            way = turn + curl * k + rng.normal() * 0.3
            long = bow * rng.uniform(0.7, 1.4)
            s = np.linspace(0, np.pi, 14)
            bulge = long * rng.uniform(0.35, 0.9)
            local = np.stack([long * (1 - np.cos(s)), -bulge * np.sin(s)], axis=1)
            cos, sin = np.cos(way), np.sin(way)
            pieces.append(place + local @ np.array([[cos, sin], [-sin, cos]]))
            place = pieces[-1][-1]
        line = resample(np.concatenate(pieces), STEP_MM)
        if np.hypot(*(line[0] - line[-1])) > bow and _stays(area, line):
            _stroke(layer, line, np.ones(len(line), bool), thick)
    layer[~area] = 0
    return layer


def ripples(area: Bool, at: F64, rng: np.random.Generator) -> U8:
    """Short flat bows in one direction, some back to back."""
    layer = np.zeros(area.shape, np.uint8)
    turn, thick = rng.choice([0.0, rng.uniform(0, np.pi)]), int(rng.integers(2, 6))
    out = np.array([np.cos(turn), np.sin(turn)])
    across = np.array([-out[1], out[0]])
    wide, high = rng.uniform(8, 30), rng.uniform(4, 20)
    for _ in range(int(rng.integers(6, 40))):
        middle = at + out * rng.normal() * wide + across * rng.normal() * high
        half = rng.uniform(1, 9)
        t = np.linspace(-1, 1, 40)
        bend = rng.normal() * 0.12 * half * (1 - t**2)
        for side in (1.0,) if rng.random() < 0.7 else (1.0, -1.0):
            line = middle + out * (half * t)[:, None] + across * (side * bend)[:, None]
            reach = rng.uniform(0.5, 0.9) if side < 0 else 1.0
            bow = resample(line[np.abs(t) <= reach], STEP_MM)
            if _stays(area, bow):
                _stroke(layer, bow, None, thick)
    layer[~area] = 0
    return layer


def fur(area: Bool, at: F64, rng: np.random.Generator) -> U8:
    """Short strokes side by side from the outline inwards, all leaning one way."""
    layer = np.zeros(area.shape, np.uint8)
    border, _ = cv2.findContours(area.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not border:
        return layer
    rim = max(border, key=len)[:, 0].astype(float) / PX_PER_MM
    if len(rim) < 50:
        return layer
    near = int(np.argmin(((rim - at) ** 2).sum(axis=1)))
    apart, long = rng.uniform(0.5, 2.0), rng.uniform(1.0, 7.0)
    lean, curl, thick = rng.uniform(-1.1, 1.1), rng.normal() * 0.5, int(rng.integers(2, 6))
    many = min(int(rng.integers(6, 60)), int(len(rim) / PX_PER_MM / apart))
    for k in range(many):
        place = (near + round((k - many / 2) * apart * PX_PER_MM)) % len(rim)
        along = rim[(place + 6) % len(rim)] - rim[place - 6]
        inwards = np.arctan2(along[1], along[0]) + np.pi / 2
        if not _inside(area, rim[place] + [np.cos(inwards), np.sin(inwards)]):
            inwards += np.pi
        s = np.arange(0, long * rng.uniform(0.5, 1.3), STEP_MM)
        if len(s) < 3:
            continue
        way = inwards + lean + curl * s / long + rng.normal() * 0.1
        step = np.stack([np.cos(way), np.sin(way)], axis=1) * STEP_MM
        line = rim[place] + np.cumsum(step, axis=0)
        if _stays(area, line[len(line) // 3 :]):
            _stroke(layer, line, None, thick)
    layer[~area] = 0
    return layer


def _stays(area: Bool, line: F64) -> bool:
    """Tell whether a line stays in an area: one from outline to outline would part it."""
    x, y = np.round(line * PX_PER_MM).astype(int).T
    within = (x >= 0) & (y >= 0) & (x < area.shape[1]) & (y < area.shape[0])
    return bool(within.all() and area[y, x].all())


def _inside(area: Bool, place: F64) -> bool:
    x, y = np.round(place * PX_PER_MM).astype(int).tolist()
    return bool(0 <= y < area.shape[0] and 0 <= x < area.shape[1] and area[y, x])


def _stroke(layer: U8, line: F64, on: Bool | None, thick: int) -> None:
    """Draw the parts of a line, in mm, that are on."""
    marks = np.ones(len(line), np.int8) if on is None else on.astype(np.int8)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], marks, [0]]))).reshape(-1, 2)
    for a, b in edges.tolist():
        points = np.round(line[a:b] * PX_PER_MM * 16).astype(np.int32)
        cv2.polylines(layer, [points], False, 255, thick, cv2.LINE_AA, 4)
