"""Work on pages a part at a time: small parts stay in the cache, and several run side by side."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

import cv2

Part = TypeVar("Part")
Made = TypeVar("Made")


def strips(length: int, rows: int) -> list[slice]:
    """Return slices of ``rows`` that cover ``length``, the last one shorter if need be."""
    return [slice(top, min(top + rows, length)) for top in range(0, length, rows)]


def side_by_side(work: Callable[[Part], Made], parts: Sequence[Part]) -> list[Made]:
    """Return what ``work`` makes of each part, in their order.

    As many threads share the parts as OpenCV may use. The parts are cut before the threads are
    counted and each is worked on by itself, so the results don't depend on their number.
    """
    threads = min(cv2.getNumThreads(), len(parts))
    if threads <= 1:
        return [work(part) for part in parts]
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(work, parts))
