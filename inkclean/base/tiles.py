"""Work on pages a part at a time: small parts stay in the cache, and several run side by side."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeVar, cast

import cv2
import numpy as np

from inkclean.base.arrays import F32

# Side in px of the tiles whose planes stay in the cache.
TILE = 256
# Rows of strips whose planes stay there.
ROWS = 32
# Values worked on at once where all of a long row are.
BLOCK = 1 << 17

Part = TypeVar("Part")
Made = TypeVar("Made")
One = TypeVar("One")
Other = TypeVar("Other")


def strips(length: int, rows: int) -> list[slice]:
    """Return slices of ``rows`` that cover ``length``, the last one shorter if need be."""
    return [slice(top, min(top + rows, length)) for top in range(0, length, rows)]


def blocks(length: int) -> list[slice]:
    """Return slices of ``BLOCK`` or more that cover ``length``, as few as that allows.

    Steps of numpy one after the other then use the same memory again, and give each value to the
    bit as over the whole length: whole vectors of its own, and never so few values that it would
    not write a result over what it came from.
    """
    cuts = [*range(0, length - BLOCK + 1, BLOCK)][1:]
    return [slice(one, next_) for one, next_ in pairwise([0, *cuts, length])] if length else []


def even_strips(length: int, rows: int) -> list[slice]:
    """Return an even number of slices of at most ``rows`` that cover ``length``, about as long.

    Each begins at an even place. Two threads then end with them at about the same time.
    """
    parts = 2 * -(-length // (2 * rows))
    return strips(length, max(2, 2 * -(-length // (2 * parts))))


@dataclass(frozen=True)
class Tile:
    """A part of a page: ``own`` rows and columns, in the midst of those that ``around`` has.

    ``inner`` is where its own lie among those around. The page's borders are borders of
    ``around`` too; anywhere else it reaches further.
    """

    own: tuple[slice, slice]
    around: tuple[slice, slice]
    inner: tuple[slice, slice]


def tiles(shape: tuple[int, int], side: int, halo: int) -> list[Tile]:
    """Return tiles of ``side`` px that cover ``shape``, and see ``halo`` px around themselves."""
    found = []
    for rows in strips(shape[0], side):
        for columns in strips(shape[1], side):
            own = rows, columns
            around = tuple(
                slice(max(0, part.start - halo), min(part.stop + halo, length))
                for part, length in zip(own, shape, strict=True)
            )
            inner = tuple(
                slice(part.start - wide.start, part.stop - wide.start)
                for part, wide in zip(own, around, strict=True)
            )
            found.append(Tile(own, (around[0], around[1]), (inner[0], inner[1])))
    return found


def side_by_side(work: Callable[[Part], Made], parts: Sequence[Part]) -> list[Made]:
    """Return what ``work`` makes of each part, in their order.

    As many threads share the parts as OpenCV may use. The parts are cut before the threads are
    counted and each is worked on by itself, so the results don't depend on their number.
    """
    threads = min(cv2.getNumThreads(), len(parts))
    if threads <= 1:
        return [work(part) for part in parts]
    made: dict[int, Made] = {}
    failed: list[BaseException] = []
    left, guard = iter(range(len(parts))), threading.Lock()

    def go_on() -> None:
        try:
            while not failed:
                with guard:
                    number = next(left, None)
                if number is None:
                    return
                made[number] = work(parts[number])
        except BaseException as error:  # told by the thread that waits for all
            failed.append(error)

    helpers = [threading.Thread(target=go_on) for _ in range(threads - 1)]
    for helper in helpers:
        helper.start()
    go_on()
    for helper in helpers:
        helper.join()
    if failed:
        raise failed[0]
    return [made[number] for number in range(len(parts))]


def pixel_by_pixel(
    work: Callable[..., Sequence[F32]], planes: Sequence[F32], count: int
) -> list[F32]:
    """Return the ``count`` planes (H, W) float32 that ``work`` makes of others of that height.

    ``work`` is given some rows of each, and returns planes of them; each pixel must follow from
    itself alone. So steps of numpy one after the other stay in the cache.
    """
    made = [np.empty(planes[0].shape[:2], np.float32) for _ in range(count)]

    def fill(rows: slice) -> None:
        for plane, part in zip(made, work(*(p[rows] for p in planes)), strict=True):
            plane[rows] = part

    side_by_side(fill, strips(len(planes[0]), ROWS))
    return made


def both(one: Callable[[], One], other: Callable[[], Other]) -> tuple[One, Other]:
    """Return what two pieces of work give, done side by side; neither may need the other."""
    work: list[Callable[[], object]] = [one, other]
    return cast(tuple[One, Other], tuple(side_by_side(lambda part: part(), work)))
