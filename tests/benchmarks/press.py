"""Cost of large prints: an A4 page of dense line work, printed at A1, and screened at A4.

Run with ``python -m tests.benchmarks.press [DPI …]``; each line is a process of its own, so
that peak memory is that of one result.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from inkclean.base.units import PAPERS
from inkclean.curves.values import Curves
from inkclean.deliver.press.files import (
    PressSettings,
    lay_out_page,
    write_press_pdf,
    write_press_tiff,
)
from inkclean.deliver.press.tile_plan import PosterSettings
from inkclean.deliver.press.tiles import write_tiles
from inkclean.deliver.press.trim import Margins
from inkclean.deliver.screens.ruling import Screen
from tests.deliver import drawn


def dense_page(strokes: int = 12_000, seed: int = 3) -> Curves:
    """Return an A4 page of hatching at all angles, rings and spot blacks, each a shape."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(12, 198, strokes), rng.uniform(12, 285, strokes)
    angle, length = rng.uniform(0, np.pi, strokes), rng.uniform(2, 12, strokes)
    dx, dy = np.cos(angle) * length / 2, np.sin(angle) * length / 2
    width = rng.uniform(0.1, 0.4, strokes)
    ends = np.stack([x - dx, y - dy, x + dx, y + dy, width], 1).tolist()
    shapes = [[drawn.line(*end)] for end in ends]
    discs = rng.uniform((15, 15, 0.2), (195, 280, 4), (2000, 3)).tolist()
    shapes += [[drawn.ring(*disc)] for disc in discs]
    return drawn.curves(shapes, 210, 297)


def _screen(page: Curves, path: Path, kind: str) -> None:
    """Write the page over a soft grey ramp, screened at 150 lines per inch and 2400 dpi."""
    across, down = np.meshgrid(np.linspace(0, 255, 2480), np.linspace(0.3, 1, 3508))
    settings = PressSettings(bleed=Margins(0, 0, 0, 0), screen=Screen(150))
    prepared = lay_out_page(page, settings, [(across * down).astype(np.uint8)])
    if kind == "pdf":
        write_press_pdf(prepared, settings, path, "page")
    else:
        write_press_tiff(prepared, 2400, path, "page")


def _measure(kind: str) -> None:
    page = dense_page()
    settings = PressSettings(trim=PAPERS["A1"], bleed=Margins(0, 0, 0, 0))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "result"
        start, spent = time.perf_counter(), time.process_time()
        if kind.startswith("screen"):
            _screen(page, path, kind.removeprefix("screen"))
        elif kind == "tiles":
            write_tiles(page, PosterSettings(PAPERS["A1"], PAPERS["A4"]), path)
        else:
            prepared = lay_out_page(page, settings)
            if kind == "pdf":
                write_press_pdf(prepared, settings, path, "page")
            elif kind != "check":
                write_press_tiff(prepared, int(kind), path, "page")
        wall, cpu = time.perf_counter() - start, time.process_time() - spent
        size = path.stat().st_size if path.exists() else 0
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{kind:>10}  {wall:6.2f} s  {cpu:6.2f} s cpu  {peak:5.0f} MB  {size / 1e6:6.2f} MB file")


if __name__ == "__main__":
    if len(sys.argv) == 3 and sys.argv[1] == "--one":
        _measure(sys.argv[2])
    else:
        for wanted in [
            "check",
            "pdf",
            "tiles",
            "screenpdf",
            "screentiff",
            *(sys.argv[1:] or ["600", "1200"]),
        ]:
            command = [sys.executable, "-m", "tests.benchmarks.press", "--one", wanted]
            subprocess.run(command, check=True)
