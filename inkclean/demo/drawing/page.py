"""The demo page: drawn by code, so that every mark on it is known."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64
from inkclean.base.units import MM_PER_INCH, PAPERS, Paper
from inkclean.demo.drawing import scene
from inkclean.demo.drawing.artist import Hand
from inkclean.demo.drawing.board import Board, Records
from inkclean.demo.sampling import blur, noise, values_at

A4 = PAPERS["A4"]
PX_PER_MM = 600.0 / MM_PER_INCH
# pencil is soft: half the ink's resolution holds it
PENCIL_PX_PER_MM = PX_PER_MM / 2

# Linear reflectance of closed pigment on white: #A4DDED deepened, the rest by eye (no source).
PENCILS: dict[str, tuple[float, float, float]] = {
    "none": (1.0, 1.0, 1.0),
    "blue": (0.27, 0.62, 0.82),
    "red": (0.80, 0.23, 0.20),
    "green": (0.28, 0.66, 0.33),
    "violet": (0.45, 0.29, 0.66),
    "orange": (0.88, 0.42, 0.14),
}
# linear reflectance of dense ink: a little gloss over black
INKS: dict[str, tuple[float, float, float]] = {
    "black": (0.036, 0.036, 0.038),
    "blue": (0.035, 0.085, 0.34),
}


@dataclass(frozen=True)
class Style:
    """How the page is drawn; widths in mm.

    ``hatch_mm`` is the width of hatching lines, ``dot_mm`` the diameter of the smallest drawn
    dots, ``gaps`` the mean number of pen skips per 100 mm of outline, ``wobble`` scales the
    hand's tremor, ``pencil_strength`` (0..1) is the share of paper a firm pencil line hides.
    """

    hatch_mm: float = 0.2
    dot_mm: float = 0.3
    gaps: float = 0.25
    wobble: float = 1.0
    pencil_strength: float = 0.75


@dataclass(frozen=True)
class DrawnPage:
    """A drawn page and the truth about it.

    ``ink`` is (H, W) float32, 0..1: the share of each pixel covered by ink, at ``px_per_mm``
    (600 dpi). ``pencil`` is (h, w) float32, 0..1: the share of the paper hidden by pigment, at
    ``pencil_px_per_mm``, below the ink. ``pencil_rgb`` and ``ink_rgb`` are their linear
    reflectances, closed. Known features in mm, each checked on the finished page (free of
    neighbours, not drawn over): ``hatching`` (N, 4) endpoints x0, y0, x1, y1 with
    ``hatching_width`` (N,); ``dots`` (M, 3) x, y, diameter; ``blacks`` polygons (K, 2) each
    solid ink. Origin at the paper's top left, x right, y down.
    """

    ink: F32
    pencil: F32
    paper: Paper
    px_per_mm: float
    pencil_px_per_mm: float
    pencil_rgb: tuple[float, float, float]
    ink_rgb: tuple[float, float, float]
    hatching: F32
    hatching_width: F32
    dots: F32
    blacks: tuple[F32, ...]


def draw(
    paper: Paper = A4,
    seed: int = 7,
    pencil: str = "blue",
    ink: str = "black",
    style: Style | None = None,
) -> DrawnPage:
    """Draw the demo page; the same arguments give the same page.

    ``pencil`` is a key of ``PENCILS`` (``none``: no underdrawing), ``ink`` one of ``INKS``.
    """
    style = style or Style()
    rng = np.random.default_rng(seed)
    records = Records()
    hand = Hand(style.hatch_mm, style.dot_mm, style.gaps, style.wobble)
    boards = scene.build(paper, rng, records, hand)
    size = (round(paper.height_mm * PX_PER_MM), round(paper.width_mm * PX_PER_MM))
    sheet = np.zeros(size, np.float32)
    for board in boards:
        board.draw_on(sheet, PX_PER_MM)
    lines, widths = _clear_lines(sheet, records)
    layer = _pencil(boards, paper, rng, style.pencil_strength if pencil != "none" else 0.0)
    return DrawnPage(
        ink=sheet,
        pencil=layer,
        paper=paper,
        px_per_mm=PX_PER_MM,
        pencil_px_per_mm=PENCIL_PX_PER_MM,
        pencil_rgb=PENCILS[pencil],
        ink_rgb=INKS[ink],
        hatching=lines,
        hatching_width=widths,
        dots=_clear_dots(sheet, records),
        blacks=_solid_blacks(sheet, records),
    )


def _pencil(boards: list[Board], paper: Paper, rng: np.random.Generator, strength: float) -> F32:
    """Return pigment coverage: strokes broken up by the paper's tooth."""
    shape = (round(paper.height_mm * PENCIL_PX_PER_MM), round(paper.width_mm * PENCIL_PX_PER_MM))
    if strength == 0.0:
        return np.zeros(shape, np.float32)
    layer = np.zeros(shape, np.float32)
    for board in boards:
        board.pencil_on(layer, PENCIL_PX_PER_MM)
    layer = blur(layer, 1.2)
    tooth = blur(noise(shape, rng), 1.1)
    tooth *= 3.6
    tooth += 2.0
    # pigment takes on the tooth's tops: more pressure reaches deeper
    layer *= np.clip(tooth * 0.28 + 0.25, 0.05, 1.0)
    return np.asarray(np.clip(layer * strength * 1.25, 0.0, 1.0), np.float32)


