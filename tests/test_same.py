"""Same in, same out: byte for byte, whatever the threads and wherever arrays lie in memory."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

from inkclean.jobs.batch import Job, clean_file
from inkclean.jobs.results import ALSO, Order
from inkclean.settings import Settings
from tests import small_pages


def _bytes(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


@pytest.mark.parametrize("strokes", [False, True])
def test_over_threads_and_places_in_memory(tmp_path: Path, strokes: bool) -> None:
    page = small_pages.write(tmp_path / "page.png", seed=3, dpi=300)
    order = Order(Settings(strokes=strokes), ALSO)
    random = np.random.default_rng(3)
    before = cv2.getNumThreads()
    wanted: dict[str, bytes] | None = None
    try:
        for threads in (1, 2, 3):
            cv2.setNumThreads(threads)
            # arrays to come lie elsewhere, and start at another offset from a round address
            held = [np.empty(size, np.uint8) for size in random.integers(1, 300_000, 30)]
            out = tmp_path / f"{threads}-{len(list(tmp_path.iterdir()))}"
            outcome = clean_file(Job(page, out, order, False))
            assert outcome.error is None
            del held
            wanted = wanted or _bytes(out)
            assert len(wanted) == len(order.kinds)
            assert _bytes(out) == wanted
    finally:
        cv2.setNumThreads(before)


def test_over_threads_of_linear_algebra(tmp_path: Path) -> None:
    page = small_pages.write(tmp_path / "page.png", seed=4, dpi=300)
    for threads in ("1", "2"):
        names = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
        env = {**os.environ, **dict.fromkeys(names, threads)}
        out = str(tmp_path / threads)
        words = [sys.executable, "-m", "inkclean.cli", "flats", str(page), "-o", out]
        ran = subprocess.run([*words, "--quiet"], env=env, capture_output=True, check=False)
        assert ran.returncode == 0, ran.stderr
    assert _bytes(tmp_path / "1") == _bytes(tmp_path / "2")
