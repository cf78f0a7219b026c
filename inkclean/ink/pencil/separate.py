"""Underdrawing and printed grids told from ink by their colour."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import compress

import numpy as np

from inkclean.base.arrays import F32, F64, Bool
from inkclean.base.errors import UsageError
from inkclean.base.tiles import side_by_side, strips
from inkclean.ink.pencil.dots import find_dots
from inkclean.ink.pencil.evidence import NEUTRAL, PALE, gather, ink_hue, saturation
from inkclean.ink.pencil.pigments import (
    LEAST_SHARE,
    NAMED,
    Colours,
    Pigment,
    colours_of,
    density_of,
    find_pigments,
    hue_of,
    lamp_chroma,
    mixtures,
)
from inkclean.ink.pencil.ruled import colour_at, find_ruled, lift, lift_other_hue
from inkclean.ink.pencil.unmix import apply, coefficients, under_ink
from inkclean.ink.values import Grey, Pencil
from inkclean.sheet.lit import STRIP, averaged, gain_on, repeated, rows_of, stretched
from inkclean.sheet.values import Sheet

REDUCED_PER_MM = 5.0  # pencil is broad and soft: this many px/mm show all of it
SAME_HUE = 40.0  # degrees; a named colour means pigments this near
# Least light of paper that no pencil marks, in the darkest channel; and of what is told as
# unmarked: pencil is known a little wider than it lies.
MARKED, TOLD = 0.9, 0.85
LEAST_SAID = 1e-3  # share of the sheet; less is not told in figures
TINT = 0.8  # in its strongest channel: paler than this is uneven paper
CROSSING = 20.0  # degrees from the mixture of two pigments
APART = 60.0  # degrees; beside coloured ink, nearer hues are the ink itself or mixed with it
_HEX = re.compile(r"#[0-9a-fA-F]{6}")


@dataclass(frozen=True)
class _Decision:
    """The pigments on the page, which of them go, and the page's ink if that is coloured."""

    pigments: tuple[Pigment, ...]
    dropped: tuple[bool, ...]
    main: Pigment | None
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
            raise UsageError(f"'{word}' is not a pencil colour; write {known} or #RRGGBB")
    if "none" in words and len(words) > 1:
        raise UsageError("'none' removes nothing, so it cannot be used with other colours")
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
    factor = max(1, round(sheet.px_per_mm / REDUCED_PER_MM))
    gain = gain_on(sheet.tone, factor)
    seen = colours_of(averaged(sheet.tone, factor, gain), sheet.px_per_mm / factor)
    decision = _decide(seen, find_pigments(seen), words, lamp_chroma(sheet.shading))
    gone = [p for p, off in zip(decision.pigments, decision.dropped, strict=True) if off]
    crossings = mixtures(gone)
    under, ink = under_ink(
        seen,
        [*decision.pigments, *crossings],
        [*decision.dropped, *(True for _ in crossings)],
        decision.main,
    )
    del seen
    grey = apply(sheet.tone, coefficients(under, ink), factor, gain)
    colours = tuple(p.hex for p in _own(gone))
    darkest = np.minimum(np.minimum(under[0], under[1]), under[2])
    laid = pencilled = darkest < MARKED if gone else None
    share = float((darkest < TOLD).mean()) if gone else 0.0
    note, printed = decision.note + (_amount(share) if gone else ""), False
    if "auto" in words:
        colour, marked, said, band = _lift_print(sheet, grey, factor, decision.main)
        if colour and band is not None:
            printed, share, colours = True, min(1.0, share + marked), (*colours, colour)
            pencilled = band if pencilled is None else pencilled | band
        if said:
            note = f"{note}; {said}" if gone or decision.main else said
    layer = pencil_layer(sheet, grey, under, factor) if keep_layer and (gone or printed) else None
    pencil = Pencil(bool(gone) or printed, colours, share, layer, note, laid)
    return Grey(grey, sheet.px_per_mm, pencilled), pencil


def _lift_print(
    sheet: Sheet, grey: F32, factor: int, main: Pigment | None
) -> tuple[str, float, str, Bool | None]:
    """Remove squares, ruled lines or dots from ``grey`` in place; those as dark as the ink only
    where its hue is another (``main``, if the page's ink is coloured).

    Returns their colour on white (empty if none went), the share of the sheet they marked, a
    note in words, and where they lie (h, w).
    """
    reduced, per_mm = averaged(grey, factor), sheet.px_per_mm / factor
    ruled = find_ruled(sheet.tone, reduced, per_mm, factor)
    if ruled is None:
        dots = find_dots(reduced, per_mm, factor)
        if dots is None:
            return "", 0.0, "", None
        if not dots.pale:
            return "", 0.0, "printed dots as dark as the ink, so they were kept", None
        grey[repeated(dots.band, factor, (slice(0, grey.shape[0]), slice(0, grey.shape[1])))] = 1.0
        colour = colour_at(sheet.tone, dots.places)
        return colour, float(dots.band.mean()), f"printed dots {colour} removed", dots.band
    kind = "printed squares" if ruled.squares else "printed lines"
    if ruled.pale:
        share = lift(grey, sheet.tone, ruled)
    elif main is None:
        share = 0.0
    else:
        colours = density_of(ruled.colour), density_of(main.hex)
        share = lift_other_hue(grey, sheet.tone, ruled, *colours)
    if share == 0.0:
        return "", 0.0, f"{kind} as dark as the ink, so they were kept", None
    return ruled.colour, share, f"{kind} {ruled.colour} removed", ruled.band


