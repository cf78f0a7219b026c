"""Surfaces that a sheet may lie on, drawn by chance: each (SIDE, SIDE, 3) uint8 sRGB.

Their tone, contrast and scale are drawn anew each time one is used (``scenes.py``).
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

SIDE = 1024
F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]
Rng = np.random.Generator
Y, X = (a.astype(np.float32) for a in np.mgrid[:SIDE, :SIDE])


def colour(rng: Rng) -> F32:
    """Return any colour of a thing (3,), 0 to 1: muted ones most often."""
    hue, full = rng.uniform(0, 2 * np.pi), rng.beta(1, 2.5)
    tone = rng.beta(1.4, 1.1)
    way = np.cos(hue + np.array([0.0, 2.1, 4.2]))
    return np.clip(tone + way * full * min(tone, 1.1 - tone) * 0.8, 0.01, 0.99).astype(np.float32)


def clouds(rng: Rng, slope: float, stretch: float = 1.0, turn: float = 0.0) -> F32:
    """Return noise (SIDE, SIDE) of unit spread whose amplitude falls as frequency ** -slope."""
    fy, fx = np.fft.fftfreq(SIDE)[:, None], np.fft.rfftfreq(SIDE)[None]
    c, s = np.cos(turn), np.sin(turn)
    far = np.hypot((fx * c + fy * s) * stretch, (fy * c - fx * s) / stretch)
    far[0, 0] = 1.0
    wave = np.fft.rfft2(rng.standard_normal((SIDE, SIDE), np.float32)) * far**-slope
    wave[0, 0] = 0.0
    noise = np.fft.irfft2(wave, (SIDE, SIDE)).astype(np.float32)
    return np.asarray(noise / max(float(noise.std()), 1e-6), np.float32)


def band(rng: Rng, px: float, wide: float = 0.3) -> F32:
    """Return noise of unit spread with grains of about so many px."""
    fine = rng.standard_normal((SIDE, SIDE)).astype(np.float32)
    small = cv2.GaussianBlur(fine, (0, 0), max(0.3, px * 0.4))
    noise = small - cv2.GaussianBlur(fine, (0, 0), max(0.6, px * (0.4 + wide)))
    return np.asarray(noise / max(float(noise.std()), 1e-6), np.float32)


def mixed(share: F32, low: F32, high: F32) -> F32:
    """Return (SIDE, SIDE, 3) between two colours or pictures by ``share``."""
    part = np.clip(share, 0, 1)[..., None]
    return np.asarray(low * (1 - part) + high * part, np.float32)


def near(rng: Rng, tone: F32, away: float) -> F32:
    """Return a colour not far from another."""
    return np.clip(tone + rng.normal(0, away) + rng.normal(0, away / 3, 3), 0, 1).astype(np.float32)


def along(rng: Rng) -> tuple[F32, F32]:
    """Return coordinates (SIDE, SIDE) turned by any angle, wavering a little now and then."""
    turn = rng.choice([0.0, np.pi / 2, rng.uniform(0, np.pi)])
    u, v = X * np.cos(turn) + Y * np.sin(turn), Y * np.cos(turn) - X * np.sin(turn)
    if rng.random() < 0.4:
        waver = np.exp(rng.uniform(np.log(0.5), np.log(25)))
        u = u + waver * clouds(rng, 2.2)
        v = v + waver * clouds(rng, 2.2)
    return u.astype(np.float32), v.astype(np.float32)


def _periods(rng: Rng, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _bars(rng: Rng, at: F32, period: float, many: int) -> F32:
    """Return (SIDE, SIDE, 3): bars of several colours and widths that come again each period."""
    cuts = np.sort(rng.random(many))
    colours = np.stack([colour(rng) for _ in range(many)])
    return np.asarray(colours[np.searchsorted(cuts, np.mod(at / period, 1.0)) % many], np.float32)


def stripes(rng: Rng) -> F32:
    u, _ = along(rng)
    return _bars(rng, u, _periods(rng, 12, 400), int(rng.integers(2, 7)))


def checks(rng: Rng) -> F32:
    """Two sets of bars, woven through each other: gingham, tartan, table linen."""
    u, v = along(rng)
    period, many = _periods(rng, 12, 350), int(rng.integers(2, 6))
    one = _bars(rng, u, period, many)
    seed = int(rng.integers(1 << 30))
    two = one if rng.random() < 0.1 else _bars(np.random.default_rng(seed), v, period, many)
    if rng.random() < 0.6:  # the same bars both ways
        same = np.random.default_rng(seed)
        one = _bars(same, u, period, many)
    way = rng.random()
    if way < 0.4:
        return np.asarray((one + two) / 2, np.float32)
    if way < 0.6:
        return one * two
    if way < 0.8:
        over = (np.floor(u * 6 / period) + np.floor(v * 6 / period)) % 2
        return mixed(over, one, two)
    board = (np.floor(u / period) + np.floor(v / period)) % 2
    return mixed(board, colour(rng), colour(rng))


def weave(rng: Rng) -> F32:
    """Threads over and under each other, coarse linen to fine cotton; ribs and knits too."""
    u, v = along(rng)
    p, q = _periods(rng, 2.5, 30), rng.uniform(0.6, 1.7)
    rib = np.sin(np.pi * u / p) ** 2
    if rng.random() < 0.35:  # knitted: each column a row of slanted loops
        v = v + p * rng.uniform(0.3, 1.2) * np.abs(np.mod(u / p, 2.0) - 1.0)
    other = np.sin(np.pi * v / (p * q)) ** 2
    over = (np.floor(u / p) + np.floor(v / (p * q))) % 2
    light = np.where(over > 0, rib, other) ** rng.uniform(0.3, 1.0)
    light = light + rng.uniform(0, 0.4) * clouds(rng, 0.8) + rng.uniform(0, 0.3) * band(rng, p)
    tone = colour(rng)
    return mixed(light, near(rng, tone * rng.uniform(0.4, 0.95), 0.04), tone)


def mottled(rng: Rng) -> F32:
    noise = clouds(rng, rng.uniform(0.3, 2.0), rng.uniform(1, 2.5), rng.uniform(0, 3))
    noise = noise + rng.uniform(0, 1) * band(rng, _periods(rng, 1.5, 12))
    tone = colour(rng)
    return mixed(0.5 + noise * 0.25, near(rng, tone, 0.2), tone)


def chips(rng: Rng) -> F32:
    """Terrazzo, pebbles, mosaic: cells about chance points, some left as ground."""
    many = int(_periods(rng, 150, 12000))
    at = rng.uniform(0, SIDE, (many, 2))
    seeds = np.full((SIDE, SIDE), 255, np.uint8)
    cell = np.clip(at.astype(np.int64), 0, SIDE - 1)
    seeds[cell[:, 1], cell[:, 0]] = 0
    away, label = cv2.distanceTransformWithLabels(
        seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    palette = np.stack([colour(rng) for _ in range(int(rng.integers(2, 8)))])
    palette = near(rng, colour(rng), 0.05) + rng.uniform(0.2, 1) * (palette - palette.mean(0))
    own = palette[rng.integers(0, len(palette), label.max() + 1)]
    own = own + rng.normal(0, rng.uniform(0, 0.1), (len(own), 1))
    laid = own[label].astype(np.float32)
    ground = palette.mean(0).astype(np.float32) * rng.uniform(0.7, 1.2)
    bare = rng.random(label.max() + 1) < rng.uniform(0, 0.8)
    reach = rng.uniform(0.4, 1.2) * SIDE / np.sqrt(many)
    edge = away + 0.2 * reach * clouds(rng, 0.7)
    share = ((edge < reach * 0.6) & ~bare[label]).astype(np.float32)
    return mixed(cv2.GaussianBlur(share, (0, 0), 0.8), ground, laid)


def speckles(rng: Rng) -> F32:
    """Granite and the like: grains of a few minerals at several sizes."""
    top = np.broadcast_to(colour(rng), (SIDE, SIDE, 3)).astype(np.float32)
    for _ in range(int(rng.integers(2, 6))):
        grain = band(rng, _periods(rng, 1.5, 25)) + rng.uniform(0, 0.8) * clouds(rng, 1.5)
        share = np.clip((grain - rng.uniform(-0.5, 1.8)) * rng.uniform(2, 8), 0, 1)
        top = mixed(share.astype(np.float32), top, near(rng, colour(rng), 0.1))
    return top


def veins(rng: Rng) -> F32:
    """Marble, creased leather, cracked paint."""
    noise = clouds(rng, rng.uniform(1.2, 2.0), rng.uniform(1, 2), rng.uniform(0, 3))
    ridge = np.exp(-np.abs(noise) * rng.uniform(3, 25)) * rng.uniform(0.3, 1)
    more = np.exp(-np.abs(clouds(rng, 1.6)) * rng.uniform(5, 25)) * rng.uniform(0, 0.7)
    tone = colour(rng)
    return mixed(ridge + more + 0.1 * clouds(rng, 1.5), tone, colour(rng))


def wood(rng: Rng) -> F32:
    """Planks or one board: rings drawn out along the grain, pores, joints."""
    u, v = along(rng)
    wide = _periods(rng, 60, 1500)
    plank = np.floor(v / wide)
    shift = rng.uniform(0, 4000, 256)[np.mod(plank, 256).astype(np.int64)]
    long = clouds(rng, 1.6, rng.uniform(3, 8), 0.0 if abs(u[0, 1] - u[0, 0]) > 0.5 else np.pi / 2)
    rings = np.sin((np.mod(v, wide) + shift) / _periods(rng, 2, 25) + rng.uniform(0.5, 6) * long)
    pores = clouds(rng, 0.5, 6.0, 0.0 if abs(u[0, 1] - u[0, 0]) > 0.5 else np.pi / 2)
    tone = colour(rng) * np.array([1.0, 0.86, 0.7], np.float32) ** rng.uniform(0, 1.3)
    tone = np.clip(tone + rng.uniform(0, 0.3), 0, 1).astype(np.float32)
    share = 0.5 + rng.uniform(0.05, 0.4) * rings + rng.uniform(0.02, 0.2) * pores
    share = share + rng.normal(0, 0.2, 256)[np.mod(plank, 256).astype(np.int64)]
    top = mixed(share.astype(np.float32), tone * np.float32(rng.uniform(0.4, 0.9)), tone)
    gap = np.abs(np.mod(v + wide / 2, wide) - wide / 2) < rng.uniform(0.5, 4)
    if rng.random() < 0.5:
        length = wide * rng.uniform(2, 8)
        gap |= np.abs(np.mod(u + shift, length)) < rng.uniform(0.5, 3)
    return np.asarray(top * (1 - rng.uniform(0.1, 0.8) * gap[..., None]), np.float32)


def tiles(rng: Rng) -> F32:
    """Tiles or bricks in rows, with joints darker or lighter, each tile of its own tone."""
    u, v = along(rng)
    wide, high = _periods(rng, 35, 600), 1.0
    high = wide * rng.choice([1.0, 1.0, 0.5, rng.uniform(0.25, 1)])
    row = np.floor(v / high)
    u = u + wide * rng.choice([0.0, 0.5, 1 / 3]) * np.mod(row, 6)
    column = np.floor(u / wide)
    own = rng.normal(0, 1, (61, 67))[np.mod(row, 61).astype(int), np.mod(column, 67).astype(int)]
    tone = colour(rng)
    inner = mixed(0.5 + own * rng.uniform(0, 0.5), tone, near(rng, tone, 0.15))
    if rng.random() < 0.35:
        inner = mixed((np.mod(row + column, 2) > 0).astype(np.float32), inner, colour(rng))
    if rng.random() < 0.6:
        inner = inner + rng.uniform(0, 0.12) * clouds(rng, rng.uniform(0.4, 2))[..., None]
    half = rng.uniform(0.6, 7)
    at = np.minimum(np.minimum(np.mod(u, wide), wide - np.mod(u, wide)),
                    np.minimum(np.mod(v, high), high - np.mod(v, high)))  # fmt: skip
    joint = np.clip(half - at + 0.5, 0, 1)
    return mixed(joint * rng.uniform(0.3, 1), inner, near(rng, colour(rng), 0.1))


def printed(rng: Rng) -> F32:
    """Newspaper, magazines, maps: columns of lines of marks, headlines, pictures, rules."""
    tone, ink = np.float32(rng.uniform(0.65, 0.97)), colour(rng) * np.float32(0.4)
    top = np.full((SIDE, SIDE), 255, np.uint8)
    x = -int(rng.integers(0, 100))
    wide = int(_periods(rng, 60, 400))
    pitch = _periods(rng, 4, 14)
    while x < SIDE:
        y = -int(rng.integers(0, 100))
        while y < SIDE:
            kind, high = rng.random(), int(_periods(rng, 20, 400))
            if kind < 0.12:
                put = top[max(y, 0) : max(y + high, 0), max(x, 0) : max(x + wide - 10, 0)]
                grey = clouds(rng, 1.5)[: put.shape[0], : put.shape[1]]
                put[:] = np.clip(grey * 50 + 120, 0, 255)
            else:
                size = pitch * (rng.uniform(2, 5) if kind < 0.3 else 1.0)
                for line in np.arange(y, y + high, size):
                    at = x + rng.uniform(0, 5)
                    last = x + wide - 10 - (rng.random() < 0.15) * rng.uniform(0, wide)
                    while at < last:
                        word = size * rng.uniform(0.6, 4)
                        end = (int(min(at + word, last)), int(line + size * 0.55))
                        cv2.rectangle(top, (int(at), int(line)), end, int(rng.integers(0, 150)), -1)
                        at += word + size * 0.45
            y += high + int(rng.integers(3, 20))
            if rng.random() < 0.3:
                cv2.line(top, (x, y - 2), (x + wide - 10, y - 2), 60, int(rng.integers(1, 4)))
        x += wide
    grain = band(rng, 2.0) * rng.uniform(0.1, 0.5) + 1
    share = np.clip((255 - top.astype(np.float32)) / 255 * grain, 0, 1)
    return mixed(
        np.asarray(cv2.blur(share, (2, 2)), np.float32), tone * np.ones(3, np.float32), ink
    )


def motifs(rng: Rng) -> F32:
    """A printed cloth or oilcloth: one or a few shapes again and again, in rows or strewn."""
    cell = int(_periods(rng, 24, 300))
    unit = np.broadcast_to(colour(rng), (cell, cell, 3)).astype(np.float32).copy()
    for _ in range(int(rng.integers(1, 7))):
        at = rng.uniform(0, cell, 2)
        size = rng.uniform(0.05, 0.35, 2) * cell
        turn = rng.uniform(0, 360)
        own = colour(rng).tolist()
        for dx in (-cell, 0, cell):
            for dy in (-cell, 0, cell):
                put = (int(at[0] + dx), int(at[1] + dy))
                if rng.random() < 2.0 and len(own) == 3:
                    axes = (int(size[0]) + 1, int(size[1]) + 1)
                    cv2.ellipse(unit, put, axes, turn, 0, 360, own, -1, cv2.LINE_AA)
        if rng.random() < 0.4:
            angle = np.linspace(0, 2 * np.pi, 60)
            petals = 1 + 0.5 * np.cos(int(rng.integers(3, 9)) * angle)
            ring = np.stack([np.cos(angle), np.sin(angle)], 1) * (petals * size.min())[:, None]
            cv2.fillPoly(
                unit, [np.rint(ring + cell / 2).astype(np.int32)], colour(rng).tolist(), cv2.LINE_AA
            )
    u, v = along(rng)
    v = v + cell * rng.choice([0.0, 0.5]) * np.mod(np.floor(u / cell), 2)
    top = cv2.remap(
        unit,
        np.mod(u, cell).astype(np.float32),
        np.mod(v, cell).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_WRAP,
    )
    return np.asarray(top + rng.uniform(0, 0.05) * band(rng, 2.0)[..., None], np.float32)


def mat(rng: Rng) -> F32:
    """A cutting mat, squared paper or a grid: fine lines, broader ones every few, diagonals."""
    u, v = along(rng)
    p, half = _periods(rng, 8, 60), rng.uniform(0.4, 1.6)
    tone, ink = colour(rng), colour(rng)
    top = np.broadcast_to(tone, (SIDE, SIDE, 3)).astype(np.float32)
    every = int(rng.integers(2, 11))
    for at, step, wide, share in (
        (u, p, half, 0.6), (v, p, half, 0.6),
        (u, p * every, 2 * half, 0.9), (v, p * every, 2 * half, 0.9),
        (u + v, p * 20, half, 0.3), (u - v, p * 20, half, 0.3),
    ):  # fmt: skip
        away = np.abs(np.mod(at + step / 2, step) - step / 2)
        top = mixed(np.clip(wide - away + 0.5, 0, 1) * share * rng.uniform(0.3, 1), top, ink)
    return top


def pile(rng: Rng) -> F32:
    """Carpet, towel, fleece: tufts with light and shade, sometimes in rows or a pattern."""
    p = _periods(rng, 2, 14)
    tuft = band(rng, p) * rng.uniform(0.1, 0.3)
    ground = (checks, stripes, mottled, plain)[int(rng.integers(0, 4))](rng)
    row = np.sin(2 * np.pi * along(rng)[0] / _periods(rng, 6, 80)) * rng.uniform(0, 0.15)
    return np.asarray(ground * (1 + tuft + row + 0.05 * clouds(rng, 1.5))[..., None], np.float32)


def creased(rng: Rng) -> F32:
    """A bed sheet or table cloth in folds: soft light and shade, sharp at creases."""
    noise = clouds(rng, rng.uniform(1.6, 2.6), rng.uniform(1, 3), rng.uniform(0, 3))
    light = np.asarray(cv2.Sobel(noise, cv2.CV_32F, 1, 1, ksize=5), np.float32)
    light = light / max(float(light.std()), 1e-6)
    ground = (weave, plain, mottled)[int(rng.integers(0, 3))](rng)
    u, v = along(rng)
    for at in (u, v):  # ironed folds
        if rng.random() < 0.4:
            away = (np.mod(at, 500) - 250) / rng.uniform(2, 8)
            crease = rng.uniform(0.5, 3) * away * np.exp(-(away**2))
            light = np.asarray(light + crease, np.float32)
    return np.asarray(ground * (1 + rng.uniform(0.02, 0.15) * light)[..., None], np.float32)


def plain(rng: Rng) -> F32:
    """Lacquer, laminate, painted board, desk mat: next to nothing to see."""
    light = (
        1
        + rng.uniform(0, 0.04) * clouds(rng, 2.0)
        + rng.uniform(0, 0.02) * band(rng, _periods(rng, 1.2, 6))
    )
    top = colour(rng) * light[..., None]
    for _ in range(int(rng.integers(0, 6)) * (rng.random() < 0.4)):  # scratches and spots
        a, b = rng.uniform(0, SIDE, (2, 2))
        cv2.line(
            top,
            (int(a[0]), int(a[1])),
            (int(b[0]), int(b[1])),
            colour(rng).tolist(),
            1,
            cv2.LINE_AA,
        )
    return np.asarray(top, np.float32)


def clutter(rng: Rng) -> F32:
    """Books, boxes, leaflets, a keyboard: blocks of colour with straight sides."""
    top = KINDS[int(rng.integers(0, len(KINDS) - 1))](rng).copy()
    for _ in range(int(rng.integers(2, 14))):
        size = (_periods(rng, 30, 500), _periods(rng, 30, 500))
        box = cv2.boxPoints(
            ((rng.uniform(0, SIDE), rng.uniform(0, SIDE)), size, rng.uniform(0, 180))
        )
        shade = np.zeros((SIDE, SIDE), np.float32)
        cv2.fillPoly(shade, [np.rint(box + rng.uniform(0, 8)).astype(np.int32)], 1.0)
        top = top * (1 - rng.uniform(0, 0.5) * np.asarray(cv2.blur(shade, (9, 9))))[..., None]
        own = colour(rng) if rng.random() < 0.6 else np.float32(rng.uniform(0.8, 0.98)) * np.ones(3)
        cv2.fillPoly(top, [np.rint(box).astype(np.int32)], own.tolist(), cv2.LINE_AA)
        if rng.random() < 0.4:
            inner = box + (box.mean(0) - box) * rng.uniform(0.1, 0.6)
            cv2.polylines(
                top,
                [np.rint(inner).astype(np.int32)],
                True,
                colour(rng).tolist(),
                int(rng.integers(1, 6)),
                cv2.LINE_AA,
            )
    return np.asarray(top, np.float32)


KINDS: tuple[Callable[[Rng], F32], ...] = (
    stripes, checks, weave, mottled, chips, speckles, veins, wood, tiles, printed, motifs, mat,
    pile, creased, plain, checks, tiles, printed, clutter,
)  # fmt: skip


def surface(rng: Rng) -> U8:
    """Return a surface of any kind."""
    top = KINDS[int(rng.integers(0, len(KINDS)))](rng)
    if rng.random() < 0.2:  # fine grain over it: threads, dust
        top = top * (1 + rng.uniform(0, 0.1) * band(rng, _periods(rng, 1.2, 5)))[..., None]
    return np.clip(top * 255, 0, 255).astype(np.uint8)
