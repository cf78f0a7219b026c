"""How much ink a picture shows at places between its pixels."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64
from inkclean.base.compiled import compiled

_seen = compiled("inkclean.curves._seen")
CAN_SEE = bool(getattr(_seen, "able", bool)())  # compiled, and this processor does it

_PARTS = np.float32(32.0)  # of a px: older OpenCV looks no finer, newer does; here all look alike
_BLOCK_PX = 30_000  # px, side of the parts that a picture is looked at in
_HALO_PX = 256  # px around them that are seen too
_ROWS = 16_384  # rows at once, and px with the halo: OpenCV takes no more


def seen_at(coverage: F32, x: F64, y: F64) -> F32:
    """Return ``coverage`` (H, W) at ``x``, ``y`` (P, K) px, K of a row near each other, from the
    first pixel's centre; bilinear, and paper beyond the picture.
    """
    return seen_about(
        coverage,
        np.stack((x[:, 0], y[:, 0]), axis=1) + 0.5,
        (x - x[:, :1]).astype(np.float32),
        (y - y[:, :1]).astype(np.float32),
    )


def seen_about(coverage: F32, at: F64, x: F32, y: F32) -> F32:
    """Return ``coverage`` (H, W) at the places ``x``, ``y`` (P, K) px from ``at`` (P, 2) px
    of the picture, no further than 256 px; bilinear, and paper beyond the picture.
    """
    seen = np.empty(x.shape, np.float32)
    block = np.floor(at / _BLOCK_PX).astype(np.int64)
    number = block[:, 1] * (int(block[:, 0].max(initial=0)) + 2) + block[:, 0]
    for here, nth in zip(*np.unique(number, return_index=True), strict=True):
        left, top = (max(int(side) * _BLOCK_PX - _HALO_PX, 0) for side in block[nth])
        side = _BLOCK_PX + 2 * _HALO_PX
        part = coverage[top : top + side, left : left + side]
        own = np.flatnonzero(number == here)
        for first in range(0, own.size, _ROWS):
            some = own[first : first + _ROWS]
            x_at = _place(x[some], at[some, 0] - (left + 0.5))
            y_at = _place(y[some], at[some, 1] - (top + 0.5))
            seen[some] = cv2.remap(
                part, x_at, y_at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT
            )
    return seen


def seen_turned(
    coverage: F32,
    at: F64,
    way: F64,
    sign: F32,
    taps: tuple[F32, F32],
    values: F32,
    column: int,
) -> None:
    """Put ``coverage`` (H, W) about ``at`` (C, 2) px into ``values`` (C, S), from a column on.

    ``taps`` (K,) px each are the places along the ``way`` (C, 2) there, and across it, on the other
    hand where ``sign`` (C,) is -1: there what is paper counts as ink. As ``seen_about`` sees it, by
    ``_seen.c``.
    """
    height, width = coverage.shape
    numbers = np.array([height, width, values.shape[1], column, _BLOCK_PX, _HALO_PX], np.int64)
    ways = np.ascontiguousarray(at), np.ascontiguousarray(way), np.ascontiguousarray(sign)
    _seen.seen(np.ascontiguousarray(coverage), *ways, *taps, values, numbers, float(_PARTS))


def _place(offset: F32, centre: F64) -> F32:
    """Add ``centre`` (P,) px to ``offset`` (P, K) px, in place, and round the sums."""
    offset += centre.astype(np.float32)[:, None]
    offset *= _PARTS
    np.rint(offset, out=offset)
    offset /= _PARTS
    return offset
