"""Words set in a font, or in the demo's own strokes, as masks; sound words letter by letter."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import TypeAlias

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from inkclean.base.arrays import F64, U8
from inkclean.demo.drawing import lettering

FINER = 24.0  # px a mm on which pages are drawn
Rng: TypeAlias = np.random.Generator
Setter: TypeAlias = Callable[[str, float, Rng], U8]
"""Gives a line of text as a mask (h, w) of 0 and 1, cropped; capitals so many mm high."""

_COMMON = (
    "the of and to in is you that it he was for on are as with his they at be this have from "
    "or one had by word but not what all were we when your can said there use an each which "
    "she do how their if will up other about out many then them these so some her would make "
    "like him into time has look two more write go see number no way could people my than "
    "first water been call who oil its now find long down day did get come made may part over "
    "new sound take only little work know place year live me back give most very after thing "
    "our just name good sentence man think say great where help through much before line "
    "right too mean old any same tell boy follow came want show also around form three small "
    "set put end does another well large must big even such because turn here why ask went "
    "men read need land different home us move try kind hand picture again change off play "
    "spell air away animal house point page letter mother answer found study still learn "
    "should world lamp heron keeper storm quay zephyr jinx vex fizz gaze"
)
_SOUNDS = (
    "BOOM CRASH KRAK SPLASH WHOOSH ZAP BANG THUD POW SNAP CLICK RRRUMBLE SKREEE TOK DRIP "
    "HISSS CLANG WHAM FWIP KLONK GRRR AAAH HEY VROOM BZZZT CREAK PLOP SWISH TICK GULP EEK HA"
)
COMMON, SOUNDS = _COMMON.split(), _SOUNDS.split()


@lru_cache(maxsize=64)
def _font(path: str, size: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(path, size)


@lru_cache(maxsize=256)
def _capitals(path: str) -> float:
    """Height of the capital H, in sizes of the font."""
    _left, top, _right, bottom = _font(path, 200).getbbox("H")
    return max(float(bottom - top) / 200, 0.2)


def of_font(path: Path | str, *, script: bool = False) -> Setter:
    """Return what sets lines in a font; nobody writes a ``script`` in capitals alone."""

    def line(text: str, height_mm: float, rng: Rng) -> U8:
        if script and text.isupper():
            text = text.capitalize()
        size = max(4, round(height_mm * FINER / _capitals(str(path))))
        font = _font(str(path), size)
        left, top, right, bottom = (round(side) for side in font.getbbox(text))
        picture = Image.new("L", (max(1, right - left + 8), max(1, bottom - top + 8)))
        ImageDraw.Draw(picture).text((4 - left, 4 - top), text, fill=255, font=font)
        grey = np.asarray(picture)
        return cropped(_penned((grey > 127).astype(np.uint8), (grey > 60).astype(np.uint8)))

    return line


def _penned(mask: U8, whole: U8) -> U8:
    """Return the mask; if it has hairlines, ``whole`` as broad as a pen's, 0.2 mm."""
    inner = cv2.erode(mask, np.ones((3, 3), np.uint8))
    lacking = 0.2 * FINER - 4 * float(mask.sum()) / max(float(mask.sum() - inner.sum()), 1.0)
    if lacking <= 0.5:
        return mask
    wide = 1 + 2 * max(1, round(lacking / 2))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (wide, wide))
    return np.asarray(cv2.dilate(np.pad(whole, wide), disc), np.uint8)


def of_strokes(text: str, height_mm: float, rng: Rng) -> U8:
    """Set a line in the demo's alphabet, capitals alone, as a round pen draws it."""
    text = "".join(c for c in text.upper() if c.isalpha() or c in " .,!?'-…") or "A"
    wide = round((lettering.width(text, height_mm) + 4) * FINER)
    mask = np.zeros((round((2.2 * height_mm + 4) * FINER), max(8, wide)), np.uint8)
    pen = max(2, round(rng.uniform(0.12, 0.2) * height_mm * FINER))
    for curved, points in lettering.strokes(text, 2, 2 + 1.4 * height_mm, height_mm, rng):
        at = points if len(points) > 1 else np.repeat(points, 2, axis=0)
        if curved and len(at) > 2:
            at = _smooth(at)
        cv2.polylines(mask, [np.round(at * FINER * 16).astype(np.int32)], False, 1, pen, shift=4)
    return cropped(mask)


def _smooth(points: F64) -> F64:
    for _ in range(3):
        ahead = 0.75 * points[:-1] + 0.25 * points[1:]
        behind = 0.25 * points[:-1] + 0.75 * points[1:]
        inner = np.stack([ahead, behind], 1).reshape(-1, 2)
        points = np.concatenate([points[:1], inner, points[-1:]])
    return points


