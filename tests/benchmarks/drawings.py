"""Curves and centrelines of open vector drawings against their true outlines and lines.

``python -m tests.benchmarks.drawings [clean] [photos] [strokes]`` prints the sets on a clean
raster, photographs of the demo page, and strokes; all of them if none is named. It needs the
open drawings in ``vector`` where ``INKCLEAN_DATA`` points, for all but the photographs.

Distances are measured both ways: from the curves to the truth and back. Corners: a true one
(over 40 degrees between the px before and after) counts as found if a corner lies within 1.5
px; a found one is right if the true edge turns there by over 25 degrees at once, or by 35
within 1.6 px. Visible ones: true corners whose sides run on for 1.5 px with no other corner, the
edge turning by over 25 degrees over that length; found ones where the true edge turns by over 35
degrees between 1.5 px before and 1.5 px after. Where the picture's border cuts a shape off, its
corners are real but in no path: precision is told off the border as well. The way back is told
for all of the truth, and for what is at least a px broad, ink and paper alike. Two lines side by
side whose ink is one have one centreline: strokes are told for all lines, and for single ones;
junctions for all, and with arms that run in one ink counted once. Turning: the sum of all turns of
the outline over that of the true one; a staircase would turn many times as much.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree
from skimage.measure import find_contours

from inkclean.base.arrays import F64, Bool
from inkclean.curves.bezier import on_cubics
from inkclean.curves.centrelines.strokes import centrelines
from inkclean.curves.trace import trace
from inkclean.curves.values import Curves, Strokes
from inkclean.demo.camera.conditions import Conditions
from inkclean.demo.camera.shot import Shot, photograph
from inkclean.demo.drawing.page import DrawnPage, draw
from inkclean.page import Page
from inkclean.sheet.framing.squaring import to_photo
from inkclean.sheet.values import Photo
from tests.curves import drawings, shapes
from tests.curves.drawings import Drawing, distance
from tests.curves.meetings import PARTED, alone, junctions, matched, true_junctions
from tests.scoring.cases import case, photo, shoot

PX_PER_MM = 12.0
FIGURE_PX = 512
DRAWN_MM = 85.0
"""Width of the drawings on the photographed page."""
PHOTOS = ("plain", "green_hard", "letter_through", "soft_focus")
SINGLE_LINED = ("HersheySans1", "HersheyScript1")
"""The other two draw each stroke of a letter by several lines side by side; the second of these
does so for about a quarter of its length."""


@dataclass(frozen=True)
class Outlined:
    """How the curves of one drawing fare: distances in px, nodes, corners, turning."""

    there: F64
    back: F64
    nodes: tuple[int, int]
    broad: Bool
    recalled: Bool
    visible: Bool
    right: Bool
    seen: Bool
    inside: Bool
    """Of ``right``: not where the picture's border cuts a shape off, as no path does."""
    turning: tuple[float, float]


@dataclass(frozen=True)
class Lined:
    """How the centrelines of one drawing fare: distances in px, error of the width, junctions."""

    there: F64
    back: F64
    width: float
    single: Bool
    """Of ``there``: on a line that no other runs beside in the same ink."""
    junctions: F64
    parted: F64
    found: F64
    touches: F64
    reach: float


def outlined(drawing: Drawing) -> Outlined:
    curves = trace(drawing.coverage, PX_PER_MM)
    there, back = both_ways(curves, drawing.outline, drawing.step)
    found = curves.cubics[curves.corner, 0] * PX_PER_MM
    sharp = drawing.corners[drawing.turns > 40.0]
    bends = np.vstack((drawing.corners[drawing.turns > 25.0], drawing.tight))
    return Outlined(
        there,
        back,
        (len(curves.cubics), drawing.nodes),
        ~drawing.thin,
        _near(sharp, found),
        drawing.visible[drawing.turns > 40.0],
        _near(found, bends),
        _near(found, drawing.outline[drawing.bend > 35.0], 1.0),
        np.minimum(found, np.array(drawing.coverage.shape[::-1]) - found).min(axis=1) > 1.0,
        (sum(map(_turning, shapes.loops_px(curves, PX_PER_MM, 16))), drawing.turning),
    )


