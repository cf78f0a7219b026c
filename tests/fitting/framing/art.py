"""What is drawn and printed on a sheet, by chance: uint8, 255 where paper is bare."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

HIGH, WIDE = 1024, 736
SMALL = (460, 640)  # px of width and height in which it is kept
U8 = NDArray[np.uint8]
Rng = np.random.Generator


def page(rng: Rng) -> U8:
    """Return a page's art (640, 460, 3)."""
    return np.asarray(cv2.resize(_large(rng), SMALL, interpolation=cv2.INTER_AREA), np.uint8)


def _large(rng: Rng) -> U8:
    """Return a comic page, sketch, note, printed sheet, or hardly anything."""
    art = np.full((HIGH, WIDE, 3), 255, np.uint8)
    if rng.random() < 0.3:
        _printed_lines(art, rng)
    kind = rng.random()
    if kind < 0.06:
        return art
    if rng.random() < 0.25:
        _washes(art, rng)
    if kind < 0.5:
        _panels(art, rng)
    if kind > 0.85:
        _writing(art, rng, int(rng.integers(5, 60)))
    if rng.random() < 0.4:
        _pencil(art, rng)
    if rng.random() < 0.35:
        _figures(art, rng)
    _strokes(art, rng, int(np.exp(rng.uniform(np.log(3), np.log(250)))))
    if rng.random() < 0.4:
        _blacks(art, rng)
    if rng.random() < 0.25:
        _writing(art, rng, int(rng.integers(1, 8)))
    return art


def _ink(rng: Rng) -> tuple[int, int, int]:
    if rng.random() < 0.75:
        tone = int(rng.integers(5, 70))
        return tone, tone, tone
    own = rng.integers(10, 190, 3).tolist()
    return own[0], own[1], own[2]


def _printed_lines(art: U8, rng: Rng) -> None:
    """Squares, dots or lines printed on the sheet, to its edges or within a margin."""
    step = rng.uniform(9, 40)
    tone = rng.integers(120, 245, 3).tolist()
    wide = 1 if rng.random() < 0.8 else 2
    kind = rng.random()
    margin = 0 if rng.random() < 0.6 else int(rng.uniform(10, 80))
    low, right, bottom = margin, WIDE - margin, HIGH - margin
    if kind < 0.2:
        for y in np.arange(low + step / 2, bottom, step):
            for x in np.arange(low + step / 2, right, step):
                cv2.circle(art, (int(x), int(y)), wide, tone, -1)
        return
    for y in np.arange(low + step / 2, bottom, step):
        cv2.line(art, (low, int(y)), (right, int(y)), tone, wide)
    if kind < 0.65:
        for x in np.arange(low + step / 2, right, step):
            cv2.line(art, (int(x), low), (int(x), bottom), tone, wide)
    if rng.random() < 0.3:
        x = int(rng.uniform(30, 120))
        cv2.line(art, (x, 0), (x, HIGH), (210, 90, 90), 2)


def _box(rng: Rng, low: np.ndarray, high: np.ndarray) -> NDArray[np.int32]:
    box = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    return np.rint(box + rng.normal(0, 1.5, (4, 2))).astype(np.int32)


def _panels(art: U8, rng: Rng) -> None:
    """Panels with borders; some black, grey or coloured; some bleed off the sheet."""
    size = np.array([WIDE, HIGH])
    margin = rng.uniform(-0.03, 0.14) * WIDE
    gap = rng.uniform(0, 30)
    ink, wide = _ink(rng), int(rng.integers(1, 9))
    y = margin
    rows = int(rng.integers(1, 6))
    highs = rng.dirichlet(np.full(rows, 6.0)) * (HIGH - 2 * margin)
    for high in highs:
        x = margin
        for across in rng.dirichlet(np.full(int(rng.integers(1, 5)), 6.0)) * (WIDE - 2 * margin):
            box = _box(rng, np.array([x, y]), np.array([x + across - gap, y + high - gap]))
            fill = rng.random()
            if fill < 0.12:
                cv2.fillPoly(art, [box], ink, cv2.LINE_AA)
            elif fill < 0.25:
                cv2.fillPoly(art, [box], rng.integers(90, 255, 3).tolist(), cv2.LINE_AA)
            if rng.random() < 0.9:
                cv2.polylines(art, [box], True, ink, wide, cv2.LINE_AA)
            x += across
        y += high
    if rng.random() < 0.2:  # a frame about all
        away = rng.uniform(0.005, 0.08) * WIDE
        cv2.polylines(art, [_box(rng, np.full(2, away), size - away)], True, ink, wide, cv2.LINE_AA)


