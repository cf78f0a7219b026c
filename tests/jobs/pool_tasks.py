"""Work for the pool's tests: importable by its processes."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path


def square(item: tuple[int, str]) -> int:
    """Square a number; say 'die' and the process is killed, 'once' and it is killed once."""
    number, word = item
    if word == "die":
        os.kill(os.getpid(), signal.SIGKILL)
    if word.startswith("once:"):
        mark = Path(word.removeprefix("once:"))
        if not mark.exists():
            mark.write_text("")
            os.kill(os.getpid(), signal.SIGKILL)
    if word == "slow":
        time.sleep(0.3)
    return number * number


def span(folder: str) -> tuple[float, float]:
    """Take a while, and say from when to when."""
    start = time.time()
    time.sleep(0.4)
    return start, time.time()


def lost(item: tuple[int, str]) -> int:
    """Stand for a result whose process died twice."""
    return -item[0]
