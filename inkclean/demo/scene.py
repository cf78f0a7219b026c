"""What the demo page shows (first plain version)."""

from __future__ import annotations

import numpy as np

from inkclean.demo.board import Board, Records
from inkclean.demo.pen import Pen
from inkclean.units import Paper


def build(
    paper: Paper,
    rng: np.random.Generator,
    records: Records,
    hatch_mm: float,
    dot_mm: float,
    gaps: float,
    wobble: float,
) -> list[Board]:
    """Return the boards of the page, panel by panel."""
    margin, gutter = 0.065 * paper.width_mm, 0.022 * paper.width_mm
    wide, high = paper.width_mm - 2 * margin, paper.height_mm - 2 * margin
    cols, rows = 2, 3
    w, h = (wide - gutter * (cols - 1)) / cols, (high - gutter * (rows - 1)) / rows
    boards = []
    for r in range(rows):
        for c in range(cols):
            x, y = margin + c * (w + gutter), margin + r * (h + gutter)
            boards.append(_panel(x, y, w, h, rng, records, hatch_mm, dot_mm, gaps, wobble))
    return boards


def _panel(
    x: float,
    y: float,
    w: float,
    h: float,
    rng: np.random.Generator,
    records: Records,
    hatch: float,
    dot: float,
    gaps: float,
    wobble: float,
) -> Board:
    board = Board((x - 2, y - 2, x + w + 2, y + h + 2), rng, records)
    corners = np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]])
    border = Pen(0.7, pressure=0.04, wobble_mm=0.04 * wobble)
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        board.line(np.stack([a, b]), border, curved=False)
        board.sketch(np.stack([a - 1.5 * (b - a) / w, b + 1.5 * (b - a) / w]), 0.4, curved=False)
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    cx, cy, r = x + 0.35 * w, y + 0.4 * h, 0.25 * w
    ring = np.stack([cx + r * np.cos(turn), cy + r * np.sin(turn)], 1)
    board.line(ring, Pen(0.45, start=0.3, end=0.3, pressure=0.25, gaps=gaps), closed=True)
    board.sketch(ring * 0.98 + 0.02 * ring.mean(0), closed=True)
    board.sketch(np.array([[cx - 1.3 * r, cy], [cx + 1.3 * r, cy]]), 0.4)
    board.sketch(np.array([[cx, cy - 1.3 * r], [cx, cy + 1.3 * r]]), 0.4)
    board.hatch(ring[12:], 0.6, 0.7, hatch)
    board.hatch(ring[12:20], 2.2, 0.8, hatch)
    black = np.array([[0.65, 0.1], [0.95, 0.15], [0.9, 0.6], [0.7, 0.5]]) * (w, h) + (x, y)
    board.black(black)
    board.hatch(
        np.array([[0.05, 0.75], [0.5, 0.75], [0.5, 0.95], [0.05, 0.95]]) * (w, h) + (x, y),
        0.2,
        0.6,
        hatch,
    )
    for px, py in rng.uniform((0.58, 0.68), (0.95, 0.95), (60, 2)):
        board.dot(x + px * w, y + py * h, dot * rng.uniform(1.0, 2.0))
    for k in range(6):
        pts = np.array([[0.08, 0.06 + 0.02 * k], [0.3, 0.04 + 0.025 * k], [0.6, 0.07 + 0.02 * k]])
        board.line(pts * (w, h) + (x, y), Pen(0.3, start=0.2, end=0.0, pressure=0.3))
    return board
