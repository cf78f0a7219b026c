"""Draws pages of known lettering and keeps their marks, for fitting.

Run: ``python -m tests.fitting.lettering.collect ART.npz FONTS OUT.npz SEED PAGES``, several times
with other seeds (resvg-py and fonttools are not needed here). ``art.py`` makes ART and FONTS.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I64, U8, Bool
from inkclean.flats.lettering.marks import find_marks, pictures
from tests.fitting.lettering.packed import Art, setters_of
from tests.lettering import pages, words

MOST_MARKS = 900  # of a page: one full of dots says no more than that
PURE = 0.85  # share of a mark's ink that must be of one kind


def worn(coverage: F32, kind: U8, rng: np.random.Generator) -> tuple[Bool, U8, float]:
    """Return ink and kinds as another photo of the page would have them, and px a mm."""
    scale = float(rng.uniform(0.66, 1.04))
    size = round(coverage.shape[1] * scale), round(coverage.shape[0] * scale)
    small: Any = cv2.resize(coverage, size, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), float(rng.uniform(0.3, 0.9)))
    small = small + rng.normal(size=small.shape) * float(rng.uniform(0, 0.12))
    ink = np.asarray(small >= rng.uniform(0.3, 0.65))
    near: Any = cv2.resize(cv2.dilate(kind, np.ones((3, 3), np.uint8)), size, interpolation=0)
    own: Any = cv2.resize(kind, size, interpolation=0)
    return ink, np.asarray(np.where(own > 0, own, near), np.uint8), pages.PX_PER_MM * scale


def page(seed: int, setters: list[words.Setter], art: Art) -> dict[str, Any]:
    """Return the marks of one page: pictures, boxes, sizes, strokes, whether letters (or -1)."""
    rng = np.random.default_rng(seed + 1_000_000)
    board = pages.board(seed, setters, art.any, bare=0.2, crowds=seed % 2 == 0)
    ink, kind, scale = worn(board.coverage, board.kind, rng)
    marks = find_marks(np.ascontiguousarray(ink), scale)
    rows = np.flatnonzero(marks.shaped)
    letters = np.bincount(marks.label[ink], kind[ink] == pages.TEXT, len(marks.size) + 1)[1:]
    share = (letters / np.maximum(marks.size, 1))[rows]
    rows, share = _fewer(rows, share, rng)
    label = np.where(share > PURE, 1, np.where(share < 1 - PURE, 0, -1)).astype(np.int8)
    seen = np.round(pictures(marks, rows) * 255).astype(np.uint8)
    numbers = np.column_stack([marks.box[rows], marks.size[rows], marks.stroke[rows]])
    return {
        "seen": seen,
        "label": label,
        "numbers": numbers.astype(np.float32),
        "scale": np.full(len(rows), scale, np.float32),
        "page": np.full(len(rows), seed, np.int64),
    }


def _fewer(rows: I64, share: F64, rng: np.random.Generator) -> tuple[I64, F64]:
    if len(rows) <= MOST_MARKS:
        return rows, share
    # a window of the page, so that neighbours stay neighbours
    first = int(rng.integers(len(rows) - MOST_MARKS))
    return rows[first : first + MOST_MARKS], share[first : first + MOST_MARKS]


def main() -> None:
    """Collect."""
    cv2.setNumThreads(1)
    art_file, fonts, out, seed, many = sys.argv[1:]
    art = Art(Path(art_file))
    setters = setters_of(Path(fonts))
    found = [page(int(seed) + k, setters, art) for k in range(int(many))]
    whole: dict[str, Any] = {key: np.concatenate([f[key] for f in found]) for key in found[0]}
    np.savez_compressed(out, **whole)


if __name__ == "__main__":
    main()
