"""Pages of which the photo shows a part: sides outside the picture, and the size then."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np

from inkclean.base.arrays import F64, Bool
from inkclean.base.units import PAPERS, Paper
from inkclean.sheet.framing.papers import CANDIDATES, FOCAL_PER_DIAGONAL, Size, aspects
from inkclean.sheet.framing.sides import POINTS
from inkclean.sheet.framing.squaring import UNIT, project, to_photo, unit_to_photo
from inkclean.sheet.values import Frame

# Share of the page's length that a side taken to lie outside may reach into the picture.
SLACK = 0.03
# Cost of each factor of e that a page is longer than its visible part.
HIDDEN_COST = 3.0
PART_TRUST = 0.4  # most trust in a size told from a part
GUESS_TRUST = 0.2  # most trust in one guessed from it
SQUARE_ERROR = 0.03  # tangent of how far from square two sides are seen
USUAL_TILT = 0.25  # tangent of how far pages lean
# Less than this share of a page outside the picture is within the error of its corners.
LEAST_OUTSIDE = 0.004
_STEPS = 64


def hidden_side(
    corners: F64, seen: Bool, photo_size: tuple[int, int], paper: Paper | None
) -> tuple[F64, Paper] | None:
    """Return the corners of a page whose one hidden side is added, and its paper.

    ``corners`` is (4, 2) with the hidden side on the picture's border, ``seen`` (4,) bool with
    one False. The two sides beside it meet in a vanishing point; the side opposite gives the
    direction square to them for a usual focal length; the page is then made as long as the
    nearest standard size (or ``paper``) that reaches beyond the picture. None if none does.
    """
    hidden = int(np.flatnonzero(~seen)[0])
    # In order: hidden side's start and end, then the far corners, all clockwise.
    quad = np.roll(corners, -hidden, axis=0)
    reach, ratio, quads = _stretched(quad, photo_size)
    best: tuple[float, F64, Paper] | None = None
    names = {paper.name: 0.0} if paper else CANDIDATES
    for name, cost in names.items():
        size = paper or PAPERS[name]
        for across, along in (
            (size.width_mm, size.height_mm),
            (size.height_mm, size.width_mm),
        ):
            # The ratio falls as the page gets longer.
            stretch = float(np.interp(-across / along, -ratio, reach, left=0.0, right=0.0))
            if stretch < 1.0 - SLACK:
                continue
            total = cost + HIDDEN_COST * math.log(max(stretch, 1.0))
            if best is None or total < best[0]:
                at = int(np.argmin(np.abs(reach - stretch)))
                best = total, _between(reach, quads, at, stretch), size
    if best is None:
        return None
    return np.roll(best[1], hidden, axis=0), best[2]


def _stretched(quad: F64, photo_size: tuple[int, int]) -> tuple[F64, F64, F64]:
    """Return stretches (N,), width over length (N,) and corners (N, 4, 2) of the page drawn
    out beyond its hidden side 0; stretch 1 ends it on the picture's border."""
    middle = np.array(photo_size) / 2.0
    focal = FOCAL_PER_DIAGONAL * math.hypot(*photo_size)
    start, end, far_end, far_start = (np.array([*(point - middle), focal]) for point in quad)
    beside_start, beside_end = np.cross(far_start, start), np.cross(far_end, end)
    vanishing = np.cross(beside_start, beside_end)
    square = _square_to(vanishing, far_start, far_end)
    reach = np.geomspace(0.9, 3.0, _STEPS)
    quads, ratio = np.empty((_STEPS, 4, 2)), np.empty(_STEPS)
    # Turned pages leave by one end of the side before the other: the mean of both counts.
    leg_start, leg_end = quad[0] - quad[3], quad[1] - quad[2]
    for k, stretch in enumerate(reach):
        point = quad[3] + stretch * leg_start
        line = np.cross((*(point - middle), focal), square)
        meet = np.cross(line, beside_end)
        other = meet[:2] / meet[2] * focal + middle
        quads[k] = point, other, quad[2], quad[3]
        shown = (other - quad[2]) @ leg_end / (leg_end @ leg_end)
        width_over_length, _ = aspects(quads[k], photo_size, np.array([focal]))
        ratio[k] = width_over_length[0]
        reach[k] = (stretch + shown) / 2.0
    order = np.argsort(-ratio)
    return np.maximum.accumulate(reach[order]), ratio[order], quads[order]