def _strokes(art: U8, rng: Rng, many: int) -> None:
    """Pen strokes: curves, hatching, straight lines; across the whole sheet or in heaps."""
    ink, wide = _ink(rng), rng.uniform(0.6, 6)
    heaps = rng.uniform(0, 1, (int(rng.integers(1, 6)), 2)) * (WIDE, HIGH)
    for _ in range(many):
        if rng.random() < 0.06:
            ink = _ink(rng)
        at = heaps[int(rng.integers(len(heaps)))] + rng.normal(0, rng.uniform(20, 300), 2)
        way, long = rng.uniform(0, 6.28), np.exp(rng.uniform(np.log(10), np.log(700)))
        bend = rng.normal(0, 1.0) + rng.normal(0, 0.6, 12).cumsum() * rng.choice([0.1, 1.0])
        step = np.stack([np.cos(way + bend), np.sin(way + bend)], 1) * long / 12
        line = np.rint(at + step.cumsum(0)).astype(np.int32)
        thick = max(1, int(wide * rng.uniform(0.5, 1.6)))
        if rng.random() < 0.15:
            for k in range(int(rng.integers(4, 25))):
                own = line[[0, -1]] + np.rint(
                    k * rng.uniform(3, 7) * np.array([-np.sin(way), np.cos(way)])
                ).astype(np.int32)
                cv2.polylines(art, [own], False, ink, thick, cv2.LINE_AA)
        else:
            cv2.polylines(art, [line], bool(rng.random() < 0.1), ink, thick, cv2.LINE_AA)


def _blacks(art: U8, rng: Rng) -> None:
    """Spot blacks of any shape, some running off the sheet along a whole side."""
    ink = _ink(rng)
    for _ in range(int(rng.integers(1, 7))):
        angle = np.linspace(0, 2 * np.pi, int(rng.integers(5, 40)), endpoint=False)
        size = np.exp(rng.uniform(np.log(10), np.log(250), 2))
        ring = (
            np.stack([np.cos(angle), np.sin(angle)], 1)
            * size
            * rng.uniform(0.5, 1.4, (len(angle), 1))
        )
        at = rng.uniform(0, 1, 2) * (WIDE, HIGH)
        cv2.fillPoly(art, [np.rint(ring + at).astype(np.int32)], ink, cv2.LINE_AA)
    if rng.random() < 0.25:  # a black along a border of the sheet
        deep = int(rng.uniform(10, 300))
        side = int(rng.integers(0, 4))
        part = (art[:deep], art[-deep:], art[:, :deep], art[:, -deep:])[side]
        part[:] = ink


def _figures(art: U8, rng: Rng) -> None:
    """Figures of rounded parts, small ones or as large as the sheet: outlined, some parts filled
    flat, hatched or coloured in with a pencil."""
    for _ in range(int(rng.choice([1, 1, 2, 4]))):
        size = np.exp(rng.uniform(np.log(0.12), np.log(0.5))) * HIGH
        at = rng.uniform(0.15, 0.85, 2) * (WIDE, HIGH)
        ink, wide = _ink(rng), max(1, int(np.exp(rng.uniform(0, np.log(14)))))
        own = [_ink(rng) for _ in range(3)]
        filled = rng.random() * (rng.random() < 0.7)
        for _ in range(int(rng.integers(3, 16))):
            part = at + rng.normal(0, 0.45, 2) * size * (0.6, 1.0)
            ring = _rounded(rng, part, size * np.exp(rng.uniform(-2.2, -0.3, 2)))
            if rng.random() < filled:
                _filled(art, rng, ring, own[int(rng.integers(3))])
            for _ in range(1 if rng.random() < 0.7 else 3):
                line = np.rint(ring + rng.normal(0, 2, 2)).astype(np.int32)
                cv2.polylines(art, [line], True, ink, wide, cv2.LINE_AA)


