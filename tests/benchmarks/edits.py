"""Areas after edits at random: how long they take, and whether a full run gives the same.

Run: ``python -m tests.benchmarks.edits [--edits N]``: N edits (a hundred) over three pages. Seconds
are the processor's, of all threads, and the clock's.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from inkclean.flats.find import find_flats
from inkclean.flats.kept import Kept
from inkclean.flats.laid import ready
from inkclean.flats.prepared import prepare
from inkclean.flats.values import FlatEdits
from inkclean.ink.values import Ink
from inkclean.page import Page
from tests.benchmarks.desk_pages import mosaic
from tests.flats.pages import LOOSE, make_page
from tests.flats.test_again import KINDS, differing, edited


def inks() -> Iterator[tuple[str, Ink]]:
    """Give three pages: some 500 cells photographed at 12 MP, and two drawn ones."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "page.jpg"
        path.write_bytes(mosaic(3000, 4000, 0))
        yield "500 cells, 12 MP", Page(path).ink
    for seed in (7, 32):
        yield f"drawn page {seed}", make_page(seed, LOOSE, 180, 240).ink


def main() -> None:
    """Print a row for each page and kind of edit."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--edits", type=int, default=100)
    options = parser.parse_args()
    print("| page | edit | times | processor s: median | 95 % | clock s: median | 95 % | full |")
    rng, unlike = np.random.default_rng(0), 0
    for name, ink in inks():
        page, edits = prepare(ink), FlatEdits()
        flats = find_flats(ink, prepared=page)
        ready(page, ink)  # as the desk does once the areas are shown
        spent: dict[str, list[tuple[float, float, float]]] = defaultdict(list)
        for number in range(-(-options.edits // 3)):
            kind = KINDS[number % len(KINDS)]
            edits = edited(edits, flats, kind, rng)
            clock, busy = time.perf_counter(), time.process_time()
            flats = find_flats(ink, prepared=page, edits=edits)
            took, used = time.perf_counter() - clock, time.process_time() - busy
            busy = time.process_time()
            full = find_flats(ink, prepared=replace(page, kept=Kept()), edits=edits)
            spent[kind].append((used, took, time.process_time() - busy))
            unlike += bool(differing(flats, full))
        spent["all"] = [row for rows in spent.values() for row in rows]
        for kind, rows in spent.items():
            (used, took, whole), (most, longest, _) = np.percentile(rows, [50, 95], axis=0)
            figures = f"{used:.2f} | {most:.2f} | {took:.2f} | {longest:.2f} | {whole:.2f}"
            print(f"| {name} | {kind} | {len(rows)} | {figures} |", flush=True)
    print(f"{unlike} edits gave something else than a full run")


if __name__ == "__main__":
    main()
