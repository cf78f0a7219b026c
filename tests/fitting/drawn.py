"""Drawn pages for fitting: the page maker's, with troubles, scale and pen of many kinds mixed.

Run: ``python -m tests.fitting.drawn FOLDER FIRST COUNT``. Seeds 1000 and above: those below are
for measuring.
"""

from __future__ import annotations

import sys
from multiprocessing import Pool
from pathlib import Path

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, I32
from inkclean.flats.lines.seams import PX_PER_MM as WORKING_PX_PER_MM
from tests.fitting.extras import furnish
from tests.flats.pages import EASY, LOOSE, PX_PER_MM, Page, Troubles, make_page, nearest_label
from tests.flats.shapes import bowed, resample, wobbled

WARP_MM = 5.0  # how far shapes are bent out of their own form
STROKES_PER_PAGE = 45


def some_troubles(rng: np.random.Generator) -> Troubles:
    """Return troubles of a page: the two kinds that are measured, or a mixture of all."""
    dice = rng.random()
    if dice < 0.15:
        return EASY
    if dice < 0.3:
        return LOOSE

    def often(share: float, most: float) -> float:
        return float(rng.uniform(0, most)) if rng.random() < share else 0.0

    return Troubles(
        gap_share=often(0.8, 0.4),
        gap_mm=(0.4, float(rng.uniform(1.5, 5.0))),
        gap_beside_end=often(0.5, 1.0),
        wobble_mm=often(0.6, 0.25),
        short=often(0.5, 0.4),
        over=often(0.5, 0.35),
        taper=bool(rng.random() < 0.5),
        dry=often(0.4, 0.4),
        hatched=often(0.7, 0.35),
        crossed=float(rng.uniform(0.1, 0.7)),
        heavy_hatching=bool(rng.random() < 0.5),
        threes=often(0.4, 0.2),
        stipple=often(0.4, 0.25),
        lettering=often(0.4, 0.2),
        details=often(0.7, 0.5),
        blacks=often(0.4, 0.15),
        panels=bool(rng.random() < 0.12),
    )


def _warp(shape: tuple[int, int], scale: float, rng: np.random.Generator) -> tuple[F32, F32]:
    """Return a smooth warp that lets no shape keep its own regular form, and resizes."""
    height, width = round(shape[0] * scale), round(shape[1] * scale)
    x, y = np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32))
    turn = rng.uniform(0, 2 * np.pi, 12)
    amount = rng.uniform(0, WARP_MM) * PX_PER_MM
    for k in range(3):
        wave = rng.uniform(0.25, 1.0) * np.pi / (25 * PX_PER_MM * scale)
        cos, sin = np.cos(turn[k]) * wave, np.sin(turn[k]) * wave
        phase = cos * x + sin * y + turn[k + 3]
        if k == 0:
            dx, dy = np.sin(phase), np.cos(phase + turn[6])
        else:
            dx, dy = dx + np.sin(phase + turn[k + 6]), dy + np.sin(phase + turn[k + 8])
    return (
        np.asarray((x + 0.5) / scale - 0.5 + amount * dx / 3, np.float32),
        np.asarray((y + 0.5) / scale - 0.5 + amount * dy / 3, np.float32),
    )


def _curves_inside(page: Page, rng: np.random.Generator) -> None:
    """Draw strokes that close nothing: folds from the outline inwards, arcs, waves, tufts."""
    inside = np.ones(page.truth.shape, np.uint8)
    inside[:, 1:] &= page.truth[:, 1:] == page.truth[:, :-1]
    inside[1:] &= page.truth[1:] == page.truth[:-1]
    depth = cv2.distanceTransform(inside, cv2.DIST_L2, 5) / PX_PER_MM
    ink = np.round(page.coverage * 255).astype(np.uint8)
    for _ in range(int(rng.integers(0, STROKES_PER_PAGE))):
        kind = rng.choice(["fold", "arc", "waves", "tuft"])
        limits = {"fold": (0.0, 0.35), "arc": (2.5, 20), "waves": (3, 30), "tuft": (2, 20)}[kind]
        places = np.argwhere((depth[::7, ::7] > limits[0]) & (depth[::7, ::7] < limits[1])) * 7
        if not len(places):
            continue
        start = places[rng.integers(len(places))][::-1] / PX_PER_MM
        for line in _strokes(kind, start, rng):
            stroke = wobbled(resample(line, 0.25), 0.1, rng, True)
            at = np.clip((stroke * PX_PER_MM).astype(int), 0, np.array(inside.shape[::-1]) - 1)
            label = page.truth[at[:, 1], at[:, 0]]
            deep = depth[at[:, 1], at[:, 0]] > 0.9
            last = int(np.argmin(deep[8:])) + 8 if not deep[8:].all() else len(stroke)
            if last < 12 or (label[8:last] != label[min(9, len(label) - 1)]).any():
                continue
            points = np.round(stroke[:last] * PX_PER_MM * 16).astype(np.int32)
            thick = int(rng.integers(2, 7))
            cv2.polylines(ink, [points], False, 255, thick, cv2.LINE_AA, 4)
    page.coverage = np.asarray(ink, np.float32) / np.float32(255)