def pencil_layer(sheet: Sheet, ink: F32, under: list[F32], factor: int) -> F32:
    """Return (H, W, 3) float32: the paper with the pencil and without the ink.

    Where ink covers a pixel wholly, the pencil is that of the pixels near by (``under``, red,
    green and blue (h, w), one value for ``factor``² px).
    """
    high, wide = ink.shape
    beneath = np.stack(under, axis=-1)
    layer = np.empty((high, wide, 3), np.float32)

    def fill(rows: slice) -> None:
        covered = np.clip((0.97 - ink[rows]) / 0.25, 0.0, 1.0)[..., None]
        layer[rows] = stretched(beneath, factor, rows, wide)
        layer[rows] *= covered
        layer[rows] += (1.0 - covered) * rows_of(sheet.tone, rows)

    side_by_side(fill, strips(high, factor * max(1, STRIP // factor)))
    return layer


def _decide(
    colours: Colours, pigments: Sequence[Pigment], words: tuple[str, ...], lamp: F64
) -> _Decision:
    """Which pigments go, and why, in words."""
    main = ink_hue(colours, pigments, lamp)
    coloured = [
        p
        for p in pigments
        if p.strongest < TINT and (saturation(p) > NEUTRAL or p.away(_ray(main)) < SAME_HUE)
    ]
    if words == ("none",):
        off = [False] * len(coloured)
        return _Decision(tuple(coloured), tuple(off), main, "no pencil removed, as asked")
    if "auto" not in words:
        return _named(coloured, words, main)
    signs = gather(colours, coloured, main)
    real = [not s.is_fringe(p.strongest) for p, s in zip(coloured, signs, strict=True)]
    coloured, signs = list(compress(coloured, real)), list(compress(signs, real))
    off = [p.strongest > PALE or not s.is_ink for p, s in zip(coloured, signs, strict=True)]
    parts = []
    if main is not None:
        off = [gone and p.away(main.chroma) > APART for p, gone in zip(coloured, off, strict=True)]
        parts = [f"the page is drawn in {main.name} ink {main.hex}, which was kept"]
    others = [main is None or p.away(main.chroma) > APART for p in coloured]
    kept = _list(coloured, [not gone and own for gone, own in zip(off, others, strict=True)])
    if kept:
        beside = "black" if main is None else main.name
        parts.append(f"{kept}: another ink beside the {beside}, kept")
    gone = _list(coloured, off)
    if gone:
        parts.append(f"{gone}: pencil, printed lines or wash, removed")
    note = "; ".join(parts) or "no coloured pencil found"
    return _Decision(tuple(coloured), tuple(off), main, note)


def _amount(share: float) -> str:
    """Return in words from how much of the sheet pencil was removed."""
    if share < LEAST_SHARE:
        return " (none was found)"
    if share < LEAST_SAID:
        return " (from less than 0.1 % of the sheet)"
    return f" (from {100 * share:.{0 if share >= 0.01 else 1}f} % of the sheet)"


def _own(pigments: Sequence[Pigment]) -> list[Pigment]:
    """The pigments without those that are two more plentiful ones crossing."""
    own: list[Pigment] = []
    for pigment in sorted(pigments, key=lambda p: -p.share):
        if all(pigment.away(mixed.chroma) > CROSSING for mixed in mixtures(own)):
            own.append(pigment)
    return own


def _ray(main: Pigment | None) -> F64:
    return np.zeros(2) if main is None else main.chroma


def _list(pigments: Sequence[Pigment], chosen: Sequence[bool]) -> str:
    return ", ".join(f"{p.name} {p.hex}" for p, yes in zip(pigments, chosen, strict=True) if yes)


def _named(pigments: list[Pigment], words: tuple[str, ...], main: Pigment | None) -> _Decision:
    """Drop what the user named, whatever it looks like, and nothing else."""
    off = [False] * len(pigments)
    for word in words:
        codes = NAMED.get(word, (word.upper(),))
        near = [
            number
            for number, pigment in enumerate(pigments)
            if pigment.name == word or min(pigment.away(hue_of(code)) for code in codes) < SAME_HUE
        ]
        for number in near:
            off[number] = True
        if not near:
            pigments.append(Pigment(density_of(codes[-1]), 0.0))
            off.append(True)
    crossings = mixtures([p for p, gone in zip(pigments, off, strict=True) if gone])
    for number, pigment in enumerate(pigments):  # where named colours cross is no third one
        off[number] |= any(pigment.away(mixed.chroma) < CROSSING for mixed in crossings)
    if main is not None and any(
        gone and p.away(main.chroma) < SAME_HUE for p, gone in zip(pigments, off, strict=True)
    ):
        main = None
    return _Decision(tuple(pigments), tuple(off), main, f"removed, as asked: {', '.join(words)}")
