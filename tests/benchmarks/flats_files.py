"""Cost of the files of the flats: an A4 page of 400 areas.

Run with ``python -m tests.benchmarks.flats_files [DPI …]``; each line is a process of its
own, so that peak memory is that of one result over the page itself.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np

from inkclean.base.units import MM_PER_INCH
from inkclean.curves.values import Curves
from inkclean.deliver.flats_set import FlatsSettings, write_flats
from inkclean.flats.colour.colours import colour_areas
from inkclean.flats.colour.shade import shade_areas
from inkclean.flats.values import Flats
from inkclean.ink.values import Ink, Pencil
from tests.flats.small_maps import cells, lined

KINDS = ("flats", "areas", "flats_svg", "flats_proof", "ora", "ora shaded", "layers")
_SMALL = 400


def page(dpi: float) -> tuple[Flats, Ink, Curves]:
    """Return a page of random cells, A4 at ``dpi``, with lines half a millimetre broad."""
    small = cells(400, _SMALL, 1)
    ink = lined(small, 3)
    px_per_mm = dpi / MM_PER_INCH
    size = (round(210 * px_per_mm), round(297 * px_per_mm))
    labels = cv2.resize(small.labels, size, interpolation=cv2.INTER_NEAREST)
    coverage = cv2.resize(ink.coverage, size, interpolation=cv2.INTER_LINEAR)
    areas = small.areas.copy()
    areas["size_mm2"] *= labels.size / px_per_mm**2 / areas["size_mm2"].sum()
    flats = Flats(np.asarray(labels, np.uint16), px_per_mm, areas, small.neighbours)
    none, no = np.zeros(0, np.bool_), Pencil(False, (), 0.0, None, "")
    curves = Curves(
        np.zeros((0, 4, 2)),
        np.zeros(1, np.int64),
        np.zeros(0, np.int32),
        none,
        none,
        none,
        210,
        297,
    )
    return flats, Ink(np.asarray(coverage, np.float32), px_per_mm, no), curves


def measure(kind: str, dpi: float) -> None:
    """Write one kind of result and print what it cost."""
    flats, ink, curves = page(dpi)
    settings = FlatsSettings(
        shade=315.0 if kind.endswith("shaded") else None,
        layers="png" if kind == "layers" else "ora",
    )
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with tempfile.TemporaryDirectory() as folder:
        start, worked = time.perf_counter(), time.process_time()
        colouring = colour_areas(flats)
        outputs = settings.outputs(Path(folder), "page")
        wanted = kind.split(maxsplit=1)[0]
        shading = None if settings.shade is None else shade_areas(flats, ink, settings.shade)
        only = {wanted: outputs[wanted]}
        write_flats("page", flats, colouring, ink, curves, shading, only)
        seconds, cpu = time.perf_counter() - start, time.process_time() - worked
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(
        f"{kind:12s} {dpi:5.0f} dpi  {seconds:6.2f} s  {cpu:6.2f} s of work  "
        f"peak {peak / 1024:6.0f} MB, page {before / 1024:6.0f} MB"
    )


def main() -> None:
    """Measure every kind at every resolution named, each in its own process."""
    if len(sys.argv) == 4 and sys.argv[1] == "--one":
        measure(sys.argv[2], float(sys.argv[3]))
        return
    for dpi in sys.argv[1:] or ["300", "600"]:
        for kind in KINDS:
            subprocess.run([sys.executable, "-m", __spec__.name, "--one", kind, dpi], check=True)


if __name__ == "__main__":
    main()