def _square_to(vanishing: F64, start: F64, end: F64) -> F64:
    """Return the direction (3,) in space of the side from ``start`` to ``end`` on the page.

    All are rays from the camera. The side is square to the direction towards ``vanishing``, as far
    as that can be told: where the two sides beside it hardly converge, a degree's error of an edge
    would tilt the page out of all reason.
    """
    along = (end - start) / np.hypot(*(end - start)[:2])
    normal = np.cross(start, end)
    deep = np.cross(normal / np.linalg.norm(normal), along)
    deep *= np.sign(deep[2]) or 1.0
    toward = vanishing / np.linalg.norm(vanishing)
    flat, depth = float(along @ toward), float(deep @ toward)
    likely = (depth / SQUARE_ERROR) ** 2 + 1.0 / USUAL_TILT**2
    tilted: F64 = along - flat * depth / SQUARE_ERROR**2 / likely * deep
    return tilted


def _between(reach: F64, quads: F64, at: int, stretch: float) -> F64:
    other = min(at + 1, len(reach) - 1) if stretch > reach[at] else max(at - 1, 0)
    span = reach[other] - reach[at]
    share = 0.0 if abs(span) < 1e-9 else float((stretch - reach[at]) / span)
    mixed: F64 = quads[at] * (1.0 - share) + quads[other] * share
    return mixed


def shown_part(frame: Frame, photo_size: tuple[int, int]) -> Frame:
    """Return the frame of the rows and columns of a page that the picture shows some of.

    What lies wholly outside the picture is cut off, so that no blank paper is made up for it;
    a corner that is missing alone is left as it is. The scale stays.
    """
    picture = np.asarray(UNIT * photo_size, np.float32)
    area, seen = cv2.intersectConvexConvex(frame.corners_px.astype(np.float32), picture)
    if area <= 0 or seen is None:
        return frame
    back = np.asarray(np.linalg.inv(unit_to_photo(frame)), np.float64)
    unit = np.clip(project(back, np.asarray(seen, np.float64).reshape(-1, 2)), 0.0, 1.0)
    low, high = unit.min(axis=0), unit.max(axis=0)
    low[low < LEAST_OUTSIDE], high[high > 1.0 - LEAST_OUTSIDE] = 0.0, 1.0
    if low.max() == 0.0 and high.min() == 1.0:
        return frame
    size = np.array([frame.width_mm, frame.height_mm])
    corners = low + (high - low) * UNIT
    sides = None
    if frame.edges_px is not None:
        t = np.linspace(0.0, 1.0, POINTS)[:, None]
        ends = np.roll(corners, -1, axis=0)
        drawn = [
            to_photo(frame, (a + t * (b - a)) * size) for a, b in zip(corners, ends, strict=True)
        ]
        sides = drawn[0], drawn[1], drawn[2], drawn[3]
    width, height = ((high - low) * size).tolist()
    return replace(
        frame,
        corners_px=to_photo(frame, corners * size),
        edges_px=sides,
        width_mm=width,
        height_mm=height,
    )


def part_size(corners: F64, seen: Bool, paper: Paper | None) -> Size:
    """Return the size of the visible part of a page with two or more sides out of sight.

    ``corners`` is (4, 2) from the top left, ``seen`` (4,) for top, right, bottom, left. Where
    two opposite sides are seen, the paper's extent between them sets the scale; else the part
    is taken for as much of the paper as it can be.
    """
    leg = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    shown = np.array([leg[0] + leg[2], leg[1] + leg[3]]) / 2.0
    full = np.array([seen[1] and seen[3], seen[0] and seen[2]])
    best: tuple[float, float, str] | None = None
    for name in (paper.name,) if paper else ("A4", "letter"):
        size = paper or PAPERS[name]
        for sides in ((size.width_mm, size.height_mm), (size.height_mm, size.width_mm)):
            scales = np.array(sides) / shown
            scale = float(scales[full].min()) if full.any() else float(scales.min())
            over = float(np.max(np.log(shown * scale / np.array(sides))))
            hidden = float(np.sum(np.log(np.array(sides) / (shown * scale))))
            cost = hidden + 20.0 * max(over - SLACK, 0.0) + 0.5 * CANDIDATES.get(name, 0.0)
            if best is None or cost < best[0]:
                best = cost, scale, name
    scale, name = (best[1], best[2]) if best else (1.0, "A4")
    trust = PART_TRUST if full.any() else GUESS_TRUST
    doubt = f"only part of the page is in the picture; taken to be {name}"
    return Size(
        float(shown[0] * scale),
        float(shown[1] * scale),
        paper.name if paper else name if full.any() else None,
        1.0 if paper and full.any() else trust,
        doubt,
    )