def both_ways(curves: Curves, outline: F64, step: F64) -> tuple[F64, F64]:
    """Distances in px from the curves to the true ``outline`` and back."""
    loops = [shapes.evenly(loop, 0.25) for loop in shapes.loops_px(curves, PX_PER_MM)]
    steps = np.vstack([np.roll(loop, -1, 0) - loop for loop in loops])
    samples = np.vstack(loops)
    return distance(samples, outline, step), distance(outline, samples, steps)


def lined(drawing: Drawing) -> Lined:
    strokes = centrelines(drawing.coverage, PX_PER_MM)
    found = _samples(strokes)
    true = np.vstack(drawing.lines)
    steps = [np.vstack((np.diff(line, axis=0), [[0.0, 0.0]])) for line in drawing.lines]
    lines = list(drawing.lines)
    return Lined(
        distance(found, true, np.vstack(steps)),
        np.asarray(cKDTree(found).query(true)[0]),
        float(np.median(strokes.widths_mm) * PX_PER_MM / drawing.width - 1.0),
        alone(lines, drawing.width)[cKDTree(true).query(found)[1]],
        true_junctions(lines, drawing.width),
        true_junctions(lines, drawing.width, parted=PARTED),
        junctions(strokes) * PX_PER_MM,
        true_junctions(lines, drawing.width, arms=0),
        1.5 * drawing.width,
    )


def _samples(strokes: Strokes) -> F64:
    """Points a quarter of a px apart along all strokes, px."""
    cubics = strokes.cubics * PX_PER_MM
    length = np.hypot(*np.moveaxis(np.diff(cubics, axis=1), -1, 0)).sum(1)
    count = np.ceil(4.0 * length).astype(np.int64) + 1
    own = np.repeat(np.arange(count.size), count)
    nth = np.arange(own.size) - np.repeat(np.cumsum(count) - count, count)
    return on_cubics(cubics, own, nth / count[own])


def _near(points: F64, others: F64, reach: float = 1.5) -> Bool:
    if not len(points) or not len(others):
        return np.zeros(len(points), np.bool_)
    return np.asarray(cKDTree(others).query(points)[0] < reach)


def _turning(outline: F64) -> float:
    step = np.diff(np.vstack((outline, outline[:2])), axis=0)
    z = step[:, 0] + 1j * step[:, 1]
    z = z[np.abs(z) > 1e-9]
    return float(np.degrees(np.abs(np.angle(np.roll(z, -1) * np.conj(z))).sum()))


def print_clean() -> None:
    """Figures on a clean raster."""
    for group in drawings.FIGURES:
        print_outlined(
            group, [outlined(drawings.figure(f, FIGURE_PX)) for f in drawings.files(group)]
        )


def print_outlined(group: str, rows: list[Outlined]) -> None:
    """Figures of the drawings of one set."""
    there, back, broad, recalled, visible, right, seen, inside = (
        np.concatenate([getattr(r, k) for r in rows])
        for k in ("there", "back", "broad", "recalled", "visible", "right", "seen", "inside")
    )
    nodes, turning = (np.sum([getattr(r, k) for r in rows], 0) for k in ("nodes", "turning"))
    print(
        f"{group:16}{_spread(there, back, 99, 'px')}  back to what is a px broad "
        f"({100 * broad.mean():.1f} %): mean {back[broad].mean():.4f} "
        f"p99 {np.percentile(back[broad], 99):.4f}  nodes {nodes[0] / nodes[1]:.2f}  "
        f"corners: recall {recalled.mean():.3f} of {recalled.size}, precision "
        f"{right.mean():.3f} of {right.size} (off the picture's border "
        f"{right[inside].mean():.3f} of {inside.sum()}); visible: recall "
        f"{recalled[visible].mean():.3f} of {visible.sum()}, precision "
        f"{seen.mean():.3f}  turning {turning[0] / turning[1]:.3f}",
        flush=True,
    )