def _sample(sheet: F32, xy_mm: F64) -> F32:
    """Coverage at places (…, 2) in mm, bilinear; 0 outside."""
    return values_at(sheet, xy_mm * PX_PER_MM)


def _clear_lines(sheet: F32, records: Records) -> tuple[F32, F32]:
    """Keep the hatching lines that stand on the finished page, free on both sides."""
    if not records.hatching:
        return np.zeros((0, 4), np.float32), np.zeros(0, np.float32)
    ends = np.concatenate(records.hatching)
    width = np.concatenate(records.hatching_width)
    t = np.linspace(0.12, 0.88, 15)[None, :, None]
    at = ends[:, None, :2] * (1 - t) + ends[:, None, 2:] * t
    along = ends[:, 2:] - ends[:, :2]
    normal = np.stack([-along[:, 1], along[:, 0]], 1) / np.hypot(*along.T)[:, None]
    reach = np.linspace(-0.12, 0.12, 5)[None, None, :, None] * normal[:, None, None]
    on = _sample(sheet, at[:, :, None] + reach).max(axis=2)
    side = [
        _sample(sheet, at + (k * (width + 0.1))[:, None, None] * normal[:, None]) for k in (-1, 1)
    ]
    free = np.minimum((side[0] < 0.2).mean(axis=1), (side[1] < 0.2).mean(axis=1))
    keep = ((on > 0.5).mean(axis=1) > 0.95) & (free > 0.6)
    return ends[keep].astype(np.float32), width[keep].astype(np.float32)


def _clear_dots(sheet: F32, records: Records) -> F32:
    """Keep the dots that stand alone: ink in the middle, paper all around."""
    if not records.dots:
        return np.zeros((0, 3), np.float32)
    dots = np.array(records.dots)
    turn = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    ring = np.stack([np.cos(turn), np.sin(turn)], 1)[None]
    around = _sample(sheet, dots[:, None, :2] + ring * (dots[:, 2] / 2 + 0.12)[:, None, None])
    keep = (_sample(sheet, dots[:, :2]) > 0.95) & (around.max(axis=1) < 0.1)
    return np.asarray(dots[keep], np.float32)


def _solid_blacks(sheet: F32, records: Records) -> tuple[F32, ...]:
    """Keep the spot blacks that nothing was cleared from."""
    kept = []
    for polygon in records.blacks:
        pts = np.round(polygon * PX_PER_MM).astype(np.int32)
        x, y, w, h = cv2.boundingRect(pts)
        x0, y0 = max(x, 0), max(y, 0)
        part = sheet[y0 : y + h, x0 : x + w]
        if part.size == 0:
            continue
        mask = np.zeros(part.shape, np.uint8)
        cv2.fillPoly(mask, [pts - (x0, y0)], 1)
        core = cv2.erode(mask, np.ones((5, 5), np.uint8))
        if core.any() and part[core > 0].min() > 0.9:
            kept.append(polygon.astype(np.float32))
    return tuple(kept)
