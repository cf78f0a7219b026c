"""The demo page: "The Lamp Heron", five panels, their borders, balloons and captions."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from inkclean.base.arrays import F64
from inkclean.base.units import Paper
from inkclean.demo.drawing import coast, finale, heron, keeper, lettering
from inkclean.demo.drawing.artist import Artist, Hand, ring
from inkclean.demo.drawing.board import Board, Records
from inkclean.demo.drawing.pen import Pen, smooth

# the page was laid out on A4; places below are shares of the live area there, in mm
_LIVE = (184.0, 271.0)
_GUTTER = 4.0
_LETTERS = 2.9


def build(paper: Paper, rng: np.random.Generator, records: Records, hand: Hand) -> list[Board]:
    """Return the boards of the page, each panel's in the order drawn, the lettering last."""
    margin = 13.0 / 210.0 * paper.width_mm
    live = (paper.width_mm - 2 * margin, paper.height_mm - 2 * margin)
    stretch = np.array([live[0] / _LIVE[0], live[1] / _LIVE[1]])
    boards = []
    quads = [panel.corners * stretch + margin for panel in _panels()]
    for panel, quad in zip(_panels(), quads, strict=True):
        boards.append(_draw(panel, quad, rng, records, hand))
    page = Board((0, 0, paper.width_mm, paper.height_mm), rng, records)
    top = Artist(page, hand, (margin, margin), float(stretch.min()))
    for quad in quads:
        _border(top, page, quad)
    _words(top, page, stretch / stretch.min())
    boards.append(page)
    return boards


class Panel(NamedTuple):
    """A panel: corners (4, 2) in layout mm, what draws it, and for what width and height.

    Where the page's shape asks for less height, ``hold`` of what is lost goes at the head.
    """

    corners: F64
    draw: Callable[[Artist], None]
    width: float
    height: float
    hold: float


def _panels() -> tuple[Panel, ...]:
    w, h = _LIVE
    a, b, g = 102.0, 184.0, _GUTTER
    wide = np.array([[0, 0], [w, 0], [w, a], [0, a]])
    left = np.array([[0, a + g], [101, a + g], [95, b], [0, b]])
    right = np.array([[101 + g, a + g], [w, a + g], [w, b], [95 + g, b]])
    narrow = np.array([[0, b + g], [73, b + g], [73, h], [0, h]])
    last = np.array([[73 + g, b + g], [w, b + g], [w, h], [73 + g, h]])
    return (
        Panel(wide, coast.draw, coast.WIDTH, coast.HEIGHT, 0.2),
        Panel(left, keeper.draw, keeper.WIDTH, keeper.HEIGHT, 0.2),
        Panel(right, heron.draw, heron.WIDTH, heron.HEIGHT, 0.1),
        Panel(narrow, heron.flight, heron.FLIGHT_WIDTH, heron.FLIGHT_HEIGHT, 0.5),
        Panel(last, finale.draw, finale.WIDTH, finale.HEIGHT, 0.0),
    )


def _draw(panel: Panel, quad: F64, rng: np.random.Generator, records: Records, hand: Hand) -> Board:
    low, high = quad.min(axis=0), quad.max(axis=0)
    size = np.array([panel.width, panel.height])
    scale = float(np.max((high - low) / size))
    origin = low + (high - low - scale * size) * (0.5, panel.hold)
    board = Board((low[0], low[1], high[0], high[1]), rng, records, clip=quad)
    panel.draw(Artist(board, hand, (float(origin[0]), float(origin[1])), scale))
    return board


def _border(a: Artist, page: Board, quad: F64) -> None:
    pen = Pen(0.85 * a.scale**0.5, pressure=0.04, wobble_mm=0.03)
    for p, q in zip(quad, np.roll(quad, -1, axis=0), strict=True):
        page.line(np.stack([p, q]), pen, curved=False)
        over = (q - p) / np.hypot(*(q - p)) * 4.0
        page.sketch(np.stack([p - over, q + over]), 0.4, curved=False)


def _words(a: Artist, page: Board, stretch: F64) -> None:
    """Set captions and balloons; places in layout mm, moved along where the page is longer."""

    def at(x: float, y: float) -> tuple[float, float]:
        return float(x * stretch[0]), float(y * stretch[1])

    _caption(a, *at(2.5, 2.5), ["THE NIGHT THE GREAT LAMP WENT OUT,", "THE SEA FORGOT THE SHORE."])
    _balloon(a, *at(21.5, 114.6), ["PIP, OLD FRIEND…", "ARE YOU WOUND?"], (42, 127), stretch)
    _balloon(a, *at(168.5, 114.8), ["ALWAYS,", "KEEPER."], (147.5, 119.5), stretch)
    _caption(a, *at(2.5, 255.6), ["SO PIP TOOK A SPARK", "FROM THE HEARTH…"])
    _caption(a, *at(181.5, 260.6), ["…AND THE SEA CAME TO ITS SENSES."], right=True)


def _caption(a: Artist, x: float, y: float, lines: list[str], *, right: bool = False) -> None:
    wide = max(lettering.width(line, _LETTERS) for line in lines) + 5.0
    high = 1.62 * _LETTERS * len(lines) + 2.4
    x -= wide if right else 0.0
    a.shape(
        [[x, y], [x + wide, y], [x + wide, y + high], [x, y + high]], 0.4, curved=False, gaps=0.0
    )
    for k, line in enumerate(lines):
        a.letter(line, x + wide / 2, y + 2.0 + _LETTERS + 1.62 * _LETTERS * k, _LETTERS)


def _balloon(
    a: Artist, x: float, y: float, lines: list[str], mouth: tuple[float, float], stretch: F64
) -> None:
    wide = max(lettering.width(line, _LETTERS) for line in lines) / 2 + 4.2
    high = 0.81 * _LETTERS * len(lines) + 3.6
    turn = np.radians(np.linspace(0, 360, 72, endpoint=False))
    # a squarish oval
    c, s = np.cos(turn), np.sin(turn)
    oval = np.stack(
        [x + wide * np.sign(c) * np.abs(c) ** 0.8, y + high * np.sign(s) * np.abs(s) ** 0.8], 1
    )
    target = np.array(mouth) * stretch
    aim = np.arctan2((target[1] - y) / high, (target[0] - x) / wide)
    off = np.abs((turn - aim + np.pi) % (2 * np.pi) - np.pi)
    keep = oval[off > 0.2]
    first = int(np.argmax(np.hypot(*(keep - np.roll(keep, 1, axis=0)).T)))
    keep = np.roll(keep, -first, axis=0)
    bend = (keep[-1] + keep[0]) / 2 + (target - (x, y)) * 0.25 + np.array([1.0, -0.5])
    lean = np.array([0.5, 0.3])
    tail_in = _arc(keep[-1], bend + lean, target)
    tail_out = _arc(target, bend - lean, keep[0])
    outline = np.concatenate([keep, tail_in[1:-1], target[None], tail_out[1:-1]])
    a.board.clear([a.mm(outline)])
    a.line(np.concatenate([tail_out[1:], keep[1:-1], tail_in[:-1]]), 0.5, 0.5, 0.5, gaps=0.0)
    a.sketch(ring(x, y, wide, high), 0.4, closed=True)
    for k, line in enumerate(lines):
        foot = y + _LETTERS / 2 + 1.62 * _LETTERS * (k - (len(lines) - 1) / 2)
        a.letter(line, x, foot, _LETTERS)


def _arc(p: F64, bend: F64, q: F64) -> F64:
    return smooth(np.stack([p, bend, q]), step=1.0)
