"""Pages full of lettering, written or printed: rows of words in one hand or face."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from inkclean.base.arrays import F32, U8
from tests.fitting.ink.strokes import BROAD_MM, DENSITY_ONE, PX_PER_MM, SIDE, SIDE_MM, Maps
from tests.fitting.ink.words import sentence

if TYPE_CHECKING:
    from tests.fitting.ink.marks import Art

Rng = np.random.Generator
NIB, BENT = 0.25, 0.5  # shares of pages: by a broad nib, bent
FINE = 2 * PX_PER_MM  # px/mm of the shapes


def rows(maps: Maps, dry: U8, rng: Rng, art: Art) -> None:
    """Fill the page with rows of words; ``dry`` (SIDE, SIDE) uint8 is how dry the pen runs."""
    em = float(np.exp(rng.uniform(np.log(2.6), np.log(14))))
    font = ImageFont.truetype(str(rng.choice(art.fonts)), max(12, round(em * FINE)))
    canvas = Image.new("L", (2 * SIDE, 2 * SIDE))
    pen = ImageDraw.Draw(canvas)
    density = np.ones((SIDE, SIDE), np.float32)
    fades = float(rng.choice([1.0, 0.97, 0.85]))  # a dipped pen grows paler from word to word
    spread = float(rng.choice([0.0, 0.1, 0.3]))
    rows_differ = bool(rng.random() < 0.15)  # several inks and days on a page
    row = 1.0
    apart, y = em * rng.uniform(0.9, 1.7), rng.uniform(-em, em)
    while y < SIDE_MM:
        x = rng.uniform(-25, 12) if rng.random() < 0.9 else rng.uniform(0, SIDE_MM)
        dipped = 1.0
        if rows_differ and rng.random() < 0.4:
            row = float(rng.uniform(0.25, 1.1))
        while x < SIDE_MM and rng.random() > 0.03:
            word = sentence(rng, 1)
            pen.text((x * FINE, (y + 0.02 * em * rng.normal()) * FINE), word, fill=255, font=font)
            long = font.getlength(word + " ") / FINE
            dipped = 1.1 if rng.random() < 0.2 else max(0.45, dipped * fades)
            own = row * dipped * (1 + spread * rng.normal())
            top, left = max(0, int((y - 0.2 * em) * PX_PER_MM)), max(0, int(x * PX_PER_MM))
            here = slice(top, int((y + 1.3 * em) * PX_PER_MM))
            density[here, left : int((x + long) * PX_PER_MM)] = own
            x += long * (1 + 0.1 * rng.random())
        y += apart * (1 if rng.random() < 0.93 else 2)
    shape = _worn_type(np.asarray(canvas, np.uint8), em, rng)
    _lay(maps, shape, density, dry)


def _worn_type(drawn: U8, em: float, rng: Rng) -> U8:
    """Return (2·SIDE)² of 0 and 1: turned, slanted, swollen or thinned, its edges ragged."""
    turn, slant = float(rng.normal() * 0.03), float(rng.normal() * 0.08)
    cos, sin = np.cos(turn), np.sin(turn)
    matrix = np.array([[cos, slant - sin, 0.0], [sin, cos, 0.0]])
    matrix[:, 2] = SIDE - matrix[:, :2] @ np.full(2, float(SIDE))
    if rng.random() < NIB:
        drawn = _nib(drawn, em, rng)
    moved = cv2.warpAffine(drawn, matrix, (2 * SIDE, 2 * SIDE), flags=cv2.INTER_LINEAR)
    if rng.random() < BENT:
        moved = _bent(np.asarray(moved), em, rng)
    sigma = em * FINE * rng.uniform(0.008, 0.02)
    soft = cv2.GaussianBlur(moved, (0, 0), max(0.7, float(sigma)))
    side = int(rng.integers(60, 500))
    rough = rng.normal(size=(side, side)).astype(np.float32)
    waves = cv2.resize(rough, soft.shape[::-1], interpolation=cv2.INTER_LINEAR)
    level = 255 * rng.uniform(0.3, 0.6) + np.float32(255 * rng.uniform(0, 0.12)) * waves
    return np.asarray(soft > level, np.bool_).view(np.uint8)


def _nib(drawn: U8, em: float, rng: Rng) -> U8:
    """Return ``drawn`` as a broad nib writes: strokes across its slant are thicker."""
    half = max(1, round(em * FINE * rng.uniform(0.01, 0.04)))
    turn = rng.uniform(0.3, 1.1) * (1 if rng.random() < 0.85 else -1)
    kernel = np.zeros((2 * half + 1,) * 2, np.uint8)
    tip = round(half * float(np.cos(turn))), -round(half * float(np.sin(turn)))
    cv2.line(kernel, (half - tip[0], half - tip[1]), (half + tip[0], half + tip[1]), (1,), 1)
    return np.asarray(cv2.dilate(drawn, kernel), np.uint8)


def _bent(drawn: U8, em: float, rng: Rng) -> U8:
    """Return ``drawn`` bent in all directions: no letter is written twice alike."""
    size = drawn.shape[1], drawn.shape[0]
    many = int(np.clip(2 * SIDE / (em * FINE) * rng.uniform(0.5, 1.6), 4, 120))
    far = em * FINE * rng.uniform(0.02, 0.08)
    maps = []
    for axis in range(2):
        rough = (far * rng.normal(size=(many, many))).astype(np.float32)
        away = np.asarray(cv2.resize(rough, size, interpolation=cv2.INTER_CUBIC), np.float32)
        steps = np.arange(size[axis], dtype=np.float32)
        away += steps[:, None] if axis else steps[None]
        maps.append(away)
    return np.asarray(cv2.remap(drawn, maps[0], maps[1], cv2.INTER_LINEAR), np.uint8)


def _lay(maps: Maps, shape: U8, density: F32, dry: U8) -> None:
    np.maximum(maps.shape, shape, out=maps.shape)
    laid = np.asarray(cv2.resize(shape * np.uint8(255), (SIDE, SIDE), interpolation=cv2.INTER_AREA))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (round(BROAD_MM * PX_PER_MM) | 1,) * 2)
    broad = cv2.morphologyEx((laid > 127).view(np.uint8), cv2.MORPH_OPEN, kernel) * np.uint8(255)
    near = cv2.dilate(laid, np.ones((5, 5), np.uint8)) > 0
    codes = np.clip(density * DENSITY_ONE, 1, 255).astype(np.uint8)
    for channel, plane in enumerate((codes, dry, np.asarray(broad, np.uint8))):
        maps.nature[..., channel][near] = plane[near]
