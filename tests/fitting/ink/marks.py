"""What is drawn on a page: hatching, scribble, free lines, dots, blacks, brush, words, figures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from inkclean.base.arrays import F64, U8
from tests.fitting.ink.rows import rows
from tests.fitting.ink.strokes import (
    PX_PER_MM,
    SIDE,
    SIDE_MM,
    Hand,
    Maps,
    curve,
    lay,
    lay_mask,
    waves,
)
from tests.fitting.ink.words import sentence

Rng = np.random.Generator


class Art:
    """Drawings by other hands as masks, and fonts."""

    def __init__(self, folder: Path) -> None:
        """Open what ``art.pack`` wrote."""
        with np.load(folder / "art.npz") as data:
            self.bits, self.sides, self.kinds = data["bits"], data["sides"], data["kinds"]
        sizes = -(-(self.sides.astype(np.int64) ** 2) // 8)
        self.starts = np.concatenate([[0], np.cumsum(sizes)])
        self.fonts = sorted(str(p) for p in folder.glob("*.ttf"))
        self.by_kind = [np.flatnonzero(self.kinds == k) for k in np.unique(self.kinds)]

    def any(self, rng: Rng) -> U8:
        """Return a mask (h, w) of 0 and 1, every set as likely."""
        k = int(rng.choice(self.by_kind[rng.integers(len(self.by_kind))]))
        side = int(self.sides[k])
        flat = np.unpackbits(self.bits[self.starts[k] : self.starts[k + 1]])[: side * side]
        return np.asarray(flat.reshape(side, side))


def place(rng: Rng) -> F64:
    """Return a place on the page, mm."""
    return rng.uniform(0, SIDE_MM, 2)


def hatching(maps: Maps, hand: Hand, rng: Rng) -> None:
    """Parallel strokes, some crossed by more at another angle."""
    at, turn = place(rng), rng.uniform(0, np.pi)
    apart = float(np.exp(rng.uniform(np.log(0.35), np.log(2.5))))
    many, long = int(rng.integers(6, 40)), float(rng.uniform(3, 22))
    bend, ragged = rng.normal() * 0.03, rng.uniform(0, 0.3)
    for layer in range(int(rng.choice([1, 1, 2, 3]))):
        way = turn + layer * rng.uniform(0.5, 1.2)
        out, across = np.array([np.cos(way), np.sin(way)]), np.array([-np.sin(way), np.cos(way)])
        for k in range(many):
            half = long / 2 * (1 + ragged * rng.normal())
            if half < 0.4:
                continue
            s = np.arange(-half, half, 0.6)
            if len(s) < 3:
                continue
            off = (k - many / 2 + 0.15 * rng.normal()) * apart
            line = at + out * s[:, None] + across * (off + bend * s * s)[:, None]
            hand.stroke(maps, line, rng)


def scribble(maps: Maps, hand: Hand, rng: Rng) -> None:
    """A line that winds about."""
    count = int(rng.integers(8, 40))
    step = float(rng.uniform(0.8, 5))
    turns = np.cumsum(rng.normal(rng.normal() * 0.4, rng.uniform(0.2, 1.2), count))
    steps = np.stack([np.cos(turns), np.sin(turns)], 1) * step * rng.uniform(0.4, 1.4, (count, 1))
    hand.stroke(maps, curve(place(rng) + np.cumsum(steps, 0)), rng)


def zigzag(maps: Maps, hand: Hand, rng: Rng) -> None:
    """Shading without lifting the pen, or teeth with sharp corners."""
    many, apart, high = int(rng.integers(6, 30)), rng.uniform(0.25, 1.5), rng.uniform(1.5, 12)
    t = np.arange(many)
    local = np.stack([t * apart, (t % 2) * high * (1 + 0.15 * rng.normal(size=many))], 1)
    turn = rng.uniform(0, 2 * np.pi)
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    line = place(rng) + local @ matrix.T
    if rng.random() < 0.5:
        hand.stroke(maps, curve(line), rng)
        return
    part = np.linspace(0, 1, 6, endpoint=False)[:, None]
    fine = np.concatenate([a + (b - a) * part for a, b in pairwise(line)])
    hand.stroke(maps, fine, rng)


def lines(maps: Maps, hand: Hand, rng: Rng) -> None:
    """Free lines, long and short, with pressure."""
    for _ in range(int(rng.integers(2, 14))):
        count = int(rng.integers(2, 7))
        way = rng.uniform(0, 2 * np.pi)
        ways = way + np.cumsum(rng.normal(0, 0.5, count))
        far = float(np.exp(rng.uniform(np.log(1.0), np.log(14))))
        steps = np.stack([np.cos(ways), np.sin(ways)], 1) * far
        points = curve(place(rng) + np.cumsum(steps, 0))
        hand.stroke(maps, points, rng, float(rng.choice([1, 1, 0.7, 1.5, 2.2])))


def tufts(maps: Maps, hand: Hand, rng: Rng) -> None:
    """Short strokes side by side that start or end pointed, as grass, fur or bark."""
    at, way = place(rng), rng.uniform(0, 2 * np.pi)
    long, spread = float(np.exp(rng.uniform(np.log(0.8), np.log(8)))), rng.uniform(2, 14)
    for _ in range(int(rng.integers(10, 80))):
        start = at + rng.normal(size=2) * spread * np.array([1, rng.uniform(0.1, 1)])
        turns = way + rng.normal() * 0.35 + np.linspace(0, 1, 4) * rng.normal() * 0.7
        steps = np.stack([np.cos(turns), np.sin(turns)], 1) * long * rng.uniform(0.1, 0.5)
        hand.stroke(maps, curve(start + np.cumsum(steps, 0), 0.3), rng, rng.uniform(0.6, 1.3))


def ruled(maps: Maps, hand: Hand, rng: Rng) -> None:
    """Straight lines along a ruler, level or upright more often than not; frames; even rows."""
    steady = replace(hand, tremor=float(rng.choice([0.0, 0.0, 0.02])), taper=0.0)
    kind, turn = rng.random(), float(rng.choice([0.0, np.pi / 2, rng.uniform(0, np.pi)]))
    turn += float(rng.normal() * 0.015)
    out, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    at, long = place(rng), float(np.exp(rng.uniform(np.log(4), np.log(70))))
    broader = float(rng.choice([0.6, 1.0, 1.0, 1.8, 3.0]))
    if kind < 0.35:  # a panel's frame
        wide = long * rng.uniform(0.4, 1.6)
        corners = [at, at + out * long, at + out * long + across * wide, at + across * wide, at]
        for one, other in pairwise(corners):
            steady.stroke(maps, curve(np.array([one, other]), 1.0), rng, broader)
        return
    many = int(rng.integers(1, 25))
    apart = float(np.exp(rng.uniform(np.log(0.5), np.log(8))))
    for k in range(many):
        shift = across * (k * apart * (1 + 0.1 * rng.normal())) + out * rng.normal() * long * 0.1
        line = np.array([at + shift, at + shift + out * long * rng.uniform(0.6, 1.1)])
        steady.stroke(maps, curve(line, 1.0), rng, broader)


def far_lines(maps: Maps, hand: Hand, rng: Rng) -> None:
    """Long thin lines, straight or in one bow, often paler than the rest, some side by side."""
    thin = replace(hand, width=float(np.exp(rng.uniform(np.log(0.07), np.log(0.3)))), tremor=0.0)
    way, long = rng.uniform(0, np.pi), rng.uniform(20, 80)
    out, across = np.array([np.cos(way), np.sin(way)]), np.array([-np.sin(way), np.cos(way)])
    at, bow, apart = place(rng), rng.normal() * 0.08 * long, rng.uniform(0.6, 6)
    density = float(rng.uniform(0.3, 1.1))
    for k in range(int(rng.choice([1, 1, 2, 4]))):
        t = np.linspace(-1, 1, 9)[:, None]
        line = at + out * (t * long / 2) + across * (bow * t**2 + k * apart)
        points = curve(line + 0.1 * rng.normal(size=2), 1.0)
        if (points.max(0) > SIDE_MM + 2.5).any() or (points.min(0) < -2.5).any():
            inside = ((points < SIDE_MM + 2.5) & (points > -2.5)).all(1)
            points = points[inside]
        if len(points) > 4:
            thin.stroke(maps, points, rng, density=density)


def dots(maps: Maps, hand: Hand, rng: Rng) -> None:
    """Stipple."""
    at, spread = place(rng), rng.uniform(1.5, 14)
    size = hand.width * rng.uniform(0.8, 1.6)
    for _ in range(int(rng.integers(5, 200))):
        centre = at + rng.normal(size=2) * spread
        points = centre + np.linspace(0, 1, 3)[:, None] * rng.normal(size=2) * size * 0.3
        lay(maps, points, np.full(3, size * rng.uniform(0.7, 1.3)), np.ones(3), np.zeros(3))


def ring(at: F64, size: float, rng: Rng) -> F64:
    """Return a closed wavy outline."""
    turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    radius = np.ones(48)
    for k in range(1, 7):
        radius = radius + rng.normal() * 0.35 / k * np.cos(k * turn + rng.uniform(0, 6.3))
    radius = np.maximum(radius, 0.15) * size
    squeeze = rng.uniform(0.4, 1)
    return at + np.stack([np.cos(turn) * radius, np.sin(turn) * radius * squeeze], 1)


def black(maps: Maps, hand: Hand, rng: Rng) -> None:
    """A filled shape, its inside patchy at times, with lines left or scraped open."""
    at, size = place(rng), float(rng.uniform(1, 14))
    outline = ring(at, size, rng)
    cv2.fillPoly(maps.shape, [np.round(outline * PX_PER_MM * 2 * 16).astype(np.int32)], (1,), 8, 4)
    dry = 0 if rng.random() < 0.7 else int(rng.uniform(20, 150))
    density = int(np.clip(128 * rng.uniform(0.7, 1.4), 1, 255))
    cv2.fillPoly(maps.nature, [np.round(outline * PX_PER_MM).astype(np.int32)], (density, dry, 255))
    hand.stroke(maps, curve(np.concatenate([outline, outline[:1]]), 0.8), rng)
    if rng.random() < 0.5:
        for _ in range(int(rng.integers(1, 8))):
            inside = curve(at + rng.normal(size=(3, 2)) * size * 0.7)
            width = np.full(len(inside), rng.uniform(0.12, 0.7))
            lay(maps, inside, width, width, width, erase=True)


def brush(maps: Maps, hand: Hand, rng: Rng) -> None:
    """A broad stroke of bristles, each as dry as it is."""
    count = int(rng.integers(2, 6))
    ways = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.4, count))
    steps = np.stack([np.cos(ways), np.sin(ways)], 1) * rng.uniform(3, 18)
    points = curve(place(rng) + np.cumsum(steps, 0))
    wide = float(np.exp(rng.uniform(np.log(0.8), np.log(6))))
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    t = along / along[-1]
    body = np.clip(np.minimum(t, 1 - t) * rng.uniform(3, 12), 0.15, 1) * (
        1 + 0.15 * waves(along, rng)
    )
    tangent = np.gradient(points, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], 1)
    bristles = max(3, int(wide / 0.3))
    wet = rng.uniform(-0.5, 0.6)
    for off in np.linspace(-0.5, 0.5, bristles):
        dry = wet + 0.35 * rng.normal() + rng.uniform(0, 0.7) * t + 0.1 * waves(along, rng)
        width = np.maximum(body * wide / bristles * 1.5, 0.65)
        lay(
            maps,
            points + normal * (off * wide * body)[:, None],
            width,
            1 + 0.1 * waves(along, rng),
            np.clip(dry, 0, 0.97),
        )


def dryness(hand: Hand, rng: Rng) -> U8:
    """Return (SIDE, SIDE) uint8: how dry the pen runs all over a page of masks."""
    coarse = rng.normal(size=(int(rng.integers(4, 40)),) * 2).astype(np.float32)
    field = cv2.resize(coarse, (SIDE, SIDE), interpolation=cv2.INTER_CUBIC)
    start = hand.dry if rng.random() < hand.dry_share else -1.0
    return np.clip((start + 0.2 * field) * 255, 0, 250).astype(np.uint8)


def figures(maps: Maps, hand: Hand, rng: Rng, art: Art, most: int = 10) -> None:
    """Drawings by other hands."""
    dry = dryness(hand, rng)
    for _ in range(int(rng.integers(1, most))):
        mask = art.any(rng)
        size = float(np.exp(rng.uniform(np.log(6), np.log(55))))
        turn = rng.normal() * 0.4 if rng.random() < 0.7 else rng.uniform(0, 6.28)
        lay_mask(maps, mask, float(turn), size, place(rng), float(rng.uniform(0.8, 1.2)), dry)


def words(maps: Maps, hand: Hand, rng: Rng, art: Art) -> None:
    """Lines of lettering, bent a little."""
    dry = dryness(hand, rng)
    high_mm = float(np.exp(rng.uniform(np.log(2.2), np.log(12))))
    px = 96
    font = ImageFont.truetype(str(rng.choice(art.fonts)), px)
    rows = int(rng.integers(1, 14)) if rng.random() < 0.5 else int(rng.integers(1, 4))
    at, turn = place(rng), float(rng.normal() * 0.15)
    density = float(rng.uniform(0.7, 1.2))
    for row in range(rows):
        text = sentence(rng, int(rng.integers(1, 9)))
        left, top, right, bottom = font.getbbox(text)
        wide, high = int(right - left) + 20, int(bottom - top) + 20
        image = Image.new("L", (min(wide, 4000), high))
        ImageDraw.Draw(image).text((10 - left, 10 - top), text, fill=255, font=font)
        mask = np.asarray(image)
        x, y = np.meshgrid(np.arange(mask.shape[1]), np.arange(high))
        bend = rng.normal(size=2) * px * 0.06
        wave = bend[0] * np.sin(x / (px * 1.3) + rng.uniform(0, 6)) + bend[1] * np.sin(x / 37.0)
        mask = cv2.remap(
            mask, x.astype(np.float32), (y + wave).astype(np.float32), cv2.INTER_LINEAR
        )
        size = max(mask.shape) * high_mm / px
        down = np.array([-np.sin(turn), np.cos(turn)]) * row * high_mm * 1.2
        mask = (np.asarray(mask) > 127).astype(np.uint8)
        lay_mask(maps, mask, turn, size, at + down, density, dry)


PEN: tuple[tuple[Callable[[Maps, Hand, Rng], None], float], ...] = (
    (hatching, 0.28),
    (tufts, 0.15),
    (ruled, 0.3),
    (scribble, 0.12),
    (zigzag, 0.1),
    (lines, 0.25),
    (far_lines, 0.15),
    (dots, 0.05),
    (black, 0.1),
    (brush, 0.08),
)


def page(rng: Rng, art: Art) -> Maps:
    """Return the maps of a piece of a page: one hand's, by pen, other drawings or words."""
    maps, hand = Maps.blank(), Hand.any(rng)
    kind = rng.random()
    for _ in range(int(rng.integers(1, 4)) if rng.random() < 0.45 else 0):
        ruled(maps, hand, rng)
    if kind < 0.3:
        figures(maps, hand, rng, art)
    elif kind < 0.47:
        for _ in range(int(rng.integers(1, 4))):
            words(maps, hand, rng, art)
    if kind > 0.4 or rng.random() < 0.4:
        by_pen(maps, hand, rng)
    return maps


def by_pen(maps: Maps, hand: Hand, rng: Rng) -> None:
    """Draw some of all that a pen draws."""
    draws, shares = zip(*PEN, strict=True)
    share = np.array(shares) * rng.dirichlet(np.ones(len(shares)))
    for k in rng.choice(len(draws), int(rng.integers(3, 26)), p=share / share.sum()):
        draws[k](maps, hand, rng)
        if rng.random() < 0.1:
            hand = Hand.any(rng)


def text(rng: Rng, art: Art) -> Maps:
    """Return the maps of a page of lettering, at times with a figure, rules or a flourish."""
    maps, hand = Maps.blank(), Hand.any(rng)
    dry = dryness(replace(hand, dry_share=0.25 * hand.dry_share), rng)
    rows(maps, dry, rng, art)
    if rng.random() < 0.2:
        figures(maps, hand, rng, art, most=3)
    if rng.random() < 0.25:
        ruled(maps, hand, rng)
    if rng.random() < 0.2:
        scribble(maps, hand, rng)
    return maps