def print_strokes() -> None:
    """Centrelines of drawings made of strokes."""
    for group in drawings.STROKES:
        files = drawings.files(group)
        if group == "hershey_text":
            files = [f for f in files if f.stem in SINGLE_LINED]
        rows = [lined(drawings.strokes(f)) for f in files]
        there, back = (np.concatenate([getattr(r, k) for r in rows]) for k in ("there", "back"))
        true, found = sum(len(r.junctions) for r in rows), sum(len(r.found) for r in rows)
        single = np.concatenate([r.single for r in rows])
        parted = sum(len(r.parted) for r in rows)
        kept, told = (
            sum(matched(places, r.found, r.reach) * len(places) for r, places in asked)
            for asked in ([(r, r.junctions) for r in rows], [(r, r.parted) for r in rows])
        )
        right = sum(matched(r.found, r.touches, r.reach) * len(r.found) for r in rows)
        print(
            f"{group:16}{_spread(there, back, 95, 'px')}  width "
            f"{100 * np.mean([abs(r.width) for r in rows]):.2f} % off  junctions: "
            f"{kept / max(true, 1):.3f} of {true} found, {right / max(found, 1):.3f} of {found} "
            f"where lines touch  single lines ({100 * single.mean():.1f} %): there mean "
            f"{there[single].mean():.4f} p95 {np.percentile(there[single], 95):.4f} px  junctions "
            f"a raster can show: {told / max(parted, 1):.3f} of {parted} found",
            flush=True,
        )


def print_photos() -> None:
    """The demo page under the simulated camera: mm, registered by the camera's own geometry.

    Then the same page with open drawings in its ink's place, if they are there.
    """
    for name in PHOTOS:
        page, shot = shoot(case(name))
        lines = [c[:, ::-1] + 0.5 for c in find_contours(page.ink, 0.5)]
        truth = np.vstack([c[:-1] for c in lines]) / page.px_per_mm
        steps = np.vstack([np.diff(c, axis=0) for c in lines]) / page.px_per_mm
        print_photo(name, shot, photo(shot, name), truth, steps)
    if drawings.FOLDER.is_dir():
        page, truth, steps = drawn_page()
        shot = photograph(page, Conditions(desk="wood"))
        print_photo("drawings", shot, photo(shot, "drawings"), truth, steps)


def drawn_page() -> tuple[DrawnPage, F64, F64]:
    """The demo page with four open drawings as its ink; their true outlines in mm, and steps."""
    page = draw()
    ink = np.zeros_like(page.ink)
    truth, steps = [], []
    files = [*drawings.files("notionists")[:3], *drawings.files("lorelei")[:1]]
    for nth, file in enumerate(files):
        left, top = (
            (np.array([nth % 2, nth // 2]) * DRAWN_MM * 1.1 + 12.0) * page.px_per_mm
        ).astype(int)
        seen = drawings.render(file.read_text("utf-8"), int(DRAWN_MM * page.px_per_mm))
        ink[top : top + seen.shape[0], left : left + seen.shape[1]] = seen
        drawing = drawings.figure(file, FIGURE_PX)
        scale = seen.shape[1] / FIGURE_PX
        truth.append((drawing.outline * scale + [left, top]) / page.px_per_mm)
        steps.append(drawing.step * scale / page.px_per_mm)
    return replace(page, ink=ink), np.vstack(truth), np.vstack(steps)


def print_photo(name: str, shot: Shot, taken: Photo, truth: F64, steps: F64) -> None:
    """Distances both ways between the curves of a photo and the ``truth`` (N, 2) mm."""
    cleaned = Page(taken)
    sheet, frame = cleaned.sheet, cleaned.sheet.frame
    size = sheet.reflectance.shape[1::-1]
    fit = np.array([frame.width_mm, frame.height_mm]) / size * sheet.px_per_mm
    loops = [
        shot.to_page(to_photo(frame, shapes.evenly(loop, 1.0) / PX_PER_MM * fit))
        for loop in shapes.loops_px(cleaned.curves, PX_PER_MM, 16)
    ]
    found = np.vstack(loops)
    there = distance(found, truth, steps)
    back = distance(truth[::3], found, np.vstack([np.roll(c, -1, 0) - c for c in loops]))
    print(
        f"{name:16}{_spread(there, back, 95, 'mm')}  {len(cleaned.curves.cubics)} segments",
        flush=True,
    )


def _spread(there: F64, back: F64, share: int, unit: str) -> str:
    parts = [
        f"{name} mean {d.mean():.4f} p{share} {np.percentile(d, share):.4f}"
        for name, d in (("there", there), ("back", back))
    ]
    return f"{', '.join(parts)} {unit}"


PARTS = {"clean": print_clean, "photos": print_photos, "strokes": print_strokes}


def main(names: list[str]) -> int:
    """Print the parts named, or all."""
    for name in names or PARTS:
        if name != "photos" and not drawings.FOLDER.is_dir():
            print(f"{name}: {drawings.FOLDER} is not there")
            continue
        PARTS[name]()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