def cropped(mask: U8) -> U8:
    """Return the mask without empty rows and columns around it."""
    left, top, width, height = cv2.boundingRect(mask)
    return mask[top : top + height, left : left + width] if width else np.ones((1, 1), np.uint8)


def sentence(rng: Rng, letters: int, capitals: bool) -> str:
    """Return words, so many letters or a little more."""
    words: list[str] = []
    while sum(map(len, words)) + len(words) < letters:
        words.append(str(rng.choice(COMMON)))
        if rng.random() < 0.12:
            words[-1] += str(rng.choice([",", "…", "!", "?", "-"]))
    text = " ".join(words) + str(rng.choice([".", "!", "?", "…", "", "!!", ".", "!?"]))
    text = text[0].upper() + text[1:]
    if rng.random() < 0.08:
        text = str(rng.integers(2, 3000)) + " " + text
    return text.upper() if capitals else text


def block(setter: Setter, lines: list[str], height_mm: float, rng: Rng) -> U8:
    """Return lines one below the other, centred."""
    masks = [setter(line, height_mm, rng) for line in lines if line.strip()]
    pitch = round(rng.uniform(1.45, 1.75) * height_mm * FINER)
    wide = max(mask.shape[1] for mask in masks)
    whole = np.zeros((pitch * len(masks) + round(2 * height_mm * FINER), wide), np.uint8)
    low = rng.random() < 0.2  # flush left
    for number, mask in enumerate(masks):
        # by the foot of the line; what hangs below it is small
        top = max(0, pitch * number + round(1.4 * height_mm * FINER) - mask.shape[0])
        left = 0 if low else (wide - mask.shape[1]) // 2
        part = whole[top : top + mask.shape[0], left : left + mask.shape[1]]
        np.maximum(part, mask[: part.shape[0]], out=part)
    return cropped(whole)


def broken(text: str, width: int) -> list[str]:
    """Return the text in lines of about so many letters."""
    lines = [""]
    for word in text.split():
        if len(lines[-1]) + len(word) > width and lines[-1]:
            lines.append("")
        lines[-1] = (lines[-1] + " " + word).strip()
    return lines


def turned(mask: U8, degrees: float, scale: tuple[float, float] = (1, 1)) -> U8:
    """Return the mask turned, and stretched before."""
    size = (max(1, round(mask.shape[1] * scale[0])), max(1, round(mask.shape[0] * scale[1])))
    grey = np.asarray(cv2.resize(mask * 255, size, interpolation=cv2.INTER_LINEAR), np.uint8)
    height, width = grey.shape
    matrix = np.asarray(cv2.getRotationMatrix2D((width / 2, height / 2), degrees, 1.0))
    cos, sin = abs(matrix[0, 0]), abs(matrix[0, 1])
    out = (int(height * sin + width * cos) + 2, int(height * cos + width * sin) + 2)
    matrix[:, 2] += [(out[0] - width) / 2, (out[1] - height) / 2]
    return cropped((cv2.warpAffine(grey, matrix, out) > 127).astype(np.uint8))


def sound(setter: Setter, text: str, height_mm: float, rng: Rng) -> U8:
    """Return a sound word: letters along an arc, each a little turned and of its own size."""
    masks = []
    grow, turn = rng.uniform(-0.06, 0.06), rng.uniform(0, 9)
    for number, letter in enumerate(text):
        mask = setter(letter, height_mm * float(rng.uniform(0.9, 1.1)), rng)
        size = float(np.exp(grow * number))
        masks.append(turned(mask, float(rng.normal() * turn), (size, size)))
    apart = round(rng.uniform(0.03, 0.18) * height_mm * FINER)
    wide = sum(mask.shape[1] + apart for mask in masks)
    sway = rng.uniform(-0.35, 0.35) * height_mm * FINER
    tall = round(max(mask.shape[0] for mask in masks) + 2 * abs(sway) + 4)
    whole = np.zeros((tall, wide), np.uint8)
    x = 0
    for number, mask in enumerate(masks):
        along = (number + 0.5) / len(masks)
        middle = tall / 2 + sway * np.sin(np.pi * along) + rng.normal() * 0.05 * height_mm * FINER
        top = int(np.clip(middle - mask.shape[0] / 2, 0, tall - mask.shape[0]))
        part = whole[top : top + mask.shape[0], x : x + mask.shape[1]]
        np.maximum(part, mask, out=part)
        x += mask.shape[1] + apart
    return turned(cropped(whole), float(rng.normal() * 12))
