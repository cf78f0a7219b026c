"""Tops of tables of many kinds, drawn by chance: cloth, stone, wood, print, other sheets.

Each is a picture (H, W, 3) of sRGB values 0..1 on the table's plane, ``PER_MM`` px a mm.
Nothing here is shared with the demo's own desks.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.sheet.desks import F64

Image = NDArray[np.float32]
Rng = np.random.Generator
PER_MM = 2.0
SIDE_MM = 700.0  # of the table that is drawn, the sheet in its middle
_SIDE = int(SIDE_MM * PER_MM)


def cloud(rng: Rng, mm: float, shape: tuple[int, int] = (_SIDE, _SIDE)) -> Image:
    """Smooth noise of unit deviation whose waves are about ``mm`` long."""
    step = max(1.0, mm * PER_MM)
    small = rng.standard_normal((int(shape[0] / step) + 3, int(shape[1] / step) + 3))
    big = cv2.resize(small.astype(np.float32), (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return np.asarray(big / max(float(big.std()), 1e-6), np.float32)


def tinted(rng: Rng, low: float, high: float, colour: float = 0.06) -> Image:
    """A colour (3,) of a grey between ``low`` and ``high`` (sRGB, 0..1), slightly tinted."""
    tint = rng.normal(0, colour, 3)
    tone = np.clip(rng.uniform(low, high) + tint - tint.mean(), 0.02, 0.99)
    return np.asarray(tone, np.float32)


def field(colour: Image) -> Image:
    return np.ascontiguousarray(np.broadcast_to(colour, (_SIDE, _SIDE, 3)), np.float32)


def mottled_cloth(rng: Rng) -> Image:
    """Light cloth: flecks of several sizes, a weave."""
    top = field(tinted(rng, 0.76, 0.94, 0.02))
    flecks = sum(cloud(rng, mm) * rng.uniform(0.005, 0.05) for mm in (0.8, 2.5, 7.0, 20.0))
    x = np.arange(_SIDE) / PER_MM
    pitch = rng.uniform(1.2, 2.5)
    weave = 0.02 * np.sin(2 * np.pi * x / pitch)
    out = top + np.asarray(flecks)[..., None] + (weave[:, None] + weave[None])[..., None]
    return np.asarray(out, np.float32)


def terrazzo(rng: Rng) -> Image:
    """Chips of many colours in a light ground."""
    top = field(tinted(rng, 0.75, 0.94, 0.015)).copy()
    top += cloud(rng, 1.0)[..., None] * np.float32(0.015)
    for _ in range(int(rng.uniform(3000, 7000))):
        centre = rng.uniform(0, _SIDE, 2)
        size = rng.gamma(2.0, 2.2) * PER_MM / 2 + 1.5
        angle = np.sort(rng.uniform(0, 2 * np.pi, rng.integers(4, 8)))
        ring = centre + size * np.stack([np.cos(angle), np.sin(angle)], 1) * rng.uniform(0.5, 1, 2)
        tone = tinted(rng, 0.25, 0.97, 0.12)
        cv2.fillPoly(top, [np.rint(ring * 16).astype(np.int32)], tone.tolist(), cv2.LINE_AA, 4)
    return top


def newspaper(rng: Rng) -> Image:
    """Columns of text in lines, headings, grey pictures, turned a little."""
    top = field(tinted(rng, 0.78, 0.86, 0.02)).copy()
    x = 0.0
    column = rng.uniform(38, 60)
    while x < SIDE_MM:
        y = rng.uniform(0, 8)
        while y < SIDE_MM:
            kind = rng.random()
            left, right = int((x + 2) * PER_MM), int((x + column - 2) * PER_MM)
            if kind < 0.12:
                high = rng.uniform(20, 60)
                part = top[int(y * PER_MM) : int((y + high) * PER_MM), left:right]
                grey = (
                    rng.uniform(0.3, 0.6) + 0.15 * cloud(rng, 6.0)[: part.shape[0], : part.shape[1]]
                )
                part[:] = grey[..., None]
                y += high + 4
            elif kind < 0.25:
                _words(top, rng, left, right, y, rng.uniform(5, 12))
                y += 14
            else:
                for _ in range(int(rng.uniform(5, 30))):
                    _words(top, rng, left, right, y, 1.8)
                    y += 3.4
                y += 4
        x += column
    turn = cv2.getRotationMatrix2D((_SIDE / 2, _SIDE / 2), rng.uniform(-40, 40), 1.1)
    turned = cv2.warpAffine(top, turn, (_SIDE, _SIDE), borderMode=cv2.BORDER_REFLECT)
    return np.asarray(turned, np.float32)


def _words(top: Image, rng: Rng, left: int, right: int, y_mm: float, high_mm: float) -> None:
    rows = slice(int(y_mm * PER_MM), int((y_mm + high_mm) * PER_MM))
    x = left
    while x < right:
        wide = int(rng.uniform(1.0, 6.0) * high_mm * PER_MM)
        part = top[rows, x : min(x + wide, right)]
        ink = rng.uniform(0.15, 0.5, (part.shape[0], part.shape[1], 1)).astype(np.float32)
        part[:] = np.where(rng.random((1, part.shape[1], 1)) < 0.75, ink, part)
        x += wide + int(0.6 * high_mm * PER_MM)


def light_wood(rng: Rng) -> Image:
    """Pale boards with grain and seams."""
    colour = np.array([0.86, 0.76, 0.62], np.float32) + rng.normal(0, 0.05, 3).astype(np.float32)
    grain = cv2.resize(
        rng.standard_normal((_SIDE // 2, 24)).astype(np.float32), (_SIDE, _SIDE)
    ) * np.float32(0.04)
    rings = 0.04 * np.sin(
        2 * np.pi * (np.arange(_SIDE)[:, None] / PER_MM / 9 + 0.7 * cloud(rng, 120))
    )
    board = np.floor(np.arange(_SIDE) / PER_MM / rng.uniform(80, 140)).astype(int)
    tone = rng.normal(0, 0.04, board.max() + 1)[board][:, None]
    seam = np.r_[0, np.diff(board)].astype(bool)
    out = colour * (1 + grain + rings + tone)[..., None]
    out[seam] *= 0.55
    turn = cv2.getRotationMatrix2D((_SIDE / 2, _SIDE / 2), rng.uniform(0, 180), 1.45)
    turned = cv2.warpAffine(
        out.astype(np.float32), turn, (_SIDE, _SIDE), borderMode=cv2.BORDER_REFLECT
    )
    return np.asarray(turned, np.float32)


def sheets_under(rng: Rng) -> Image:
    """Other white sheets, some drawn on, on a mid-toned table, and the sheet on top of them."""
    top = field(tinted(rng, 0.3, 0.6, 0.1)).copy() + cloud(rng, 3.0)[..., None] * np.float32(0.01)
    for _ in range(int(rng.integers(1, 4))):
        middle = _SIDE / 2 + rng.uniform(-70, 70, 2) * PER_MM
        size = np.array([210, 297]) * rng.choice([1.0, 1.414]) * PER_MM
        _leaf(top, rng, middle, size, rng.uniform(-30, 30), tinted(rng, 0.87, 0.95, 0.01))
    return top


def _leaf(top: Image, rng: Rng, middle: F64, size: F64, turn: float, colour: Image) -> None:
    t = np.radians(turn)
    spin = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
    box = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * size / 2 @ spin.T + middle
    shade = np.ones(top.shape[:2], np.float32)
    cv2.fillPoly(shade, [np.rint((box + 2) * 16).astype(np.int32)], 0.7, cv2.LINE_AA, 4)
    top *= cv2.GaussianBlur(shade, (0, 0), 3.0)[..., None]
    cv2.fillPoly(top, [np.rint(box * 16).astype(np.int32)], colour.tolist(), cv2.LINE_AA, 4)
    for _ in range(int(rng.integers(0, 10))):
        line = middle + (rng.uniform(-0.4, 0.4, (5, 2)) * size) @ spin.T
        cv2.polylines(
            top, [np.rint(line * 16).astype(np.int32)], False, (0.2, 0.2, 0.2), 1, cv2.LINE_AA, 4
        )


def stone(rng: Rng) -> Image:
    """A light stone top: clouds and veins."""
    top = field(tinted(rng, 0.76, 0.95, 0.02)).copy()
    clouds = cloud(rng, 60) * 0.04 + cloud(rng, 15) * 0.03 + cloud(rng, 4) * 0.015
    veins = np.abs(cloud(rng, 70) + 0.3 * cloud(rng, 12) + 0.1 * cloud(rng, 3))
    depth = rng.uniform(0.1, 0.3) * np.exp(-veins / rng.uniform(0.03, 0.1))
    speckle = cloud(rng, 0.6) * 0.02
    return np.asarray(top + (clouds + speckle - depth)[..., None], np.float32)


def carpet(rng: Rng) -> Image:
    """Loops in rows, light to mid-toned."""
    top = field(tinted(rng, 0.5, 0.88, 0.04))
    pitch = rng.uniform(2.0, 4.0)
    x = np.arange(_SIDE) / PER_MM
    wobble = cloud(rng, 8) * 0.6
    loops = np.sin(2 * np.pi * (x[None] + wobble) / pitch) * np.sin(
        2 * np.pi * (x[:, None] + wobble) / pitch
    )
    out = top + (0.10 * loops + 0.05 * cloud(rng, 0.8) + 0.03 * cloud(rng, 10))[..., None]
    return np.asarray(out, np.float32)


def patterned_cloth(rng: Rng) -> Image:
    """A print that repeats: checks, stripes or dots on a light ground."""
    ground, other = tinted(rng, 0.82, 0.95, 0.03), tinted(rng, 0.35, 0.75, 0.15)
    pitch = rng.uniform(8, 30)
    y, x = np.mgrid[:_SIDE, :_SIDE].astype(np.float32) / np.float32(PER_MM)
    kind = rng.integers(0, 3)
    if kind == 0:
        share = ((x % pitch < pitch / 2).astype(np.float32) + (y % pitch < pitch / 2)) / 2
    elif kind == 1:
        share = (x % pitch < pitch * 0.4).astype(np.float32)
    else:
        share = (np.hypot(x % pitch - pitch / 2, y % pitch - pitch / 2) < pitch * 0.3).astype(
            np.float32
        )
    out = ground * (1 - share[..., None]) + other * share[..., None]
    out = out + (0.012 * cloud(rng, 0.7))[..., None]
    turn = cv2.getRotationMatrix2D((_SIDE / 2, _SIDE / 2), rng.uniform(0, 180), 1.45)
    turned = cv2.warpAffine(
        out.astype(np.float32), turn, (_SIDE, _SIDE), borderMode=cv2.BORDER_REFLECT
    )
    return np.asarray(turned, np.float32)


def plain(rng: Rng) -> Image:
    """A smooth table of any tone."""
    return np.asarray(
        field(tinted(rng, 0.08, 0.65, 0.1)) + cloud(rng, 30)[..., None] * np.float32(0.01),
        np.float32,
    )


def pale_board(rng: Rng) -> Image:
    """A painted board nearly as light as paper: soft clouds, brush marks, a fine tooth."""
    top = field(tinted(rng, 0.74, 0.93, 0.02))
    marks = cv2.resize(rng.standard_normal((_SIDE, 40)).astype(np.float32), (_SIDE, _SIDE))
    clouds = cloud(rng, 90) * rng.uniform(0, 0.03) + cloud(rng, 25) * rng.uniform(0, 0.02)
    tooth = cloud(rng, 0.7) * rng.uniform(0.003, 0.02)
    return np.asarray(top + (0.008 * marks + clouds + tooth)[..., None], np.float32)
