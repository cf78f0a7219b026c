"""Processor seconds a stage: ``python -m tests.benchmarks.stages PICTURE``, or a number of dots.

Ink, curves and areas (lettering told apart included) of a picture as one thread takes them; of
dots the curves alone. It is a process of its own, so that nothing is loaded or warm beforehand.
"""

from __future__ import annotations

import os
import sys
import time
from itertools import pairwise
from pathlib import Path

STAGES = {"trace": "curves", **dict.fromkeys(("letter", "sort", "prepare", "split"), "areas")}


def of_page(path: Path) -> dict[str, float]:
    """Return the processor seconds of a page's stages, and the sides of px its edge runs by."""
    import cv2
    import numpy as np

    from inkclean.page import Page
    from inkclean.pipeline import Step

    cv2.setNumThreads(1)
    spent = {"ink": 0.0, "curves": 0.0, "areas": 0.0}
    begun: list[tuple[str, float]] = []

    def before(step: Step) -> None:
        begun.append((STAGES.get(step.name, "ink"), time.process_time()))

    page = Page(path, before=before)
    page.bring("curves", "flats")
    begun.append(("", time.process_time()))
    for (stage, start), (_, end) in pairwise(begun):
        spent[stage] += end - start
    ink = page.ink.coverage >= 0.5
    edge = sum(int(np.count_nonzero(np.diff(ink, axis=axis))) for axis in (0, 1))
    return {**spent, "whole": spent["ink"] + spent["curves"], "edge": float(edge)}


def of_dots(count: int) -> dict[str, float]:
    """Return the processor seconds of the curves of so many dots, 12 px apart."""
    import cv2
    import numpy as np

    from inkclean.base.arrays import F32
    from inkclean.curves.trace import trace

    cv2.setNumThreads(1)
    one = np.zeros((12, 12), np.float32)
    cv2.circle(one, (6 * 16, 6 * 16), 3 * 16, 1.0, -1, cv2.LINE_AA, 4)
    soft: F32 = np.asarray(cv2.GaussianBlur(one, (0, 0), 0.6), np.float32)
    side = int(count**0.5)
    trace(np.tile(soft, (4, 4)), 12.0)
    start = time.process_time()
    trace(np.tile(soft, (side, count // side)), 12.0)
    return {"curves": time.process_time() - start}


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    asked = sys.argv[1]
    found = of_dots(int(asked)) if asked.isdigit() else of_page(Path(asked))
    for name, seconds in found.items():
        print(name, f"{seconds:.3f}")
