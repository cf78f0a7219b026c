"""Areas: how many are right, on pages with known ones, beside simpler methods; and the cost.

Run: ``python -m tests.benchmarks.flats [--pages N] [--first SEED] [--compare] [--cost]``.
Pages of these seeds had no part in any fitting.
"""

from __future__ import annotations

import argparse
import resource
import time
from collections.abc import Callable

import cv2
import numpy as np

from inkclean.base.arrays import I32, Bool
from inkclean.flats.find import find_flats
from inkclean.ink.values import Ink, Pencil
from tests.flats import other_methods
from tests.flats.pages import EASY, LOOSE, SINGLE, Page, Troubles, make_page
from tests.flats.scores import Score, score, total


def line(name: str, found: list[Score], seconds: float) -> str:
    """Return one row of the table."""
    whole = total(found)
    return (
        f"| {name} | {whole.areas} | {whole.share_right:.3f} | {whole.per_area:.3f} "
        f"| {whole.leaks / len(found):.2f} | {whole.iou:.3f} | {whole.rand:.3f} "
        f"| {seconds / len(found):.2f} |"
    )


def ours(page: Page) -> I32:
    """Return the labels of the method that is kept."""
    return find_flats(page.ink).labels.astype(np.int32)


def other(method: Callable[[Bool], I32]) -> Callable[[Page], I32]:
    """Return a method on the working raster as one on a page."""

    def run(page: Page) -> I32:
        ink = other_methods.working(page.coverage, page.px_per_mm)
        return other_methods.full(page.coverage, method(ink), ink, page.px_per_mm)

    return run


METHODS: dict[str, Callable[[Page], I32]] = {
    "plain components": other(other_methods.plain),
    "trapped ball, 0.5 mm": other(lambda ink: other_methods.trapped_ball(ink, 0.5)),
    "trapped ball, 1 mm": other(lambda ink: other_methods.trapped_ball(ink, 1.0)),
    "trapped ball, 1.5 mm": other(lambda ink: other_methods.trapped_ball(ink, 1.5)),
    "seams seen, nothing joined or judged": other(other_methods.seams_alone),
    "basins of seams as walls, judged (kept)": ours,
}


def table(kinds: dict[str, Troubles], pages: int, first: int, method: str) -> None:
    """Print a row per kind of page."""
    for name, troubles in kinds.items():
        found, seconds = [], 0.0
        for seed in range(first, first + pages):
            page = make_page(seed, troubles)
            start = time.process_time()
            label = METHODS[method](page)
            seconds += time.process_time() - start
            found.append(score(label, page.truth, page.coverage < 0.5, page.px_per_mm))
        print(line(f"{name}: {method}" if len(kinds) < 3 else name, found, seconds), flush=True)


def channels(count: int, seed: int = 1) -> float:
    """Return the share of channels of 1 to 4 mm between two big rooms that stay open."""
    rng = np.random.default_rng(seed)
    kept, scale = 0, 10.0
    for _ in range(count):
        width, length, pen = rng.uniform(1, 4), rng.uniform(5, 20), rng.uniform(0.25, 0.6)
        page = np.zeros((600, 1000), np.uint8)
        for side in (-1, 1):
            y = 30 + side * (width + pen) / 2
            a, b = 50 - length / 2, 50 + length / 2
            far = 30 + side * rng.uniform(8, 24)
            points = [(6, 30), (6, far), (a, far), (a, y), (b, y), (b, far), (94, far), (94, 30)]
            at = np.round(np.array(points) * scale * 16).astype(np.int32)
            cv2.polylines(page, [at], False, 255, max(1, round(pen * scale)), cv2.LINE_AA, 4)
        middle = cv2.getRotationMatrix2D((500, 300), float(rng.uniform(0, 360)), 0.98)
        middle[:, 2] += (50, 250)
        turned = cv2.warpAffine(page, middle, (1100, 1100))
        rooms = middle @ np.array([[200, 300, 1], [800, 300, 1]], float).T
        ink = Ink(np.asarray(turned / 255.0, np.float32), scale, Pencil(False, (), 0, None, ""))
        labels = find_flats(ink).labels
        one, two = (int(labels[int(y), int(x)]) for x, y in rooms.T)
        kept += one == two
    return kept / count


def cost() -> None:
    """Print seconds and peak memory over resolution."""
    page = make_page(200, LOOSE)
    for dpi in (150, 300, 600):
        factor = dpi / 25.4 / page.px_per_mm
        size = (round(page.coverage.shape[1] * factor), round(page.coverage.shape[0] * factor))
        how = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
        coverage = np.asarray(cv2.resize(page.coverage, size, interpolation=how), np.float32)
        ink = Ink(coverage, dpi / 25.4, page.ink.pencil)
        start, user = time.perf_counter(), time.process_time()
        find_flats(ink)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
        print(
            f"A4 at {dpi} dpi: {time.perf_counter() - start:.2f} s "
            f"({time.process_time() - user:.2f} s of processor), peak {peak:.2f} GB"
        )


def main() -> None:
    """Run what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pages", type=int, default=4)
    parser.add_argument("--first", type=int, default=200)
    parser.add_argument("--compare", action="store_true")
    parser.add_argument("--cost", action="store_true")
    asked = parser.parse_args()
    if asked.cost:
        cost()
        print(f"channels kept open: {channels(100):.3f}")
        return
    print("| pages | areas | right | pieces | leaks a page | IoU | ARI | s |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    both = {"easy": EASY, "loose": LOOSE}
    if asked.compare:
        for method in METHODS:
            table(both, asked.pages, asked.first, method)
        return
    kept = next(reversed(METHODS))
    table(both | SINGLE, asked.pages, asked.first, kept)


if __name__ == "__main__":
    main()
