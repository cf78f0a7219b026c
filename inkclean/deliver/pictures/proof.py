"""The proof: one picture that shows before, after, what was removed and what to check."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from inkclean.base.arrays import F32, F64, U8
from inkclean.base.colour import to_srgb
from inkclean.deliver.pictures.bitmap import own_alpha
from inkclean.deliver.pictures.proof_checks import check_panel
from inkclean.ink.checks import InkCheck, ink_checks
from inkclean.ink.values import Ink
from inkclean.sheet.values import Capture, Photo, Sheet

# Height of the pictures in px: a page of A4 shows lines of 0.2 mm at more than one px.
HEIGHT = 1800
MARGIN = 48
HEAD = 130
_LINE = 40
TABLE = (238, 236, 231)
TEXT = (38, 36, 34)
_OUTLINE = (214, 92, 42)
SURE = (36, 128, 138)
DOUBT = (214, 92, 42)
# Removed specks in one square of this side, in px of the picture, share a ring.
_GROUP_PX = 48.0
_RING_PX = 7.0  # least radius of a ring


Rgb: TypeAlias = tuple[int, int, int]


@dataclass(frozen=True)
class ProofPanel:
    """A picture ``HEIGHT`` px high, and what stands over it."""

    title: str
    picture: Image.Image


def write_proof(photo: Photo, sheet: Sheet, ink: Ink, capture: Capture, path: Path) -> None:
    """Write the proof as PNG; the underdrawing is shown where ``ink`` has kept its picture."""
    alpha, checks = own_alpha(ink), ink_checks(ink.removed, ink.doubts)
    ringed = _ink_panel(ink, alpha, checks)
    panels = [ProofPanel("Photo", _photo_panel(photo, sheet)), ProofPanel("Ink", ringed)]
    if ink.pencil.layer is not None:
        pencil = _fit(to_srgb(_shrink(ink.pencil.layer)))
        panels.append(ProofPanel("Pencil removed", pencil))
    if checks:
        near = check_panel(
            checks, sheet.reflectance, alpha, ink.removed, ink.px_per_mm, HEIGHT, SURE
        )
        panels.append(ProofPanel("To check: the sheet, and its ink", near))
    lay_out_proof(photo.name, panels, _notes(sheet, ink, capture, checks)).save(
        path, "PNG", compress_level=3
    )


def lay_out_proof(name: str, panels: list[ProofPanel], notes: list[tuple[str, Rgb]]) -> Image.Image:
    """Return the panels side by side, the page's name above and the notes below."""
    width = MARGIN + sum(panel.picture.width + MARGIN for panel in panels)
    height = HEAD + HEIGHT + MARGIN + _LINE * len(notes) + MARGIN
    table = Image.new("RGB", (max(width, 1200), height), TABLE)
    draw = ImageDraw.Draw(table)
    left = MARGIN
    for panel in panels:
        draw.text((left, HEAD - 54), panel.title, TEXT, font=ImageFont.load_default(34))
        table.paste(panel.picture, (left, HEAD))
        left += panel.picture.width + MARGIN
    draw.text((MARGIN, 22), name, TEXT, font=ImageFont.load_default(40))
    for number, (note, colour) in enumerate(notes):
        top = HEAD + HEIGHT + MARGIN + _LINE * number
        draw.text((MARGIN, top), note, colour, font=ImageFont.load_default(26))
    return table


def _fit(pixels: U8) -> Image.Image:
    scale = HEIGHT / pixels.shape[0]
    how = cv2.INTER_AREA if scale < 1.0 else cv2.INTER_CUBIC
    size = (max(1, round(pixels.shape[1] * scale)), HEIGHT)
    return Image.fromarray(np.asarray(cv2.resize(pixels, size, interpolation=how), np.uint8))


def _shrink(picture: F32) -> F32:
    """Bring a large picture near the panel's height before it is encoded, to save time."""
    step = picture.shape[0] // HEIGHT
    if step < 2:
        return picture
    size = (picture.shape[1] // step, picture.shape[0] // step)
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.float32)


