"""Memory handed back to the system once pictures are let go."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from functools import cache
from math import prod
from mmap import mmap

import numpy as np

from inkclean.base.arrays import I32

# For mallopt, by glibc's malloc.h: one arena, no mapping of its own for a picture, no trimming.
_KEEPING = ((-8, 1), (-3, 1 << 30), (-1, (1 << 31) - 1))


def hand_back() -> None:
    """Hand memory that is free within the process back to the system, where that can be told.

    The C library keeps what pictures leave behind, for pictures of the same size to come: between
    the steps of a page there are few of these.
    """
    _trim()(0)


def zeros_of(shape: tuple[int, ...]) -> I32:
    """Return zeros (int32) that take memory only where something is written, a few kB at a time.

    Those of numpy take it 2 MB at a time, or all at once where the memory was used before.
    """
    held = mmap(-1, max(1, 4 * prod(shape)))
    return np.frombuffer(held, np.int32, prod(shape)).reshape(shape)


@cache
def keep_what_is_free() -> None:
    """Let the process keep memory that is let go until it is handed back, where that can be told.

    Else the C library hands each picture back at once, and the system clears the next one's memory
    anew: a tenth of a page's time. All threads share one heap, so that others find what one leaves.
    """
    with suppress(ImportError, OSError, AttributeError, TypeError):
        from ctypes import CDLL, c_int

        tell = CDLL(None).mallopt
        tell.argtypes = [c_int, c_int]
        for what, value in _KEEPING:
            tell(what, value)


@cache
def _trim() -> Callable[[int], object]:
    """Return glibc's ``malloc_trim``; elsewhere something that does nothing."""
    with suppress(ImportError, OSError, AttributeError, TypeError):
        from ctypes import CDLL, c_size_t

        trim = CDLL(None).malloc_trim
        trim.argtypes = [c_size_t]
        return trim
    return lambda keep: None
