"""A piece of the ink as curves: what ``within`` does, shown while it is being set."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import U8
from inkclean.ink.values import Ink, Pencil
from inkclean.settings import Settings

SIDE_MM = 4.5  # of the square piece
REACH_MM = 40.0  # around the place asked for within which a piece with ink is looked for
# Of a piece with more ink or more edge than any artist draws, no more is traced, in px.
_MOST_PX = 160
_STEPS = 24
# A piece with so much edge in it shows enough: some three lines across.
_ENOUGH = 0.25


@dataclass(frozen=True)
class CurvesPiece:
    """The curves of a square of the ink: all in mm of the sheet.

    ``x``, ``y`` are the square's top left; each of ``cubics`` is four points x, y; ``loops`` are
    offsets into them.
    """

    x: float
    y: float
    side: float
    cubics: list[list[float]]
    loops: list[int]


def curves_near(
    coverage: U8, px_per_mm: float, x: float, y: float, within_mm: float
) -> CurvesPiece:
    """Return the curves of a square of the ink, near a place in mm.

    ``coverage`` is (H, W) uint8, 255 = ink. The square is the
    nearest to the place with enough edge in it to show what happens.
    """
    from inkclean.page import Page

    height, width = coverage.shape
    side = min(round(SIDE_MM * px_per_mm), _MOST_PX, height, width)
    left, top = _corner(coverage, side, px_per_mm, x, y)
    part = np.asarray(coverage[top : top + side, left : left + side], np.float32) / np.float32(255)
    ink = Ink(part, px_per_mm, Pencil(False, (), 0.0, None, ""))
    curves = Page(None, Settings(within_mm=within_mm), given={"ink": ink}).curves
    origin = np.array([left, top]) / px_per_mm
    return CurvesPiece(
        x=float(origin[0]),
        y=float(origin[1]),
        side=side / px_per_mm,
        cubics=(curves.cubics + origin).round(4).reshape(-1, 8).tolist(),
        loops=curves.loops.tolist(),
    )


def _corner(coverage: U8, side: int, px_per_mm: float, x: float, y: float) -> tuple[int, int]:
    height, width = coverage.shape
    reach = round(REACH_MM * px_per_mm)
    low = [max(0, round(at * px_per_mm) - reach) for at in (x, y)]
    high = [
        min(size, round(at * px_per_mm) + reach)
        for at, size in zip((x, y), (width, height), strict=True)
    ]
    step = max(1, side // _STEPS)
    near = np.asarray(coverage[low[1] : high[1] : step, low[0] : high[0] : step]) > 127
    room = side // step
    if near.shape[0] <= room or near.shape[1] <= room:
        return (
            int(np.clip(x * px_per_mm - side / 2, 0, width - side)),
            int(np.clip(y * px_per_mm - side / 2, 0, height - side)),
        )
    edge = np.zeros(near.shape, np.float32)
    edge[:, 1:] += near[:, 1:] != near[:, :-1]
    edge[1:] += near[1:] != near[:-1]
    share = cv2.boxFilter(edge, -1, (room, room), borderType=cv2.BORDER_CONSTANT)
    rows, columns = np.indices(share.shape, np.float32)
    away = np.hypot(
        columns * step + low[0] - x * px_per_mm, rows * step + low[1] - y * px_per_mm
    ) / (reach * 1.5)
    inner = slice(room // 2, near.shape[0] - room // 2), slice(room // 2, near.shape[1] - room // 2)
    worth = (np.minimum(share, _ENOUGH) * (1 - away))[inner]
    row, column = np.unravel_index(int(worth.argmax()), worth.shape)
    return (
        min(low[0] + int(column) * step, width - side),
        min(low[1] + int(row) * step, height - side),
    )