def _photo_panel(photo: Photo, sheet: Sheet) -> Image.Image:
    picture = _fit(photo.pixels)
    scale = picture.height / photo.pixels.shape[0]
    frame = sheet.frame
    draw = ImageDraw.Draw(picture)
    edges = frame.edges_px
    outline = frame.corners_px if edges is None else np.concatenate([edge[:-1] for edge in edges])
    if frame.framed != "whole":
        places = [(float(x) * scale, float(y) * scale) for x, y in outline]
        draw.line([*places, places[0]], _OUTLINE, width=5)
        for x, y in frame.corners_px * scale:
            draw.ellipse((x - 13, y - 13, x + 13, y + 13), outline=_OUTLINE, width=4)
    return picture


def _ink_panel(ink: Ink, alpha: U8, checks: Sequence[InkCheck]) -> Image.Image:
    picture = _fit(np.asarray(255 - alpha, np.uint8)).convert("RGB")
    draw = ImageDraw.Draw(picture)
    scale = picture.height / ink.coverage.shape[0] * ink.px_per_mm
    few = ImageFont.load_default(20)
    for x, y, reach, count in rings(ink.removed * scale).tolist():
        draw.ellipse((x - reach, y - reach, x + reach, y + reach), outline=SURE, width=2)
        if count > 1:
            _write(draw, (x + reach + 2, y - 12), f"{count:.0f}", SURE, few)
    for number, check in enumerate(checks, 1):
        reach = max(20.0, check.size_mm * scale * 0.6)
        number_ring(draw, check.x_mm * scale, check.y_mm * scale, reach, number)
    return picture


def number_ring(draw: ImageDraw.ImageDraw, x: float, y: float, reach: float, number: int) -> None:
    """Ring a place to check (px of the picture) and write its number beside it."""
    draw.ellipse((x - reach, y - reach, x + reach, y + reach), outline=DOUBT, width=4)
    _write(draw, (x + reach + 3, y - 14), str(number), DOUBT, ImageFont.load_default(24))


def rings(marks: F32) -> F64:
    """Return (M, 4) x, y, radius and count of the rings around marks (N, 3) x, y and diameter.

    A mark by itself gets a ring of its own; marks in one square share one that holds them all,
    so that a page full of dust shows where it was, from top to bottom.
    """
    if not len(marks):
        return np.zeros((0, 4))
    x, y, size = np.asarray(marks, np.float64).T
    column, row = np.floor(x / _GROUP_PX), np.floor(y / _GROUP_PX)
    order = np.lexsort((column, row))
    x, y, size, column, row = (part[order] for part in (x, y, size, column, row))
    fresh = (np.diff(row, prepend=-1.0) != 0) | (np.diff(column, prepend=-1.0) != 0)
    first = np.flatnonzero(fresh)
    left, right = np.minimum.reduceat(x, first), np.maximum.reduceat(x, first)
    top, bottom = np.minimum.reduceat(y, first), np.maximum.reduceat(y, first)
    around = np.maximum(np.maximum.reduceat(size, first), _RING_PX)
    reach = np.hypot(right - left, bottom - top) / 2 + around
    count = np.diff(first, append=len(x))
    return np.stack([(left + right) / 2, (top + bottom) / 2, reach, count], axis=1)


def _write(
    draw: ImageDraw.ImageDraw,
    place: tuple[float, float],
    text: str,
    colour: Rgb,
    font: ImageFont.FreeTypeFont | ImageFont.ImageFont,
) -> None:
    """Write on the picture, with a white rim."""
    draw.text(place, text, colour, font=font, stroke_width=3, stroke_fill=(255, 255, 255))


def _notes(
    sheet: Sheet, ink: Ink, capture: Capture, checks: Sequence[InkCheck]
) -> list[tuple[str, Rgb]]:
    paper = sheet.frame.paper or "sheet"
    share = 100.0 * float((ink.coverage >= 0.5).mean())
    notes = [
        (
            f"{paper}, {sheet.width_mm:.0f} by {sheet.height_mm:.0f} mm, {sheet.frame.framed}; "
            f"{share:.1f} % ink. Photo: {capture.verdict} ({capture.advice})",
            TEXT,
        )
    ]
    if sheet.frame.doubt:
        notes.append((sheet.frame.doubt, DOUBT))
    if ink.note:
        notes.append((ink.note, TEXT))
    if len(ink.removed):
        notes.append((f"{len(ink.removed)} specks removed (ringed; a number says how many)", SURE))
    if checks:
        notes.append(("To check, the likeliest mistakes first; answer on the desk:", DOUBT))
    notes += [(f"{number}  {check.why}", DOUBT) for number, check in enumerate(checks, 1)]
    return notes
