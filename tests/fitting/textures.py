"""What covers an area without parting it: grain, foliage, ripples, fur along an outline.

And what closes small loops that are no areas: scribble, twigs, locks of hair.
"""

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


def scribble(area: Bool, at: F64, rng: np.random.Generator) -> U8:
    """Lines that curl on and cross themselves, as crowns of trees and wool are hinted at."""
    layer = np.zeros(area.shape, np.uint8)
    thick, spread = int(rng.integers(2, 6)), rng.uniform(3, 15)
    loop = float(rng.uniform(0.25, 1.0))
    for _ in range(int(rng.integers(1, 14))):
        turns = float(rng.uniform(2, 14))
        t = np.arange(0, turns * 2 * np.pi, 0.25)
        way, bend = rng.uniform(0, 2 * np.pi), rng.normal() * 0.03
        swing = loop * (1 + 0.35 * np.sin(t * rng.uniform(0.1, 0.6) + rng.uniform(0, 6.3)))
        ahead = loop * float(rng.uniform(0.1, 0.45)) * t
        out = np.stack([np.cos(way + bend * t), np.sin(way + bend * t)], axis=1)
        curl = np.stack([np.cos(t), np.sin(t)], axis=1) * swing[:, None]
        line = resample(at + rng.normal(size=2) * spread + out * ahead[:, None] + curl, STEP_MM)
        _run(layer, area, line, thick)
    return layer


def twigs(area: Bool, at: F64, rng: np.random.Generator) -> U8:
    """Branches that fork and fork again; their ends cross one another."""
    layer = np.zeros(area.shape, np.uint8)
    thick, lean = int(rng.integers(2, 6)), float(rng.uniform(0.25, 0.9))
    for _ in range(int(rng.integers(1, 7))):
        root = at + rng.normal(size=2) * rng.uniform(2, 14)
        todo = [(root, rng.uniform(0, 2 * np.pi), float(rng.uniform(4, 22)), 0)]
        while todo:
            place, way, long, depth = todo.pop()
            s = np.arange(0, long, STEP_MM)
            if len(s) < 3:
                continue
            turn = way + rng.normal() * 0.5 * s / long + 0.1 * np.sin(s * rng.uniform(0.3, 2))
            line = place + np.cumsum(np.stack([np.cos(turn), np.sin(turn)], 1), 0) * STEP_MM
            _run(layer, area, line, max(1, thick - depth))
            if depth < 3:
                for _ in range(int(rng.integers(1, 5))):
                    k = int(rng.integers(len(line) // 3, len(line)))
                    side = turn[k] + lean * rng.choice([-1, 1]) * rng.uniform(0.5, 1.5)
                    todo.append((line[k], side, long * rng.uniform(0.3, 0.65), depth + 1))
    return layer


def locks(area: Bool, at: F64, rng: np.random.Generator) -> U8:
    """Long strokes side by side that draw near, touch and part, as hair, bark and water do."""
    layer = np.zeros(area.shape, np.uint8)
    thick, apart = int(rng.integers(2, 6)), float(rng.uniform(0.5, 2.2))
    many, long = int(rng.integers(4, 40)), float(rng.uniform(5, 40))
    way = float(rng.uniform(0, 2 * np.pi))
    across = np.array([-np.sin(way), np.cos(way)])
    wave, bow = rng.uniform(0.03, 0.3), rng.normal() * 0.03
    phase, loose = rng.uniform(0, 6.3), float(rng.uniform(0.1, 0.6)) * apart
    for k in range(many):
        start, end = np.sort(rng.uniform(-0.6, 0.6, 2)) * long
        s = np.arange(start, end, STEP_MM)
        if len(s) < 8:
            continue
        turn = way + bow * s + 0.25 * np.sin(wave * s + phase) + rng.normal() * 0.06
        step = np.stack([np.cos(turn), np.sin(turn)], axis=1) * STEP_MM
        begin = at + across * ((k - many / 2) * apart + rng.normal() * loose)
        line = begin + np.array([np.cos(way), np.sin(way)]) * start + np.cumsum(step, axis=0)
        _run(layer, area, wobbled(line, 0.1, rng, True), thick)
    return layer


def _run(layer: U8, area: Bool, line: F64, thick: int) -> None:
    """Draw those parts of a line that stay a little inside the area."""
    x, y = np.round(line * PX_PER_MM).astype(int).T
    within = (x >= 0) & (y >= 0) & (x < area.shape[1]) & (y < area.shape[0])
    within[within] = area[y[within], x[within]]
    _stroke(layer, line, within, thick)
    layer[~area] = 0


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
