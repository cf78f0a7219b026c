"""Underdrawing and printed grids told from ink by their colour."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.arrays import F32
from inkclean.errors import UsageError
from inkclean.ink.pigments import (
    AXES,
    DARK,
    NAMED,
    REACH_DEGREES,
    TRUE_INK,
    Pigment,
    brightest,
    darkest,
    density_of,
    find_pigments,
    hue_of,
    log_density,
)
from inkclean.ink.unmix import apply, coefficients, under_ink
from inkclean.ink.values import Grey, Pencil
from inkclean.sheet.values import Sheet

REDUCED_PER_MM = 5.0  # pencil is broad and soft: this many px/mm show all of it
SAME_HUE_DEGREES = 40.0  # a named colour means pigments this near
COLOURED_PAGE = 0.5  # share of dark stroke centres in one hue that makes a page of coloured ink
_HEX = re.compile(r"#[0-9a-fA-F]{6}")


@dataclass(frozen=True)
class _Decision:
    pigments: tuple[Pigment, ...]
    dropped: tuple[bool, ...]
    note: str


def check_drop(drop: Sequence[str]) -> tuple[str, ...]:
    """Return the words of ``drop`` in lower case.

    Raises:
        UsageError: a word is neither auto, none, a known colour nor #RRGGBB.
    """
    words = tuple(word.strip().lower() for word in drop) or ("auto",)
    for word in words:
        if word not in ("auto", "none", *NAMED) and not _HEX.fullmatch(word):
            known = ", ".join(("auto", "none", *NAMED))
            raise UsageError(f"'{word}' is no colour to drop: write {known} or #RRGGBB")
    if "none" in words and len(words) > 1:
        raise UsageError("'none' drops nothing, so no colour can stand beside it")
    return words


def separate(
    sheet: Sheet, drop: Sequence[str] = ("auto",), *, keep_layer: bool = False
) -> tuple[Grey, Pencil]:
    """Tell ink from coloured pencil, printed grid and paper.

    Args:
        sheet: the evenly lit sheet.
        drop: ``auto`` finds pencil on the page; ``none`` drops nothing; colours (``blue``,
            ``#RRGGBB``) name what to drop, whatever it looks like.
        keep_layer: also make the picture of the pencil, which costs as much again.

    Returns:
        The grey with ink alone on it, and what was taken for pencil.

    Raises:
        UsageError: an unknown word in ``drop``.
    """
    words = check_drop(drop)
    reduced, per_mm = _reduce(sheet)
    density = log_density(reduced)
    pigments = find_pigments(reduced, density, per_mm)
    decision = _decide(reduced, density, pigments, words)
    under, ink = under_ink(reduced, density, decision.pigments, decision.dropped, per_mm)
    grey, dark = apply(sheet.reflectance, coefficients(under, ink))
    gone = [p for p, off in zip(decision.pigments, decision.dropped, strict=True) if off]
    layer = pencil_layer(sheet, grey, under) if keep_layer and gone else None
    pencil = Pencil(
        found=bool(gone),
        colours=tuple(p.hex for p in gone),
        share=float((darkest(under) < 0.9).mean()) if gone else 0.0,
        layer=layer,
        note=decision.note,
    )
    return Grey(grey, dark, sheet.px_per_mm), pencil


def pencil_layer(sheet: Sheet, ink: F32, under: F32) -> F32:
    """Return (H, W, 3) float32: the paper with the pencil and without the ink.

    Where ink covers a pixel wholly, the pencil is that of the pixels near by (``under``,
    (h, w, 3) on a reduced sheet).
    """
    high, wide = ink.shape
    layer = cv2.resize(under, (wide, high), interpolation=cv2.INTER_LINEAR)
    covered = np.clip((0.97 - ink) / 0.25, 0.0, 1.0)[..., None]
    layer *= covered
    layer += (1.0 - covered) * sheet.reflectance
    return np.asarray(layer, np.float32)


def _reduce(sheet: Sheet) -> tuple[F32, float]:
    factor = max(1, round(sheet.px_per_mm / REDUCED_PER_MM))
    high, wide = sheet.reflectance.shape[:2]
    size = (max(1, round(wide / factor)), max(1, round(high / factor)))
    if factor == 1:
        return sheet.reflectance, sheet.px_per_mm
    reduced = cv2.resize(sheet.reflectance, size, interpolation=cv2.INTER_AREA)
    return np.asarray(reduced, np.float32), sheet.px_per_mm * size[0] / wide


def _decide(
    reduced: F32, density: F32, pigments: Sequence[Pigment], words: tuple[str, ...]
) -> _Decision:
    """Which pigments go, and why, in words."""
    if words == ("none",):
        return _Decision(tuple(pigments), (False,) * len(pigments), "nothing dropped, as asked")
    if "auto" not in words:
        return _named(list(pigments), words)
    if not pigments:
        return _Decision((), (), "no coloured pencil found")
    main = _ink_colour(reduced, pigments)
    dropped = []
    for pigment in pigments:
        if main is not None:
            dropped.append(pigment is not main and pigment.strongest > 1.5 * main.strongest)
        else:
            dropped.append(pigment.strongest > TRUE_INK)
    parts = []
    gone = [p for p, off in zip(pigments, dropped, strict=True) if off]
    kept = [p for p, off in zip(pigments, dropped, strict=True) if not off]
    if main is not None:
        parts.append(f"the page is drawn in {main.name} ink alone: kept as ink")
    elif kept:
        names = ", ".join(f"{p.name} {p.hex}" for p in kept)
        parts.append(f"{names} is as dark as ink: kept as ink")
    if gone:
        names = ", ".join(f"{p.name} {p.hex}" for p in gone)
        parts.append(f"dropped as pencil or printed lines: {names}")
    return _Decision(tuple(pigments), tuple(dropped), "; ".join(parts))


def _named(pigments: list[Pigment], words: tuple[str, ...]) -> _Decision:
    dropped = [False] * len(pigments)
    for word in words:
        codes = NAMED.get(word, (word,))
        near = [
            number
            for number, pigment in enumerate(pigments)
            if pigment.name == word
            or min(pigment.away(hue_of(code)) for code in codes) < SAME_HUE_DEGREES
        ]
        for number in near:
            dropped[number] = True
        if not near:
            pigments.append(Pigment(density_of(codes[-1]), 0.0))
            dropped.append(True)
    return _Decision(tuple(pigments), tuple(dropped), f"dropped as asked: {', '.join(words)}")


def _ink_colour(reduced: F32, pigments: Sequence[Pigment]) -> Pigment | None:
    """The pigment in which the page is inked, None if that is black.

    Judged in the centres of dark strokes, where black is neutral whatever lies under it.
    """
    bright, dim = brightest(reduced), darkest(reduced)
    centre = (dim < DARK) & (dim <= cv2.erode(dim, np.ones((5, 5), np.uint8)))
    count = int(centre.sum())
    if count == 0:
        return None
    tinted = centre & (bright - dim > 0.05) & (bright > 1.6 * dim)
    if int(tinted.sum()) < COLOURED_PAGE * count:
        return None
    chroma = log_density(reduced[tinted]) @ AXES.T
    rays = np.array([p.chroma / np.hypot(*p.chroma) for p in pigments], np.float32)
    along = chroma @ rays.T
    sure = along.max(axis=1) > np.cos(np.radians(REACH_DEGREES)) * np.hypot(*chroma.T)
    counts = np.bincount(np.argmax(along, axis=1)[sure], minlength=len(pigments))
    best = int(np.argmax(counts))
    return pigments[best] if counts[best] >= COLOURED_PAGE * count else None
