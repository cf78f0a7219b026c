"""Lengths and paper sizes as a user types them; numbers of things as a user reads them.

Sizes of ISO 216 and JIS P 0138; US sizes 8.5 × 11 in and 11 × 17 in (common practice, no
source).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from inkclean.base.errors import UsageError

MM_PER_INCH = 25.4
MM_PER_PT = MM_PER_INCH / 72.0
MM_PER_CSS_PX = MM_PER_INCH / 96.0

_NUMBER = r"([0-9]+(?:\.[0-9]*)?|\.[0-9]+)"
_LENGTH = re.compile(rf"^\s*{_NUMBER}\s*(mm|cm|in|pt|px)?\s*$")
_SIZE = re.compile(rf"^\s*{_NUMBER}\s*[x×]\s*{_NUMBER}\s*(mm|cm|in|pt)?\s*$")
_IN_MM = {"mm": 1.0, "cm": 10.0, "in": MM_PER_INCH, "pt": MM_PER_PT, "px": MM_PER_CSS_PX}


@dataclass(frozen=True)
class Paper:
    """A size of paper, upright: ``width_mm`` ≤ ``height_mm`` for the named ones."""

    name: str
    width_mm: float
    height_mm: float


PAPERS: dict[str, Paper] = {
    paper.name: paper
    for paper in (
        Paper("A0", 841, 1189),
        Paper("A1", 594, 841),
        Paper("A2", 420, 594),
        Paper("A3", 297, 420),
        Paper("A4", 210, 297),
        Paper("A5", 148, 210),
        Paper("A6", 105, 148),
        Paper("B4", 250, 353),
        Paper("B5", 176, 250),
        Paper("JIS-B4", 257, 364),
        Paper("JIS-B5", 182, 257),
        Paper("letter", 215.9, 279.4),
        Paper("legal", 215.9, 355.6),
        Paper("tabloid", 279.4, 431.8),
    )
}
_BY_KEY = {name.lower(): paper for name, paper in PAPERS.items()} | {"board": PAPERS["tabloid"]}


def parse_length_mm(text: str) -> float:
    """Return the length in mm; a bare number is mm, and mm, cm, in, pt, px (CSS) are known.

    Raises:
        UsageError: the text is no length.
    """
    match = _LENGTH.match(text.lower())
    if match is None:
        raise UsageError(f"'{text}' is not a length; write a number with mm, in, pt or px")
    return float(match[1]) * _IN_MM[match[2] or "mm"]


def parse_paper(text: str) -> Paper | None:
    """Return the paper named (``A4``, ``letter``, ``210x297mm``); None for ``auto``.

    Raises:
        UsageError: neither a known name nor a size.
    """
    key = text.strip().lower()
    if key == "auto":
        return None
    if key in _BY_KEY:
        return _BY_KEY[key]
    match = _SIZE.match(key)
    if match is None:
        known = ", ".join(PAPERS)
        raise UsageError(f"'{text}' is not a paper size; write {known} or a size like 210x297mm")
    unit = _IN_MM[match[3] or "mm"]
    width, height = float(match[1]) * unit, float(match[2]) * unit
    if not (10.0 <= width <= 5000.0 and 10.0 <= height <= 5000.0):
        raise UsageError(f"'{text}' is not a paper size; sides must be between 10 mm and 5 m")
    return Paper(f"{width:g}x{height:g}mm", width, height)


def counted(number: int, what: str) -> str:
    """Return how many there are of something, in words."""
    return f"{number} {what}" if number == 1 else f"{number} {what}s"
