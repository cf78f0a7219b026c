"""Clean the cases and print what each scores: ``python -m tests.scoring [NAME…]``."""

from __future__ import annotations

import sys
import time

import numpy as np

from inkclean.page import Page
from inkclean.settings import Settings
from tests.scoring.cases import CASES, case, photo, shoot
from tests.scoring.score import score_cleaned

COLUMNS = {
    "f": "F",
    "drd": "DRD",
    "psnr": "PSNR",
    "recall": "rec",
    "precision": "prec",
    "pencil_left": "pencil",
    "ink_lost": "lost",
    "lines": "lines",
    "dots": "dots",
    "dust_gone": "dust",
    "blacks_holed": "holed",
    "hole_px": "holes",
    "jaccard": "IoU",
    "paper_right": "size",
    "paper_spread": "spread",
    "seconds": "s",
}


def main(names: list[str]) -> int:
    """Print a row a case, then the means."""
    chosen = [case(name) for name in names] if names else list(CASES)
    print(f"{'case':18}" + "".join(f"{title:>8}" for title in COLUMNS.values()))
    rows = []
    for which in chosen:
        page, shot = shoot(which)
        start = time.perf_counter()
        try:
            cleaned = Page(photo(shot, which.name), Settings(paper=which.asked))
            cleaned.bring("capture", "curves")
        except Exception as error:
            print(f"{which.name:18} failed: {type(error).__name__}: {error}", flush=True)
            continue
        taken = time.perf_counter() - start
        scores = {**score_cleaned(page, shot, cleaned), "seconds": taken}
        rows.append([scores[key] for key in COLUMNS])
        print(_row(which.name, rows[-1]), flush=True)
    if len(rows) > 1:
        print(_row("mean", np.mean(rows, axis=0).tolist()))
    return 0


def _row(name: str, values: list[float]) -> str:
    return f"{name:18}" + "".join(f"{value:8.3f}" for value in values)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
