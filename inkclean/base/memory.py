"""Memory handed back to the system once pictures are let go."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from functools import cache


def hand_back() -> None:
    """Hand memory that is free within the process back to the system, where that can be told.

    The C library keeps what pictures leave behind, for pictures of the same size to come: between
    the steps of a page there are few of these.
    """
    _trim()(0)


@cache
def _trim() -> Callable[[int], object]:
    """Return glibc's ``malloc_trim``; elsewhere something that does nothing."""
    with suppress(ImportError, OSError, AttributeError, TypeError):
        from ctypes import CDLL, c_size_t

        trim = CDLL(None).malloc_trim
        trim.argtypes = [c_size_t]
        return trim
    return lambda keep: None
