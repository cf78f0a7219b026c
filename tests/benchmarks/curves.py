"""Edge points fitted a second, beside scipy's smoothing spline per contour in the same run.

``python -m tests.benchmarks.curves``: a page of smooth closed outlines; times are the best of
five, on one core.
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable

import cv2
import numpy as np
from scipy.interpolate import splprep

from inkclean.base.arrays import F32, F64
from inkclean.curves.fit import fit_runs
from inkclean.curves.outlines.corners import restore_corners
from inkclean.curves.outlines.edges import find_edges
from inkclean.curves.outlines.outline import lay_runs
from inkclean.curves.outlines.settle import settle
from inkclean.curves.trace import trace
from tests.curves.raster import coverage_of
from tests.curves.shapes import blob

TOLERANCE_PX = 0.25


def page(side: int = 4000, cell: int = 200) -> F32:
    """A page of blobs of many forms, exact in area."""
    rng = np.random.default_rng(5)
    outlines: list[F64] = []
    for x in range(cell // 2, side, cell):
        for y in range(cell // 2, side, cell):
            waves = [(rng.uniform(0, 0.25 / (k + 2)), rng.uniform(0, 6.28)) for k in range(7)]
            place = np.array([x + rng.random(), y + rng.random()])
            outlines.append(blob(cell * 0.3, waves, 0.0) + place)
    return coverage_of(outlines, side, side)


def best(work: Callable[[], object], times: int = 5) -> float:
    """Least processor seconds of several runs."""
    spent = []
    for _ in range(times):
        start = time.process_time()
        work()
        spent.append(time.process_time() - start)
    return min(spent)


def _splines(contours: list[F64]) -> int:
    nodes = 0
    for contour in contours:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            closed = np.vstack((contour, contour[:1]))
            smoothing = len(closed) * (TOLERANCE_PX / 3) ** 2
            (knots, _, _), _ = splprep(closed.T, s=smoothing, per=1)
        nodes += len(knots)
    return nodes


def main() -> None:
    """Print points a second of the fit, of edges and of the whole trace."""
    cv2.setNumThreads(1)
    coverage = page()
    edges = find_edges(coverage)
    count = edges.points.shape[0]
    outline, _ = settle(restore_corners(edges, coverage), edges.noise, 0.0, 0.0)
    tolerance = np.full(outline.points.shape[0], TOLERANCE_PX, np.float32)
    runs = lay_runs(outline, tolerance, tolerance)
    contours = [edges.points[a:b] for a, b in zip(edges.loops[:-1], edges.loops[1:], strict=True)]
    rows = {
        "edges": best(lambda: find_edges(coverage)),
        "fit": best(lambda: fit_runs(runs)),
        "trace": best(lambda: trace(coverage, 12.0)),
        "splprep per contour": best(lambda: _splines(contours), 1),
    }
    print(f"{count} edge points, {len(contours)} loops, {fit_runs(runs)[1].first.size} cubics")
    for name, seconds in rows.items():
        print(f"{name:20} {seconds:7.3f} s {count / seconds / 1e6:7.2f} million points a second")


if __name__ == "__main__":
    main()