def _rounded(rng: Rng, at: NDArray[np.float64], size: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a closed curve (60, 2) about a place, nearly an ellipse, or with a few bulges."""
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    reach = 1 + sum(
        rng.normal(0, 0.25 / k) * np.cos(k * angle + rng.uniform(0, 6.28)) for k in (2, 3, 4, 6)
    )
    turn = rng.uniform(0, np.pi)
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    ring = np.stack([np.cos(angle), np.sin(angle)], 1) * size * np.asarray(reach)[:, None]
    return np.asarray(ring @ spin.T + at, np.float64)


def _filled(art: U8, rng: Rng, ring: NDArray[np.float64], own: tuple[int, int, int]) -> None:
    """Fill a closed curve flat, or with strokes side by side as a pencil does."""
    share = np.zeros((HIGH, WIDE), np.uint8)
    cv2.fillPoly(share, [np.rint(ring).astype(np.int32)], 255, cv2.LINE_AA)
    if rng.random() < 0.6:
        way, step = rng.uniform(0, np.pi), rng.uniform(2, 14)
        y, x = np.mgrid[:HIGH, :WIDE].astype(np.float32)
        waver = rng.normal(0, 3, WIDE + HIGH).cumsum()[:WIDE].astype(np.float32) * 0.2
        across = (x * np.cos(way) + y * np.sin(way) + waver[None]) % step
        share = np.where(across < step * rng.uniform(0.2, 0.8), share, np.uint8(0))
    part = (share / 255.0 * rng.uniform(0.3, 1.0))[..., None]
    art[:] = art * (1 - part) + np.array(own) * part


def _washes(art: U8, rng: Rng) -> None:
    """Thinned paint: soft or sharp patches of a tint."""
    for _ in range(int(rng.integers(1, 6))):
        small = rng.standard_normal((int(rng.integers(3, 9)), int(rng.integers(3, 9)))).astype(
            np.float32
        )
        field = cv2.resize(small, (WIDE, HIGH), interpolation=cv2.INTER_CUBIC)
        share = np.clip((field - rng.uniform(-0.2, 1.2)) * np.exp(rng.uniform(0, 4)), 0, 1)
        tint = rng.uniform(0.45, 1.0, 3)
        art[:] = art * (1 - share[..., None] * (1 - tint))


def _pencil(art: U8, rng: Rng) -> None:
    layer = np.full_like(art, 255)
    _strokes(layer, rng, int(rng.integers(5, 60)))
    light = rng.uniform(0.1, 0.5)
    art[:] = art * (1 - light + light * (layer / 255.0))


def _writing(art: U8, rng: Rng, lines: int) -> None:
    """Lines of writing or print: words as marks, or letters of a plain face."""
    pitch = rng.uniform(9, 34)
    y, left = rng.uniform(20, HIGH * 0.7), rng.uniform(15, WIDE * 0.5)
    right = rng.uniform(left + 80, WIDE - 10)
    ink, real = _ink(rng), rng.random() < 0.5
    for _ in range(lines):
        x = left
        while x < right - 20 and y < HIGH - 10:
            if real:
                text = "".join(chr(int(c)) for c in rng.integers(97, 123, int(rng.integers(2, 9))))
                cv2.putText(
                    art,
                    text,
                    (int(x), int(y)),
                    cv2.FONT_HERSHEY_SIMPLEX,
                    pitch / 40,
                    ink,
                    1,
                    cv2.LINE_AA,
                )
                x += len(text) * pitch * 0.45 + pitch * 0.4
            else:
                word = pitch * rng.uniform(0.5, 3)
                t = np.linspace(0, word, max(4, int(word / 2)))
                mark = np.stack([x + t, y + rng.normal(0, pitch * 0.22, len(t))], 1)
                cv2.polylines(art, [np.rint(mark).astype(np.int32)], False, ink, 1, cv2.LINE_AA)
                x += word + pitch * 0.5
        y += pitch
