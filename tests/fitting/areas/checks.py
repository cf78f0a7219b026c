"""Pages for measuring alone, of drawings by hands that no fitting has seen.

Run: ``python -m tests.fitting.areas.checks KEPT_OUT.npz PROCESSES [--pages N] [KIND...]``, with
what ``pack.py`` writes beside the drawings for fitting: flat art (fxemoji), icons (iconoir) and
heads (lorelei). With the drawings for fitting themselves, of those that the network is not fitted
on: for choosing.
"""

from __future__ import annotations

import sys
import time
from functools import cache
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np

from inkclean.base.arrays import F32, I32
from inkclean.flats.find import find_flats
from inkclean.ink.values import Ink, Pencil
from tests.fitting.areas import scenes
from tests.fitting.areas.figures import Drawings
from tests.fitting.areas.lineart import line_page
from tests.fitting.areas.pens import PX_PER_MM, Hand
from tests.fitting.areas.scenes import Plenty
from tests.flats.scores import Score, score, total

SIDE = 1344  # px: 168 mm
LOOSE = Hand(0.42, 0.25, 0.3, 0.13, 0.2, (0.5, 3.5), 0.3, 0.3, 0.2, 0.15, 0.5, 0.05, 0.0, 0.3)
KINDS: dict[str, tuple[Hand, Plenty]] = {
    "firm, gaps": (Hand(0.45, 0.1, gaps=0.3, gap=(0.6, 4.0)), Plenty(hatched=0.08)),
    "firm, closed": (Hand(0.4, 0.1), Plenty(details=0.3, stipple=0.1)),
    "loose": (LOOSE, Plenty(hatched=0.1, details=0.15, stipple=0.05, blacks=0.04)),
    "stopping short": (Hand(0.5, 0.1, short=0.2, halo=1.5), Plenty()),
    "left open": (
        Hand(1.1, gaps=0.3, gap=(1.0, 4.0), beside_end=0.7, erased=0.0, short=0.15, halo=1.2),
        Plenty(details=0.2),
    ),
    "textured": (Hand(0.42, 0.2, wobble=0.08, gaps=0.15), Plenty(textured=0.8, hatched=0.1)),
}
LINES = {"icons, cut": ("iconoir", 40), "heads": ("lorelei", 0), "heads, cut": ("lorelei", 30)}
CHOOSING = {"iconoir": "hugeicons", "lorelei": "croodles"}
PAGES = 6
FIRST_SEED = 7000
SMALLEST_MM2, THINNEST_MM = 5.0, 1.3  # lines and all: areas below are no areas of their own


@cache
def opened(path: Path) -> Drawings:
    """Return the drawings kept out, or of those for fitting the ones left for choosing."""
    drawings = Drawings(path)
    return drawings if "iconoir" in drawings.line else Drawings(path, apart=True)


def drawn(kind: str, seed: int, drawings: Drawings) -> tuple[F32, I32]:
    """Return coverage and areas (0: not told) of a page of a kind."""
    rng = np.random.default_rng(FIRST_SEED + seed)
    if kind in KINDS:
        hand, plenty = KINDS[kind]
        ink, label, _ = scenes.scene(SIDE, drawings, rng, hand, plenty)
    else:
        name, cuts = LINES[kind]
        name = CHOOSING[name] if drawings.apart else name
        ink, label, _ = line_page(SIDE, drawings, rng, name, cuts)
    return np.asarray(ink, np.float32) / np.float32(255), _without_slivers(label)


def _without_slivers(label: I32) -> I32:
    """Return the areas without those too small or thin to be one: these go to a neighbour."""
    inside = np.ones(label.shape, np.uint8)
    inside[:, 1:] &= label[:, 1:] == label[:, :-1]
    inside[1:] &= label[1:] == label[:-1]
    deep = cv2.distanceTransform(inside, cv2.DIST_L2, 5)
    most = int(label.max()) + 1
    inner = np.zeros(most, np.float32)
    np.maximum.at(inner, label.ravel(), deep.ravel())
    size = np.bincount(label.ravel(), minlength=most)
    gone = (size < SMALLEST_MM2 * PX_PER_MM**2) | (inner < THINNEST_MM / 2 * PX_PER_MM)
    return np.where(gone[label], 0, label).astype(np.int32)


def mending(found: Score) -> int:
    """Return how many strokes a person has to make: one for a leak, one for a piece too many."""
    return found.leaks + found.pieces - found.areas


def plain(coverage: F32) -> I32:
    """Return what filling alone gives."""
    _, label = cv2.connectedComponents((coverage < 0.5).astype(np.uint8), connectivity=4)
    return np.asarray(label, np.int32)


def ours(coverage: F32) -> I32:
    """Return what the package gives."""
    ink = Ink(coverage, PX_PER_MM, Pencil(False, (), 0.0, None, "none"))
    return np.asarray(find_flats(ink).labels, np.int32)


def row(kind: str, name: str, found: list[Score], seconds: float) -> str:
    """Return a row of the table."""
    whole = total(found)
    worst = max(mending(one) for one in found)
    return (
        f"| {kind}: {name} | {whole.areas} | {whole.share_right:.3f} | {whole.per_area:.3f} "
        f"| {whole.leaks / len(found):.2f} | {worst} | {seconds / len(found):.2f} |"
    )


def _scored(task: tuple[str, int, str]) -> tuple[str, Score, Score, float]:
    kind, seed, path = task
    cv2.setNumThreads(1)
    coverage, truth = drawn(kind, seed, opened(Path(path)))
    paper = coverage < 0.5
    start = time.process_time()
    label = ours(coverage)
    seconds = time.process_time() - start
    found = score(label, truth, paper, PX_PER_MM)
    return kind, found, score(plain(coverage), truth, paper, PX_PER_MM), seconds


def main() -> None:
    """Print the table."""
    path, processes, words = sys.argv[1], int(sys.argv[2]), sys.argv[3:]
    pages = int(words.pop(1 + words.index("--pages"))) if "--pages" in words else PAGES
    kinds = [word for word in words if word != "--pages"] or [*KINDS, *LINES]
    tasks = [(kind, seed, path) for kind in kinds for seed in range(pages)]
    with get_context("forkserver").Pool(processes) as pool:
        found = pool.map(_scored, tasks, 1)
    print("| pages | areas | right | pieces | leaks a page | worst mending | s |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for kind in kinds:
        mine = [one for one in found if one[0] == kind]
        print(row(kind, "ours", [one[1] for one in mine], sum(one[3] for one in mine)))
        print(row(kind, "plain filling", [one[2] for one in mine], 0.0), flush=True)


if __name__ == "__main__":
    main()
