"""The size of the paper from how its outline looks."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from inkclean.base.arrays import F64
from inkclean.base.units import MM_PER_INCH, PAPERS, Paper
from inkclean.sheet.framing.squaring import UNIT, homography, unit_homographies

# Cost of each size: negative log of how often it turns up (common practice, no source).
CANDIDATES = {"A4": 0.0, "letter": 1.0, "tabloid": 2.0, "legal": 4.0}
# Nothing in a photo tells sizes of one shape apart: pens draw as fine on A4 as on A3.
SAME_SHAPE = {"A4": "A4 by its shape; A3 and A5 have the same shape"}
# Focal length of a phone's main camera over its picture's diagonal (26 on 43.3 mm of film).
FOCAL_PER_DIAGONAL = 0.62
FOCAL_SPREAD = 0.3
# Deviation of the aspect of paper as it is cut, laid flat and found.
ASPECT_SPREAD = 0.012
SQUARE_SPREAD = 0.008  # deviation of the cosine of its angles
ODD_SQUARE = 0.03  # the same of corners seen in a small picture, which are rough
ODD_ASPECT = 0.03  # the same of aspects seen there
# A fit worse than this (a sum of squared standard deviations) is no standard size.
WORST_FIT = 16.0
# A whole picture within this share of a paper's aspect is that paper.
WHOLE_ASPECT = 0.02
# Scanners cut pages at these resolutions; a side that measures one exactly tells the scale.
SCAN_PPI = (300.0, 600.0, 400.0, 1200.0, 200.0)


@dataclass(frozen=True)
class Size:
    """Width and height in mm as the page lies in the photo; ``name`` None for no standard
    size; ``trust`` 0..1; ``doubt`` says in plain words what was guessed, or is empty."""

    width_mm: float
    height_mm: float
    name: str | None
    trust: float
    doubt: str


def aspects(corners: F64, photo_size: tuple[int, int], focal_px: F64) -> tuple[F64, F64]:
    """Return the page's width over height and the cosine of its corner for each focal length.

    ``corners`` is (4, 2) photo px, the photo ``photo_size`` (width, height) with its optical
    axis at the centre and square pixels. Zhang & He, Digital Signal Processing 17(2), 2007:
    with H from the unit square to the photo and ω the image of the absolute conic, the sides
    measure √(h₁ᵀωh₁) and √(h₂ᵀωh₂), and h₁ᵀωh₂ vanishes for the true focal length.
    """
    centred = corners - np.array(photo_size) / 2.0
    aspect, cosine = _aspects(homography(UNIT, centred)[None], focal_px)
    return aspect[0], cosine[0]


def _aspects(matrices: F64, focal_px: F64) -> tuple[F64, F64]:
    """Return aspects and cosines (Q, F) of homographies (Q, 3, 3) from the unit square."""
    h1, h2 = (matrices[:, :, k, None] for k in (0, 1))
    omega = 1.0 / focal_px**2
    side1 = np.sqrt((h1[:, 0] ** 2 + h1[:, 1] ** 2) * omega + h1[:, 2] ** 2)
    side2 = np.sqrt((h2[:, 0] ** 2 + h2[:, 1] ** 2) * omega + h2[:, 2] ** 2)
    product = (h1[:, 0] * h2[:, 0] + h1[:, 1] * h2[:, 1]) * omega + h1[:, 2] * h2[:, 2]
    return side1 / side2, product / (side1 * side2)


def fit_sizes(corners: F64, photo_size: tuple[int, int]) -> tuple[dict[str, float], float]:
    """Return how badly each candidate paper fits the outline, and the likeliest aspect.

    The misfit of a paper is the least, over the focal length, of three squared deviations in
    their own spreads: of the focal length, of the aspect and of the right angle.
    """
    diagonal = math.hypot(*photo_size)
    focal = diagonal * np.geomspace(0.35, 3.0, 120)
    aspect, cosine = aspects(corners, photo_size, focal)
    base = (np.log(focal / diagonal / FOCAL_PER_DIAGONAL) / FOCAL_SPREAD) ** 2
    base = base + (cosine / SQUARE_SPREAD) ** 2
    likely = float(aspect[int(np.argmin(base))])
    misfit = {}
    for name in CANDIDATES:
        paper = PAPERS[name]
        true = paper.width_mm / paper.height_mm
        away = np.minimum(np.abs(np.log(aspect / true)), np.abs(np.log(aspect * true)))
        misfit[name] = float((base + (away / ASPECT_SPREAD) ** 2).min())
    return misfit, likely


def oddness(corners: F64, photo_size: tuple[int, int]) -> F64:
    """Return (Q,) how little each of (Q, 4, 2) outlines looks like a sheet of a usual size.

    0 is a rectangle of a standard paper under a usual focal length, 1 none that a camera sees;
    a rectangle of any other shape lies between.
    """
    size = np.array(photo_size)
    centred = np.asarray(corners - size / 2.0, np.float64)
    focal = math.hypot(*photo_size) * np.geomspace(0.4, 2.5, 24)
    aspect, cosine = _aspects(unit_homographies(centred), focal)
    base = (np.log(focal / math.hypot(*photo_size) / FOCAL_PER_DIAGONAL) / FOCAL_SPREAD) ** 2
    base = base + (cosine / ODD_SQUARE) ** 2
    likely = base.min(axis=1)
    away = np.full(aspect.shape, np.inf)
    for name in CANDIDATES:
        true = PAPERS[name].width_mm / PAPERS[name].height_mm
        for each in (true, 1.0 / true):
            away = np.minimum(away, np.abs(np.log(aspect / each)))
    usual = (base + (away / ODD_ASPECT) ** 2).min(axis=1)
    shape = 1.0 - np.exp(-usual / 4.0)
    right = 1.0 - np.exp(-likely / 4.0)
    return np.asarray(right + (1.0 - right) * 0.5 * shape, np.float64)


def framed_size(corners: F64, photo_size: tuple[int, int], paper: Paper | None) -> Size:
    """Return the size of a page whose four corners were seen, or that of ``paper`` laid on it."""
    misfit, likely = fit_sizes(corners, photo_size)
    if paper is not None:
        return Size(*_laid(paper, likely), paper.name, 1.0, "")
    scored = {name: cost + 2.0 * CANDIDATES[name] for name, cost in misfit.items()}
    ranked = sorted(scored, key=scored.__getitem__)
    best = ranked[0]
    if misfit[best] > WORST_FIT:
        width, height = _as_large_as(PAPERS["A4"], likely)
        doubt = "the page has no standard shape; its size is a guess"
        return Size(width, height, None, 0.4, doubt)
    lead = scored[ranked[1]] - scored[best]
    trust = 1.0 / (1.0 + math.exp(-lead / 2.0))
    doubt = SAME_SHAPE.get(best, "")
    if trust <= 0.9:
        doubt = f"could be {ranked[1]} instead of {best}"
    return Size(*_laid(PAPERS[best], likely), best, trust, doubt)


def whole_size(photo_size: tuple[int, int], ppi: float | None, paper: Paper | None) -> Size:
    """Return the size of a page that fills the picture, at the same scale both ways."""
    width, height = photo_size
    if ppi is not None:
        mm = MM_PER_INCH / ppi
        name = paper.name if paper else _named(width * mm, height * mm)
        return Size(width * mm, height * mm, name, 1.0, "")
    aspect = width / height
    if paper is not None:
        mm = _shown_scale(paper, width, height)
        return Size(width * mm, height * mm, paper.name, 1.0, "")
    for stated in SCAN_PPI:
        mm = MM_PER_INCH / stated
        for name in ("A4", "A3", "letter", "tabloid"):
            known = sorted((PAPERS[name].width_mm, PAPERS[name].height_mm))
            shown = sorted((width * mm, height * mm))
            if all(abs(k - s) < 2.0 for k, s in zip(known, shown, strict=True)):
                return Size(width * mm, height * mm, name, 0.9, "")
    for name in ("A4", "letter", "tabloid"):
        true = PAPERS[name].height_mm / PAPERS[name].width_mm
        if abs(math.log(max(aspect, 1 / aspect) / true)) < WHOLE_ASPECT:
            mm = _shown_scale(PAPERS[name], width, height)
            doubt = f"no edge of the paper in the picture; {name} by its shape"
            return Size(width * mm, height * mm, name, 0.5, doubt)
    mm = max(PAPERS["A4"].width_mm, PAPERS["A4"].height_mm) / max(width, height)
    doubt = "no edge of the paper in the picture; its longer side is taken to be that of A4"
    return Size(width * mm, height * mm, None, 0.2, doubt)


def _shown_scale(paper: Paper, width: int, height: int) -> float:
    """Return mm per px of a picture that shows ``paper`` or a part of it."""
    short, long = sorted((paper.width_mm, paper.height_mm))
    return min(short / min(width, height), long / max(width, height))


def _laid(paper: Paper, aspect: float) -> tuple[float, float]:
    """Return the paper's width and height, turned as the page lies in the photo."""
    own = paper.width_mm / paper.height_mm
    if abs(math.log(aspect / own)) <= abs(math.log(aspect * own)):
        return paper.width_mm, paper.height_mm
    return paper.height_mm, paper.width_mm


def _as_large_as(paper: Paper, aspect: float) -> tuple[float, float]:
    """Return a width and height of ``aspect`` with the paper's area."""
    width = math.sqrt(paper.width_mm * paper.height_mm * aspect)
    return width, width / aspect


def _named(width_mm: float, height_mm: float) -> str | None:
    """Return the standard size within 3 mm of both sides, as cut by a scanner, if there is one."""
    shown = sorted((width_mm, height_mm))
    for paper in PAPERS.values():
        known = sorted((paper.width_mm, paper.height_mm))
        if all(abs(k - s) < 3.0 for k, s in zip(known, shown, strict=True)):
            return paper.name
    return None
