"""From a photo to what the desk shows of it, without a browser: what waits in turn, stage by stage.

Run: ``python -m tests.benchmarks.looks [goal]`` (``look``, ``ink``, ``flats``; flats): the page of
500 cells at 12 MP in a process as the desk's own. Seconds count from the task: the clock's, and
the processor's of all threads.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import cv2

from inkclean.desk.edits import PageEdits
from inkclean.desk.work.bench import AHEAD
from inkclean.desk.work.stages import Bench
from inkclean.settings import Settings
from tests.benchmarks.desk_pages import mosaic


def main() -> None:
    """Print when each stage was told."""
    goal = sys.argv[1] if len(sys.argv) > 1 else "flats"
    photo = mosaic(3000, 4000, 0)
    for module in AHEAD:
        __import__(module)
    cv2.setNumThreads(2)
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "page.jpg"
        path.write_bytes(photo)
        bench = Bench(path, 1, Path(place) / "pictures", 80.0)
        clock, busy = time.perf_counter(), time.process_time()

        def tell(stage: str, said: dict[str, Any]) -> None:
            spent = time.perf_counter() - clock, time.process_time() - busy
            print(f"{stage} {spent[0]:.2f} {spent[1]:.2f}", flush=True)

        bench.run(PageEdits(Settings()), goal, tell, lambda: None)
        bench.settle(PageEdits(Settings()), goal)
        tell("settled", {})


if __name__ == "__main__":
    main()
