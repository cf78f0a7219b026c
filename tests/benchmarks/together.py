"""Several photos of one page: ``python -m tests.benchmarks.together [--only NAME]``.

The demo page photographed whole and in parts and scanned in strips, with glare and a finger: how
far the ink of two photos is apart where they meet (mm), against the cameras' own mappings, and F
at 600 dpi beside a single flawless photo. With the open data, each real scan cut into overlapping
parts, distorted and lit anew, against the whole. Processor seconds of each.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any, cast

import cv2
import numpy as np

from inkclean.base.arrays import F64
from inkclean.base.units import MM_PER_INCH
from inkclean.deliver.pictures.bitmap import cut_at
from inkclean.demo.camera.conditions import Conditions
from inkclean.demo.camera.shot import Shot, photograph
from inkclean.demo.drawing.page import DrawnPage
from inkclean.page import Page
from inkclean.settings import Settings
from inkclean.sheet.read import read_photo
from inkclean.sheet.together.join import join
from inkclean.sheet.together.render import nearest_labels
from inkclean.sheet.together.values import Joined
from inkclean.sheet.values import Photo
from tests.data import folder
from tests.scoring import cases, measures
from tests.scoring.score import align_sheet
from tests.sheet import views

# a hand's shadow with a hard edge, and a page that does not lie flat
SHADOW = Conditions(shadow=0.6, shadow_soft_mm=0.7, shadow_at=0.35)
OTHER_SHADOW = Conditions(shadow=0.5, shadow_soft_mm=1.0, shadow_at=0.6, shadow_from=140)
BOWED = Conditions(bow_mm=8.0)
OTHER_BOW = Conditions(bow_mm=5.0, bow_axis=1)


@dataclass(frozen=True)
class Meeting:
    """How far the ink of two photos is apart, in mm: where they are joined, and all over."""

    join_mean: float
    join_p95: float
    mean: float
    p95: float


def to_page(joined: Joined, shots: Sequence[Shot], px: F64) -> F64:
    """Return where places (N, 2) of the joined picture lie on the drawn page, in mm."""
    labels = nearest_labels(joined.labels)
    cell = np.clip((px / joined.cell).astype(int), 0, np.array(labels.shape[::-1]) - 1)
    shown = labels[cell[:, 1], cell[:, 0]]
    out = np.empty_like(px)
    for k, shot in enumerate(shots):
        mine = shown == k
        if mine.any():
            out[mine] = shot.to_page(joined.of(px[mine], k))
    return out


def meeting(joined: Joined, shots: Sequence[Shot]) -> Meeting:
    """Measure where the photos meet, by the mappings of the cameras."""
    labels, cell = nearest_labels(joined.labels), joined.cell
    apart = []
    for down, across in ((0, 1), (1, 0)):
        one, two = labels[: -down or None, : -across or None], labels[down:, across:]
        row, column = np.nonzero(one != two)
        at = np.stack([column + 0.5 + across / 2, row + 0.5 + down / 2], axis=1) * cell
        places = _on_page(joined, shots, at)
        which = np.arange(len(at))
        apart.append(places[one[row, column], which] - places[two[row, column], which])
    high, wide = joined.canvas.size
    x, y = np.meshgrid(np.arange(10.0, wide, 24), np.arange(10.0, high, 24))
    places = _on_page(joined, shots, np.stack([x, y], axis=-1).reshape(-1, 2))
    every = [places[a] - places[b] for a, b in combinations(range(len(shots)), 2)]
    figures = []
    for group in (apart, every):
        off = np.hypot(*np.concatenate(group).T)
        off = off[np.isfinite(off)]
        figures += [float(off.mean()), float(np.quantile(off, 0.95))] if len(off) else [0.0, 0.0]
    return Meeting(*figures)


def _on_page(joined: Joined, shots: Sequence[Shot], at: F64) -> F64:
    """Return (K, N, 2) mm on the page, NaN beside the page or the photo."""
    found = []
    for k, shot in enumerate(shots):
        px = joined.of(at, k)
        mm = shot.to_page(px)
        size = np.array(shot.pixels.shape[1::-1])
        paper = np.array([shot.view.width_mm, shot.view.height_mm])
        sound = ((px > 2) & (px < size - 2) & (mm > 0) & (mm < paper)).all(axis=1)
        mm[~sound] = np.nan
        found.append(mm)
    return np.stack(found)


def f_of(page: DrawnPage, cleaned: Page, shot: Shot) -> dict[str, float]:
    """Return F at 600 dpi, and holes and stains: missing and false ink in mm², in one piece."""
    sheet, ink = cleaned.sheet, cleaned.ink
    result = cut_at(ink.coverage, ink.px_per_mm, 600.0)
    size = (result.shape[0], result.shape[1])
    aligned = align_sheet(
        page, shot, sheet.frame, sheet.shape, sheet.px_per_mm, 600.0 / MM_PER_INCH, size
    )
    truth = aligned.ink >= 0.5
    pieces = {}
    for name, wrong in (("hole", truth & ~result), ("stain", result & ~truth)):
        core = cv2.erode(wrong.astype(np.uint8), np.ones((5, 5), np.uint8))
        count, _, stats, _ = cv2.connectedComponentsWithStats(core)
        largest = stats[1:, cv2.CC_STAT_AREA].max() if count > 1 else 0
        pieces[name] = float(largest) / (600.0 / MM_PER_INCH) ** 2
    return {"f": measures.overlap(result, truth).f_measure, **pieces}


class _Together:
    """A joined picture that answers as a shot does."""

    def __init__(self, joined: Joined, shots: Sequence[Shot]) -> None:
        self.joined, self.shots = joined, shots

    def to_page(self, px: F64) -> F64:
        """Return mm on the page of (…, 2) px."""
        flat = to_page(self.joined, self.shots, np.asarray(px, np.float64).reshape(-1, 2))
        return flat.reshape(np.shape(px))


def measure(name: str, page: DrawnPage, shots: Sequence[Shot], ppi: float | None = None) -> None:
    """Join, clean and print."""
    photos = [Photo(shot.pixels, ppi, f"{name}-{k}") for k, shot in enumerate(shots)]
    start = time.process_time()
    joined = join(photos)
    seconds = time.process_time() - start
    cleaned = Page(joined.photo)
    found = f_of(page, cleaned, cast("Any", _Together(joined, shots)))
    met = meeting(joined, shots)
    whole = time.process_time() - start
    print(
        f"{name:<16} joins {met.join_mean:.4f} {met.join_p95:.4f}  all over {met.mean:.4f} "
        f"{met.p95:.4f} mm  F {found['f']:.2f}  hole {found['hole']:.2f} stain "
        f"{found['stain']:.2f} mm²  check {len(joined.photo.differing)}  "
        f"{cleaned.sheet.px_per_mm:.1f} px/mm  {seconds:.1f} of {whole:.1f} s",
        flush=True,
    )


def single(name: str, page: DrawnPage, shot: Shot, ppi: float | None = None) -> None:
    """Clean one flawless photo and print."""
    start = time.process_time()
    cleaned = Page(Photo(shot.pixels, ppi, name))
    found = f_of(page, cleaned, shot)
    seconds = time.process_time() - start
    print(
        f"{name:<16} alone  F {found['f']:.2f}  hole {found['hole']:.2f} stain "
        f"{found['stain']:.2f} mm²  {cleaned.sheet.px_per_mm:.1f} px/mm  {seconds:.1f} s",
        flush=True,
    )


def strips(page: DrawnPage) -> list[Shot]:
    """Return a sheet scanned in two passes, turned half round for the second."""
    places = (((-2, -2), (214, 165), 0.4, 1.0), ((-2, 138), (214, 161), 179.2, 1.004))
    return [
        views.part_scan(
            page, np.array(at), np.array(size), dpi=300, turn=turn, stretch=stretch, seed=k + 1
        )
        for k, (at, size, turn, stretch) in enumerate(places)
    ]


def quarters(page: DrawnPage) -> list[Shot]:
    """Return four photos of a quarter each, as a hand takes them, through a lens that bends."""
    shifts = ((0.36, 0.34), (-0.36, 0.34), (0.36, -0.34), (-0.36, -0.34))
    return [
        photograph(
            page,
            Conditions(
                fill=1.75,
                shift=shift,
                seed=k + 5,
                tilt=5 + k,
                tilt_toward=80 * k,
                turn=2 * k - 3,
                radial=0.01,
                light_from=60 * k,
            ),
        )
        for k, shift in enumerate(shifts)
    ]


def spoilt(page: DrawnPage, shots: Sequence[Shot]) -> list[Shot]:
    """Return the first with glare over a twentieth of the page, the second with a finger on it."""
    size = np.array([page.paper.width_mm, page.paper.height_mm])
    radius = float(np.sqrt(0.05 * size.prod() / np.pi))
    glare = views.with_glare(
        shots[0], page, size * (0.4, 0.45), np.array([radius * 1.3, radius / 1.3])
    )
    wide = 22.0
    long = 0.03 * float(size.prod()) / wide
    tip = np.array([size[0] - long, size[1] * 0.6])
    finger = views.with_finger(shots[1], tip, np.array([size[0] + 30.0, size[1] * 0.7]), wide)
    return [
        replace(shots[0], pixels=glare.pixels),
        replace(shots[1], pixels=finger.pixels),
        *shots[2:],
    ]


def unlike(page: DrawnPage, first: Conditions, second: Conditions) -> list[Shot]:
    """Return two photos of the whole page, each taken in its own way."""
    return [photograph(page, each) for each in (first, second.but(seed=2, turn=-3))]


def real_scans() -> None:
    """Cut each real scan in overlapping parts, distort and light them anew, compare."""
    for path in sorted(folder("ink_scans").glob("*.jpg")):
        scanned = read_photo(path)
        cuts = views.cut_up(scanned.pixels)
        photos = [Photo(each.pixels, 300.0, f"{path.stem}-{k}") for k, each in enumerate(cuts)]
        start = time.process_time()
        made = join(photos)
        seconds = time.process_time() - start
        met = meeting(made, cast("Any", cuts))
        print(
            f"{path.stem:<16} joins {met.join_mean:.4f} {met.join_p95:.4f}  "
            f"all over {met.mean:.4f} {met.p95:.4f} mm  {_beside_whole(scanned, made, cuts)}  "
            f"check {len(made.photo.differing)}  {seconds:.1f} s",
            flush=True,
        )


def _beside_whole(scanned: Photo, made: Joined, cuts: Sequence[views.Cut]) -> str:
    """Return F of the joined ink against that of the whole scan, each cleaned by itself."""
    one = Page(scanned, Settings(frame="whole"))
    two = Page(made.photo, Settings(frame="whole"))
    ink, other = one.ink, two.ink
    step = 2.0
    high, wide = two.ink.coverage.shape
    x, y = np.meshgrid(np.arange(0.5, wide, 1 / step * 2), np.arange(0.5, high, 1 / step * 2))
    px = np.stack([x, y], axis=-1).reshape(-1, 2)
    scale = np.array([made.canvas.size[1] / wide, made.canvas.size[0] / high])
    mm = to_page(made, cast("Any", cuts), px * scale).reshape(*x.shape, 2)
    at = (mm * ink.px_per_mm - 0.5).astype(np.float32)
    truth = cv2.remap(ink.coverage, at[..., 0], at[..., 1], cv2.INTER_LINEAR) >= 0.5
    result = other.coverage >= 0.5
    counts = measures.overlap(result[: truth.shape[0], : truth.shape[1]], truth)
    return f"F {counts.f_measure:.2f}"


def main() -> None:
    """Measure what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="")
    only = parser.parse_args().only
    page = cases.page_of(cases.case("plain"))
    whole = views.whole_views(page, 4)
    sets: dict[str, Callable[[], None]] = {
        "whole 2": lambda: measure("whole 2", page, whole[:2]),
        "whole 4": lambda: measure("whole 4", page, whole),
        "spoilt 2": lambda: measure("spoilt 2", page, spoilt(page, whole[:2])),
        "spoilt 3": lambda: measure("spoilt 3", page, spoilt(page, whole[:3])),
        "spoilt 4": lambda: measure("spoilt 4", page, spoilt(page, whole)),
        "hard shadow": lambda: measure("hard shadow", page, unlike(page, SHADOW, Conditions())),
        "two shadows": lambda: measure("two shadows", page, unlike(page, SHADOW, OTHER_SHADOW)),
        "one bowed": lambda: measure("one bowed", page, unlike(page, Conditions(), BOWED)),
        "both bowed": lambda: measure("both bowed", page, unlike(page, OTHER_BOW, BOWED)),
        "strips": lambda: measure("strips", page, strips(page), 300.0),
        "quarters": lambda: measure("quarters", page, quarters(page)),
    }
    if not only:
        for k, shot in enumerate(whole):
            single(f"whole {k}", page, shot)
    for name, run in sets.items():
        if only in name:
            run()
    if only in "scans" and folder("ink_scans").is_dir():
        real_scans()


if __name__ == "__main__":
    main()