def _strokes(kind: str, start: F64, rng: np.random.Generator) -> list[F64]:
    turn = rng.uniform(0, 2 * np.pi)
    out = np.array([np.cos(turn), np.sin(turn)])
    across = np.array([-out[1], out[0]])
    if kind == "fold":
        return [bowed(start, start + out * rng.uniform(3, 18), rng.uniform(-0.35, 0.35))]
    if kind == "arc":
        radius, sweep = rng.uniform(1.2, 7), rng.uniform(0.8, 3.6)
        angle = turn + np.linspace(0, sweep, 60)
        ring = np.stack([np.cos(angle), np.sin(angle) * rng.uniform(0.5, 1)], 1) * radius
        return [start + ring - ring[0]]
    many = int(rng.integers(2, 6))
    if kind == "tuft":
        spread = rng.uniform(0.05, 0.5)
        ways = turn + spread * np.arange(many)
        starts = start + across * np.arange(many)[:, None] * rng.uniform(0.3, 1.5)
        return [
            bowed(a, a + np.array([np.cos(w), np.sin(w)]) * long, rng.uniform(-0.3, 0.3))
            for a, w, long in zip(starts, ways, rng.uniform(2, 9, many), strict=True)
        ]
    length, apart = rng.uniform(6, 25), rng.uniform(1.2, 4)
    t = np.linspace(0, length, 80)[:, None]
    wave = np.sin(t * rng.uniform(0.5, 2) + turn) * rng.uniform(0, 0.8)
    lines = []
    for k in range(many):
        lines.append(start + across * (k * apart + wave) + out * (t + rng.uniform(-3, 3)))
    return lines


def drawn(seed: int) -> tuple[F32, I32]:
    """Return coverage and areas (0: black) of a page at the working resolution."""
    rng = np.random.default_rng(seed)
    size = rng.uniform(100, 210), rng.uniform(140, 297)
    page = make_page(seed, some_troubles(rng), *size)
    if rng.random() < 0.6:
        _curves_inside(page, rng)
    if rng.random() < 0.7:
        furnish(page, rng)
    scale = WORKING_PX_PER_MM / PX_PER_MM * float(np.exp(rng.normal(0.05, 0.3)))
    warp = _warp(page.truth.shape, scale, rng)
    blur = cv2.GaussianBlur(page.coverage, (0, 0), max(0.3, 0.45 / scale))
    coverage = cv2.remap(blur, *warp, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    truth = cv2.remap(
        page.truth.astype(np.float32), *warp, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(coverage, np.float32), np.asarray(truth, np.int32)


def _saved(task: tuple[str, int]) -> int:
    folder, seed = task
    coverage, truth = drawn(seed)
    ink = np.round(np.clip(coverage * 1.15 - 0.05, 0, 1) * 255).astype(np.uint8)
    black = truth == 0
    seam = np.zeros(truth.shape, bool)
    filled = nearest_label(truth) if black.any() else truth
    seam[:, 1:] |= filled[:, 1:] != filled[:, :-1]
    seam[1:] |= filled[1:] != filled[:-1]
    seam &= cv2.dilate(black.astype(np.uint8), np.ones((9, 9), np.uint8)) == 0
    both = np.stack([ink, seam.astype(np.uint8), black.astype(np.uint8)])
    np.save(Path(folder) / f"{seed}.npy", both)
    return seed


def main() -> None:
    """Draw pages into a folder."""
    folder, first, count = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    Path(folder).mkdir(parents=True, exist_ok=True)
    cv2.setNumThreads(1)
    with Pool() as pool:
        tasks = [(folder, seed) for seed in range(first, first + count)]
        for seed in pool.imap_unordered(_saved, tasks):
            print(seed, end=" ", flush=True)


if __name__ == "__main__":
    main()
