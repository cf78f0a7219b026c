"""A book of pages on two cores: ``python -m tests.benchmarks.books [--pages 50] [--photo FILE]``.

Pages are parts of the demo's photo of 12 MP, cut by chance, so that they differ in ink as pages
do. Printed for one page at a time and for two: processor seconds; the share of the time that the
processes had work, start and end included ("busy": on a machine with nothing else to do the
whole takes its processor seconds, over the processes, over that share); and how far off the time
left was that was told after a tenth of the work, and later. On a busy machine the time left can't
be right, since others come and go: ``--replay`` takes the processor seconds of each page, cleaned
one by one, as if two free cores worked on them, and tells what would have been foreseen.
"""

from __future__ import annotations

import argparse
import json
import re
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from tests.benchmarks.cost import picture

_SIDES = (1200, 1600)
_LEFT = re.compile(r"page (\d+) of .*about (?:(\d+) h ?)?(?:(\d+) min ?)?(?:(\d+) s ?)?left")


def book(photo: Path, folder: Path, pages: int) -> list[Path]:
    """Write the pages and return their paths."""
    random = np.random.default_rng(50)
    with Image.open(photo) as whole:
        for number in range(pages):
            share = random.uniform(0.7, 1.2)
            wide, high = (int(side * share) for side in _SIDES)
            x = int(random.integers(0, whole.width - wide))
            y = int(random.integers(0, whole.height - high))
            part = whole.crop((x, y, x + wide, y + high))
            part.save(folder / f"page{number:02d}.jpg", quality=92)
    return sorted(folder.glob("page*.jpg"))


def clean(paths: list[Path], out: Path, jobs: int) -> dict[str, Any]:
    """Clean the pages and return what it cost and what was told."""
    words = [sys.executable, "-m", "inkclean.cli", "clean", *map(str, paths), "-o", str(out)]
    words += ["--frame", "whole", "--paper", "80x107mm", "--jobs", str(jobs)]
    trace = out / "trace.json"
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start, told = time.time(), {}
    with subprocess.Popen(
        [*words, "--timings", str(trace)],
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
    ) as process:
        assert process.stderr is not None
        for line in process.stderr:
            found = _LEFT.match(line)
            if found:
                hours, minutes, seconds = (int(part or 0) for part in found.groups()[1:])
                told[int(found[1])] = (time.time(), 3600 * hours + 60 * minutes + seconds)
    end = time.time()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    events = json.loads(trace.read_text("utf-8"))["traceEvents"]
    busy = sum(event["dur"] for event in events if event.get("cat") == "page") / 1e6
    return {
        "seconds": end - start,
        "cpu": after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime,
        "busy": busy / jobs / (end - start),
        "told": {k: (left, end - at) for k, (at, left) in told.items()},
    }


def replay(paths: list[Path], out: Path, workers: int) -> None:
    """Print what would be foreseen if pages took as many seconds as processor seconds."""
    import cv2

    from inkclean.jobs.batch import Job
    from inkclean.jobs.crew.foresight import Foresight
    from inkclean.jobs.results import Order
    from inkclean.settings import Settings

    cv2.setNumThreads(1)
    jobs = [Job(p, out, Order(Settings("80x107mm", "whole")), True) for p in paths]
    replace(jobs[0], folder=out / "first").run()  # loads what all need
    costs = []
    for job in jobs:
        start = time.process_time()
        job.run()
        costs.append(time.process_time() - start)
    print(f"{sum(costs):.1f} processor s, a page {min(costs):.2f} to {max(costs):.2f}")
    free, spans = [0.0] * workers, []
    for cost in costs:
        first = free.index(min(free))
        spans.append((free[first], free[first] + cost))
        free[first] += cost
    print(f"packed: {max(free) * workers / sum(costs):.3f} of perfectly shared")
    foresight, now = Foresight([job.megapixels() for job in jobs], workers), 0.0
    for number, (begun, done) in enumerate(spans, 1):
        now = max(now, done)
        foresight.learn(begun, done - begun, stood=False)
        left = foresight.left(now)
        if left is not None and number in (len(jobs) // 10, len(jobs) // 4, len(jobs) // 2):
            print(f"  after {number}: {left:.1f} s foreseen, {max(free) - now:.1f} s it takes")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pages", type=int, default=50)
    parser.add_argument("--photo", type=Path)
    parser.add_argument("--jobs", default="1,2")
    parser.add_argument("--replay", action="store_true")
    words = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        paths = book(words.photo or picture("12", folder), folder, words.pages)
        if words.replay:
            replay(paths, folder / "out", 2)
            return
        for jobs in map(int, words.jobs.split(",")):
            out = folder / f"out{jobs}"
            out.mkdir()
            found = clean(paths, out, jobs)
            print(
                f"{jobs} at once: {found['seconds']:.1f} s, processor {found['cpu']:.1f} s, "
                f"busy {found['busy']:.3f}"
            )
            for share in (0.1, 0.25, 0.5, 0.75):
                page = int(share * words.pages) + 1
                if page in found["told"]:
                    left, true = found["told"][page]
                    print(f"  after {share:.0%}: {left} s told, {true:.1f} s it took")


if __name__ == "__main__":
    main()
