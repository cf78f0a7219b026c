"""Whole results scored: ink, frame, paper."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, Bool
from inkclean.demo.camera.paper import squares
from inkclean.demo.camera.shot import Shot
from inkclean.demo.drawing.page import DrawnPage
from inkclean.sheet.framing.squaring import to_photo
from inkclean.sheet.values import Frame, Sheet
from tests.scoring import measures
from tests.scoring.align import PX_PER_MM, Aligned, align

if TYPE_CHECKING:
    from inkclean.page import Page

# pencil fainter than this share of the paper is no mark that anybody sees
_PENCIL = 0.15


def score_ink(result: Bool, page: DrawnPage, shot: Shot, aligned: Aligned) -> dict[str, float]:
    """Score ink (H, W) bool on the grid of ``aligned``; all shares in per cent.

    ``pencil_left``: inked share of the paper that only pencil marks, 0.1 mm off the true ink.
    ``ink_lost``: missing share of the true ink on pencil, one px inside its edge.
    """
    truth = aligned.ink >= 0.5
    scale = aligned.px_per_mm
    counts = measures.overlap(result, truth)
    pencil = aligned.pencil >= _PENCIL
    square = np.ones((3, 3), np.uint8)
    near = cv2.dilate(truth.view(np.uint8), np.ones((5, 5), np.uint8)).view(np.bool_)
    core = cv2.erode(truth.view(np.uint8), square).view(np.bool_)
    # holes closed in the pigment's grain, so that "on pencil" means within a pencil line
    pencil = cv2.morphologyEx(pencil.view(np.uint8), cv2.MORPH_CLOSE, square).view(np.bool_)
    alone, over = pencil & ~near, pencil & core
    lines = _lines(page, aligned)
    dots = _places(page.dots, aligned)
    dust = _places(shot.dust, aligned)
    blacks = [aligned.to_sheet(b.astype(np.float64)) * scale for b in page.blacks]
    holed, hole_px = measures.black_holes(result, blacks, 0.15 * scale)
    return {
        "f": counts.f_measure,
        "recall": 100 * counts.recall,
        "precision": 100 * counts.precision,
        "psnr": measures.psnr(result, truth),
        "drd": measures.drd(result, truth),
        "pencil_left": _share(result, alone),
        "ink_lost": _share(~result, over),
        "lines": _mean(measures.lines_kept(result, lines[0], lines[1])),
        "dots": _mean(measures.dots_kept(result, dots)),
        "dust_gone": _mean(measures.places_free(result, dust, 0.05 * scale)),
        "blacks_holed": float(holed),
        "hole_px": float(hole_px),
    }


def score_frame(shot: Shot, frame: Frame) -> float:
    """Jaccard of the found sheet with the page, in page space."""
    outline = _frame_outline(frame)
    found = shot.to_page(to_photo(frame, outline))
    return measures.page_jaccard(found, shot.view.width_mm, shot.view.height_mm)


def true_frame(page: DrawnPage, shot: Shot) -> Frame:
    """The frame as the camera knows it; edges are followed where the sheet is bowed."""
    w, h = page.paper.width_mm, page.paper.height_mm
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float64)
    edges = None
    if shot.view.bend_per_mm:
        t = np.linspace(0.0, 1.0, 65)[:, None]
        top, right, bottom, left = (
            shot.to_photo(a * (1 - t) + b * t)
            for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)
        )
        edges = (top, right, bottom, left)
    return Frame(shot.corners_px, edges, w, h, page.paper.name, "given", 1.0)


def align_sheet(
    page: DrawnPage,
    shot: Shot,
    frame: Frame,
    size_px: tuple[int, int],
    px_per_mm: float,
    out_px_per_mm: float = PX_PER_MM,
    size: tuple[int, int] | None = None,
) -> Aligned:
    """Align the truth to a sheet (``size_px`` (H, W), nominal ``px_per_mm``) cut by ``frame``.

    The frame's millimetres are spread over whole pixels, as in squaring up.
    """
    fit = np.array([frame.width_mm / size_px[1], frame.height_mm / size_px[0]])

    def place(xy: F64) -> F64:
        return to_photo(frame, np.asarray(xy) * px_per_mm * fit)

    return align(
        page, shot, place, size_px[1] / px_per_mm, size_px[0] / px_per_mm, out_px_per_mm, size
    )


def score_paper(page: DrawnPage, shot: Shot, sheet: Sheet) -> float:
    """Spread of bare paper, 5th to 95th percentile of 3 mm blocks, in per cent."""
    h, w = sheet.reflectance.shape[:2]
    aligned = align_sheet(page, shot, sheet.frame, (h, w), sheet.px_per_mm, sheet.px_per_mm, (h, w))
    marked = ((aligned.ink > 0.02) | (aligned.pencil > 0.03)).view(np.uint8)
    reach = 2 * round(0.4 * sheet.px_per_mm) + 1
    bare = cv2.dilate(marked, np.ones((reach, reach), np.uint8)) == 0
    if sheet.inside is not None:
        bare &= sheet.inside
    edge = round(1.0 * sheet.px_per_mm)
    bare[:edge], bare[-edge:], bare[:, :edge], bare[:, -edge:] = False, False, False, False
    grey = np.asarray(sheet.reflectance @ np.array([0.2126, 0.7152, 0.0722], np.float32))
    return measures.spread_of_paper(grey, bare, round(3.0 * sheet.px_per_mm))


def score_cleaned(page: DrawnPage, shot: Shot, cleaned: Page) -> dict[str, float]:
    """Score everything about a cleaned page."""
    from inkclean.deliver.pictures.bitmap import cut_at

    page = with_grid(page, shot)
    sheet, ink = cleaned.sheet, cleaned.ink
    result = cut_at(ink.coverage, ink.px_per_mm, 600.0)
    size = (result.shape[0], result.shape[1])
    pixels = (sheet.reflectance.shape[0], sheet.reflectance.shape[1])
    aligned = align_sheet(page, shot, sheet.frame, pixels, sheet.px_per_mm, PX_PER_MM, size)
    scores = score_ink(result, page, shot, aligned)
    scores["jaccard"] = score_frame(shot, sheet.frame)
    found = sorted((sheet.frame.width_mm, sheet.frame.height_mm))
    true = sorted((page.paper.width_mm, page.paper.height_mm))
    scores["paper_right"] = float(np.allclose(found, true, atol=0.5))
    scores["paper_spread"] = score_paper(page, shot, sheet)
    return scores


def _lines(page: DrawnPage, aligned: Aligned) -> tuple[F64, F64]:
    ends = page.hatching.astype(np.float64)
    a, b = aligned.to_sheet(ends[:, :2]), aligned.to_sheet(ends[:, 2:])
    width = page.hatching_width.astype(np.float64) * _growth(aligned)
    return np.concatenate([a, b], axis=1) * aligned.px_per_mm, width * aligned.px_per_mm


def _places(places: F32, aligned: Aligned) -> F64:
    at = aligned.to_sheet(places[:, :2].astype(np.float64))
    return np.concatenate([at, places[:, 2:] * _growth(aligned)], axis=1) * aligned.px_per_mm


def _growth(aligned: Aligned) -> float:
    """Length on the sheet per length on the page: not 1 where the paper's size was mistaken."""
    ends = np.array([[20.0, 20.0], [80.0, 80.0]])
    here = aligned.to_sheet(ends)
    return float(np.hypot(*(here[1] - here[0])) / np.hypot(60.0, 60.0))


def with_grid(page: DrawnPage, shot: Shot) -> DrawnPage:
    """Return the page with its paper's printed squares counted as pencil."""
    if not shot.conditions.grid_mm:
        return page
    size = page.pencil.shape[::-1]
    lines = cv2.resize(squares(page, shot.conditions.grid_mm), size, interpolation=cv2.INTER_AREA)
    return replace(page, pencil=np.maximum(page.pencil, lines).astype(np.float32))


def _frame_outline(frame: Frame) -> F64:
    w, h = frame.width_mm, frame.height_mm
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float64)
    t = np.linspace(0.0, 1.0, 64, endpoint=False)[:, None]
    return np.concatenate(
        [a * (1 - t) + b * t for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)]
    )


def _share(marked: Bool, where: Bool) -> float:
    return 100.0 * float(np.count_nonzero(marked & where)) / max(int(np.count_nonzero(where)), 1)


def _mean(kept: Bool) -> float:
    return 100.0 * float(kept.mean()) if len(kept) else 100.0
