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
    apart, y = em * rng.uniform(0.9, 1.7), rng.uniform(-em, em)
    while y < SIDE_MM:
        x = rng.uniform(-25, 12) if rng.random() < 0.9 else rng.uniform(0, SIDE_MM)
        dipped = 1.0
        while x < SIDE_MM and rng.random() > 0.03:
            word = sentence(rng, 1)
            pen.text((x * FINE, (y + 0.02 * em * rng.normal()) * FINE), word, fill=255, font=font)
            long = font.getlength(word + " ") / FINE
            dipped = 1.1 if rng.random() < 0.2 else max(0.45, dipped * fades)
            own = dipped * (1 + spread * rng.normal())
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
    moved = cv2.warpAffine(drawn, matrix, (2 * SIDE, 2 * SIDE), flags=cv2.INTER_LINEAR)
    sigma = em * FINE * rng.uniform(0.008, 0.02)
    soft = cv2.GaussianBlur(moved, (0, 0), max(0.7, float(sigma)))
    side = int(rng.integers(60, 500))
    rough = rng.normal(size=(side, side)).astype(np.float32)
    waves = cv2.resize(rough, soft.shape[::-1], interpolation=cv2.INTER_LINEAR)
    level = 255 * rng.uniform(0.3, 0.6) + np.float32(255 * rng.uniform(0, 0.12)) * waves
    return np.asarray(soft > level, np.bool_).view(np.uint8)


def _lay(maps: Maps, shape: U8, density: F32, dry: U8) -> None:
    np.maximum(maps.shape, shape, out=maps.shape)
    laid = np.asarray(cv2.resize(shape * np.uint8(255), (SIDE, SIDE), interpolation=cv2.INTER_AREA))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (round(BROAD_MM * PX_PER_MM) | 1,) * 2)
    broad = cv2.morphologyEx((laid > 127).view(np.uint8), cv2.MORPH_OPEN, kernel) * np.uint8(255)
    near = cv2.dilate(laid, np.ones((5, 5), np.uint8)) > 0
    codes = np.clip(density * DENSITY_ONE, 1, 255).astype(np.uint8)
    for channel, plane in enumerate((codes, dry, np.asarray(broad, np.uint8))):
        maps.nature[..., channel][near] = plane[near]
