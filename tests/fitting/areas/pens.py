"""Strokes as hands of many kinds draw them: firm, loose, dry, broken off, run over."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from inkclean.base.arrays import F64, U8
from tests.flats.shapes import resample, wobbled

PX_PER_MM = 8.0
FINER = 2  # ink is drawn so many times finer
STEP = 3.0  # px between the points of a stroke
CORNER = np.radians(48.0)  # a line that turns more is drawn in two strokes


@dataclass(frozen=True)
class Hand:
    """How a page is drawn: shares are of strokes, lengths in mm."""

    width: float = 0.45
    uneven: float = 0.0  # spread of widths from stroke to stroke, as a share
    pressure: float = 0.0  # and along each
    wobble: float = 0.0
    gaps: float = 0.0
    gap: tuple[float, float] = (0.6, 4.0)
    beside_end: float = 0.0
    erased: float = 0.3  # share of gaps that are rubbed out, not left
    short: float = 0.0
    over: float = 0.0
    taper: float = 0.0
    dry: float = 0.0
    double: float = 0.0  # strokes drawn twice
    halo: float = 0.0  # how far what lies behind stops before the outline


def some_hand(rng: np.random.Generator) -> Hand:
    """Return a hand: closed and firm, firm with gaps, or loose in ways of its own."""
    width = float(np.exp(rng.uniform(np.log(0.2), np.log(1.2))))

    def often(share: float, most: float) -> float:
        return float(rng.uniform(0, most)) if rng.random() < share else 0.0

    dice = rng.random()
    if dice < 0.14:
        return Hand(width, uneven=float(rng.choice([0, 0.2])))
    if dice < 0.48:
        return Hand(
            width,
            uneven=often(0.6, 0.25),
            gaps=often(0.85, 0.45),
            gap=(0.5, float(rng.uniform(1.5, 4.5))),
            beside_end=float(rng.choice([0, 0, 0.3])),
            short=often(0.3, 0.3),
            halo=often(0.45, 2.6),
        )
    return Hand(
        width,
        uneven=often(0.8, 0.35),
        pressure=often(0.6, 0.5),
        wobble=often(0.7, 0.22),
        gaps=often(0.7, 0.35),
        gap=(0.4, float(rng.uniform(1.2, 4.5))),
        beside_end=often(0.5, 1.0),
        short=often(0.6, 0.35),
        over=often(0.5, 0.35),
        taper=often(0.6, 0.8),
        dry=often(0.3, 0.35),
        double=often(0.2, 0.3),
        halo=often(0.4, 2.0),
    )


def open_hand(rng: np.random.Generator, width: float | None = None) -> Hand:
    """Return a hand that leaves its lines open on purpose, with a round pen of one breadth.

    Lines break off beside others, and what lies behind stops well before what lies in front.
    ``width`` in mm, any if not given.
    """
    width = width or float(np.exp(rng.uniform(np.log(0.35), np.log(1.6))))
    often = bool(rng.random() < 0.6)
    return Hand(
        width,
        uneven=float(rng.choice([0, 0, 0.1])),
        gaps=float(rng.uniform(0.05, 0.5)),
        gap=(0.6, min(5.0, float(rng.uniform(1.5, 2.5 + 2.5 * width)))),
        beside_end=float(rng.choice([0.3, 0.7, 1.0])),
        erased=0.1,
        short=float(rng.uniform(0, 0.4)),
        halo=float(rng.uniform(0.4, 3.0)) if often else 0.0,
    )


def firm_hand(rng: np.random.Generator) -> Hand:
    """Return a steady hand whose strokes break off midway, or stop short of what they run to."""
    width = float(np.exp(rng.uniform(np.log(0.25), np.log(0.8))))
    halo = float(rng.uniform(0.5, 2.5)) if rng.random() < 0.4 else 0.0
    return Hand(
        width,
        uneven=float(rng.choice([0, 0.1, 0.2])),
        pressure=float(rng.choice([0, 0, 0.4])),
        gaps=float(rng.choice([0, 0.15, 0.3, 0.45])),
        gap=(0.6, float(rng.uniform(2.0, 4.2))),
        beside_end=float(rng.choice([0, 0.3])),
        short=float(rng.choice([0, 0.1, 0.25])),
        halo=halo,
    )


class Pen:
    """Draws strokes on two sheets: ``ink``, as the hand leaves it, and ``whole``, without gaps.

    Points are x, y in px of ``whole``; ``ink`` is ``FINER`` times as fine.
    """

    def __init__(self, side: int, hand: Hand, rng: np.random.Generator) -> None:
        self.ink = np.zeros((side * FINER, side * FINER), np.uint8)
        self.whole = np.zeros((side, side), np.uint8)
        self.hand, self.rng = hand, rng

    def line(self, points: F64, broad: float = 1.0) -> None:
        """Draw a line in strokes from corner to corner."""
        for stroke, closed in strokes(points):
            self.stroke(stroke, closed, broad)

    def stroke(self, points: F64, closed: bool = False, broad: float = 1.0) -> None:
        """Draw one stroke with the troubles of the hand."""
        rng, hand = self.rng, self.hand
        width = hand.width * broad * float(np.exp(rng.normal() * hand.uneven)) * PX_PER_MM
        width = float(np.clip(width, 1.2, 14))
        points = wobbled(points, hand.wobble * PX_PER_MM, rng, True)
        if closed:
            points[-1] = points[0]
        _trace(self.whole, points, np.full(len(points), max(width, 2.0)), 1)
        pieces, rubbed = self._broken(points, closed, width)
        dry = rng.random() < hand.dry
        for piece in pieces:
            if len(piece) < 2:
                continue
            broad_at = self._breadths(len(piece), width, closed and len(pieces) == 1)
            self._draw(piece, broad_at, dry)
            if rng.random() < hand.double:
                off = wobbled(piece, 0.25 * PX_PER_MM, rng, False)
                self._draw(off, broad_at * 0.7, dry)
        for place, reach in rubbed:
            middle = np.round(place * FINER * 16).astype(int).tolist()
            cv2.circle(self.ink, middle, round(reach * FINER * 16), 0, -1, cv2.LINE_AA, 4)

    def _broken(
        self, points: F64, closed: bool, width: float
    ) -> tuple[list[F64], list[tuple[F64, float]]]:
        """Return what is left of a stroke, and where it is rubbed out."""
        rng, hand = self.rng, self.hand
        length = len(points) * STEP / PX_PER_MM
        if length > 5 and rng.random() < hand.gaps:
            gap = min(float(rng.uniform(*hand.gap)), length / 3)
            n = max(1, round((gap * PX_PER_MM + width) / STEP))
            last = len(points) - 1 - n
            if not closed and rng.random() < hand.beside_end:
                start = int(rng.integers(0, 2)) * last
            else:
                start = int(rng.integers(n // 2 + 1, max(n // 2 + 2, last - n // 2)))
            if rng.random() < hand.erased:
                place = points[min(start + n // 2, len(points) - 1)]
                return [points], [(place, gap * PX_PER_MM / 2 + 0.6)]
            if closed:
                return [np.roll(points[:-1], -(start + n), axis=0)[: len(points) - n]], []
            return [points[: start + 1], points[start + n :]], []
        if closed or length < 3:
            return [points], []
        for _ in (0, 1):
            points = points[::-1]
            fate = rng.random()
            if fate < hand.short:
                cut = min(float(rng.uniform(0.3, 2.0 + 1.5 * width / PX_PER_MM)), length / 4)
                points = points[max(1, round(cut * PX_PER_MM / STEP)) :]
            elif fate < hand.short + hand.over and len(points) > 3:
                step = points[0] - points[min(3, len(points) - 1)]
                step = step / max(1e-9, float(np.hypot(*step)))
                points = np.vstack([points[0] + step * rng.uniform(0.3, 2.2) * PX_PER_MM, points])
        return [points], []

    def _breadths(self, n: int, width: float, ring: bool) -> F64:
        rng, hand = self.rng, self.hand
        broad = np.full(n, width)
        if hand.pressure:
            swing = np.sin(np.linspace(0, rng.uniform(1, 7), n) + rng.uniform(0, 6.3))
            broad *= 1 + hand.pressure * swing * 0.7
        m = min(8, n // 2)
        if m and not ring:
            if rng.random() < hand.taper:
                broad[:m] *= np.linspace(0.35, 1, m)
            if rng.random() < hand.taper:
                broad[-m:] *= np.linspace(1, 0.35, m)
        return broad

    def _draw(self, points: F64, broad: F64, dry: bool) -> None:
        if not dry:
            _trace(self.ink, points, broad, FINER)
            return
        low = np.floor(points.min(axis=0) * FINER - broad.max() * FINER - 4).astype(int)
        high = np.ceil(points.max(axis=0) * FINER + broad.max() * FINER + 4).astype(int)
        x0, y0 = np.clip(low, 0, self.ink.shape[0]).tolist()
        x1, y1 = np.clip(high, 0, self.ink.shape[0]).tolist()
        if x1 - x0 < 2 or y1 - y0 < 2:
            return
        layer = np.zeros((y1 - y0, x1 - x0), np.uint8)
        _trace(layer, points - np.array([x0, y0]) / FINER, broad, FINER)
        noise = np.asarray(self.rng.normal(size=layer.shape), np.float32)
        fine = cv2.GaussianBlur(noise, (0, 0), 1.6) * 5.6
        coarse = cv2.GaussianBlur(noise[::-1], (0, 0), 9) * 32
        layer[fine + coarse > self.rng.uniform(0.6, 1.5)] = 0
        part = self.ink[y0:y1, x0:x1]
        np.maximum(part, layer, out=part)


def strokes(points: F64) -> list[tuple[F64, bool]]:
    """Return a line cut at its corners, and which parts are closed."""
    if len(points) < 2:
        return []
    closed = bool(np.hypot(*(points[0] - points[-1])) < 0.1) and len(points) > 6
    even = resample(points, STEP)
    if len(even) < 7:
        return [(even, closed and len(even) > 5)]
    reach = 3
    ahead, back = np.roll(even, -reach, axis=0) - even, even - np.roll(even, reach, axis=0)
    if closed:
        ring = even[:-1]
        ahead, back = np.roll(ring, -reach, axis=0) - ring, ring - np.roll(ring, reach, axis=0)
    turn = np.abs(
        np.arctan2(back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0], (back * ahead).sum(axis=1))
    )
    if not closed:
        turn[:reach] = turn[-reach:] = 0
    sharp = np.flatnonzero(
        (turn > CORNER) & (turn >= np.roll(turn, 1)) & (turn > np.roll(turn, -1))
    )
    if closed:
        if not len(sharp):
            return [(even, True)]
        ring = np.roll(even[:-1], -sharp[0], axis=0)
        even = np.vstack([ring, ring[:1]])
        sharp = (sharp - sharp[0])[1:]
    cuts = [0, *sharp.tolist(), len(even) - 1]
    return [(even[a : b + 1], False) for a, b in pairwise(cuts) if b > a]


def _trace(sheet: U8, points: F64, broad: F64, finer: int) -> None:
    """Draw a line as broad as told at each point."""
    at = np.round((points * finer - 0.5) * 16).astype(np.int32)
    thick = np.maximum(1, np.round((broad[1:] + broad[:-1]) / 2 * finer)).astype(int)
    change = np.flatnonzero(np.diff(thick)) + 1
    for a, b in zip([0, *change.tolist()], [*change.tolist(), len(thick)], strict=True):
        cv2.polylines(sheet, [at[a : b + 1]], False, 255, int(thick[a]), cv2.LINE_AA, 4)
