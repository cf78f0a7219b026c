"""Grey printed squares and ruled lines go, ink on them stays, drawings are never taken for them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import F32, F64
from inkclean.base.colour import encode
from inkclean.ink.pencil.separate import separate
from inkclean.sheet.lit import Lit
from inkclean.sheet.values import Sheet
from tests.sheet.patches import FRAME, linear

PX_PER_MM = 5.0
HIGH, WIDE = 900, 1200


def _print(spacing_mm: float, colour: str, *, squares: bool, curl: float = 0.0) -> F32:
    """(HIGH, WIDE, 3) printed paper, lines 0.3 mm broad, drawn four times finer."""
    fine = 4
    y, x = np.mgrid[0 : HIGH * fine, 0 : WIDE * fine].astype(np.float32) / fine / PX_PER_MM
    bent = y + curl * np.sin(x / 40)
    line = np.abs((bent + spacing_mm / 2) % spacing_mm - spacing_mm / 2) < 0.15
    if squares:
        line |= np.abs((x + spacing_mm / 2) % spacing_mm - spacing_mm / 2) < 0.15
    share = cv2.resize(line.astype(np.float32), (WIDE, HIGH), interpolation=cv2.INTER_AREA)
    return np.asarray(1 - share[..., None] * (1 - linear(colour)), np.float32)


def _pen(spacing_mm: float) -> F32:
    """(HIGH, WIDE) coverage of ink: ovals, a slant, and one stroke along a printed line."""
    ink = np.zeros((HIGH, WIDE), np.uint8)
    for number in range(12):
        centre = (120 + 180 * (number % 6), 250 + 400 * (number // 6))
        cv2.ellipse(ink, centre, (50, 35), 20 * number, 0, 360, 255, 4, cv2.LINE_AA)
    cv2.line(ink, (80, 820), (1100, 500), 255, 4, cv2.LINE_AA)
    along = round(round(100 / spacing_mm) * spacing_mm * PX_PER_MM)
    cv2.line(ink, (200, along), (700, along), 255, 5, cv2.LINE_AA)
    return np.asarray(ink / 255, np.float32)


def _sheet(paper: F32, ink: F32, tone: float | F32 | F64) -> Sheet:
    picture = paper * (1 - ink[..., None] * (1 - tone))
    noise = np.random.default_rng(3).normal(0, 0.012, picture.shape)
    soft = cv2.GaussianBlur(picture, (0, 0), 0.6) + np.asarray(noise, np.float32)
    return Sheet(np.asarray(soft, np.float32), PX_PER_MM, FRAME, np.ones((2, 2, 3), np.float32))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("spacing", "colour", "squares", "curl"),
    [
        (4.0, "#B9BCC0", True, 0.0),
        (5.0, "#A9B0B8", True, 0.6),
        (7.0, "#B0B0B0", True, 0.0),
        (8.0, "#ADB3BA", False, 0.6),
    ],
)
def test_print_goes_and_ink_on_it_stays(
    spacing: float, colour: str, squares: bool, curl: float
) -> None:
    paper, ink = _print(spacing, colour, squares=squares, curl=curl), _pen(spacing)
    grey, pencil = separate(_sheet(paper, ink, 0.05))
    assert pencil.found
    assert ("squares" if squares else "lines") in pencil.note
    bare = cv2.dilate(ink, np.ones((7, 7), np.uint8)) == 0
    printed = bare & (paper.mean(axis=2) < 0.8)
    assert float((grey.ink[printed] < 0.8).mean()) < 0.04
    assert float((grey.ink[ink > 0.95] < 0.5).mean()) > 0.99
    # the width of the pen: as many dark pixels as on paper without print
    plain, _ = separate(_sheet(np.ones_like(paper), ink, 0.05))
    dark, truth = int((grey.ink < 0.5).sum()), int((plain.ink < 0.5).sum())
    assert abs(dark - truth) < 0.05 * truth


@pytest.mark.slow
def test_lines_go_up_to_where_the_paper_ends() -> None:
    paper, ink = _print(5.0, "#A9B0B8", squares=True), _pen(5.0)
    bare = round(3 * PX_PER_MM)  # a table as light as paper, then a stroke where a line ends
    paper[:bare] = paper[-bare:] = paper[:, :bare] = paper[:, -bare:] = 1
    cv2.line(ink, (500, 2 * bare), (500, 5 * bare), 1.0, 4, cv2.LINE_AA)
    grey, _ = separate(_sheet(paper, ink, 0.05))
    away = cv2.dilate(ink, np.ones((7, 7), np.uint8)) == 0
    away[2 * bare : -2 * bare, 2 * bare : -2 * bare] = False
    ends = away & (paper.mean(axis=2) < 0.8)
    assert float((grey.ink[ends] < 0.8).mean()) < 0.04
    assert float((grey.ink[ink > 0.95] < 0.5).mean()) > 0.99


@pytest.mark.slow
def test_print_stays_if_asked_and_where_ink_is_no_darker() -> None:
    paper, ink = _print(5.0, "#A9B0B8", squares=True), _pen(5.0)
    kept, pencil = separate(_sheet(paper, ink, 0.05), ("none",))
    assert not pencil.found
    assert float((kept.ink < 0.8).mean()) > 0.05
    faint = float(linear("#A9B0B8").mean())
    grey, pencil = separate(_sheet(paper, ink, faint))
    assert "as dark as the ink, so they were kept" in pencil.note
    assert float(grey.ink[ink > 0.95].mean()) < faint + 0.1


def _hatched() -> F32:
    ink = np.zeros((HIGH, WIDE), np.uint8)
    for left, top in ((100, 100), (600, 400), (200, 550)):
        for step in range(0, 260, 22):
            cv2.line(ink, (left, top + step), (left + 260, top + step), 255, 2, cv2.LINE_AA)
            cv2.line(ink, (left + step, top), (left + step, top + 260), 255, 2, cv2.LINE_AA)
    return np.asarray(ink / 255, np.float32)


def _panels() -> F32:
    ink = np.zeros((HIGH, WIDE), np.uint8)
    for left, top, right, low in ((50, 50, 560, 400), (590, 50, 1150, 300), (50, 430, 1150, 850)):
        cv2.rectangle(ink, (left, top), (right, low), 255, 4, cv2.LINE_AA)
    return np.asarray(ink / 255, np.float32)


@pytest.mark.parametrize("drawn", [_hatched, _panels, lambda: _pen(5.0)])
def test_drawings_are_no_print(drawn: Callable[[], F32]) -> None:
    grey, pencil = separate(_sheet(np.ones((HIGH, WIDE, 3), np.float32), drawn(), 0.05))
    assert not pencil.found
    assert "printed" not in pencil.note
    assert float((grey.ink < 0.5).mean()) > 0.01


def test_a_grid_drawn_in_the_pages_ink_stays() -> None:
    paper = _print(6.0, "#202020", squares=True)
    grey, _ = separate(_sheet(paper, _pen(6.0), 0.03))
    assert float((grey.ink[paper.mean(axis=2) < 0.4] < 0.6).mean()) > 0.95


@pytest.mark.slow
@pytest.mark.parametrize(("colour", "pen"), [("#64564C", "#1D1D4E"), ("#4A5A78", "#7A1A1E")])
def test_print_as_dark_as_a_coloured_pen_goes_by_its_hue(colour: str, pen: str) -> None:
    paper, ink = _print(5.0, colour, squares=True, curl=0.6), _pen(5.0)
    grey, pencil = separate(_sheet(paper, ink, linear(pen)))
    assert "squares" in pencil.note and "removed" in pencil.note
    near = cv2.dilate(ink, np.ones((7, 7), np.uint8))
    printed = (near == 0) & (paper.mean(axis=2) < 0.8)
    assert float((grey.ink[printed] < 0.8).mean()) < 0.04
    assert float((grey.ink[ink > 0.95] < 0.6).mean()) > 0.98


def test_squares_printed_darker_one_way_go_both_ways() -> None:
    level, profile = _print(5.0, "#CFD1D3", squares=False), _print(5.0, "#6C7075", squares=False)
    upright = np.tile(profile[:, 0], (2, 1))[None, :WIDE]
    paper, ink = np.minimum(level, upright).astype(np.float32), _pen(5.0)
    grey, _ = separate(_sheet(paper, ink, 0.05))
    bare = cv2.dilate(ink, np.ones((7, 7), np.uint8)) == 0
    assert float((grey.ink[bare & (upright.mean(axis=2) < 0.6)] < 0.8).mean()) < 0.02
    assert float((grey.ink[ink > 0.95] < 0.5).mean()) > 0.99


@pytest.mark.slow
def test_print_in_the_pens_own_hue_stays() -> None:
    paper, ink = _print(5.0, "#24245E", squares=True), _pen(5.0)
    grey, pencil = separate(_sheet(paper, ink, linear("#1D1D4E")))
    assert float((grey.ink[ink > 0.95] < 0.6).mean()) > 0.98
    assert "squares" not in pencil.note or "kept" in pencil.note


def test_lines_go_up_to_a_punched_hole() -> None:
    paper, ink = _print(5.0, "#8A9098", squares=True), _pen(5.0)
    hole = np.zeros((HIGH, WIDE), np.uint8)
    for across in (300, 700):
        cv2.circle(hole, (across, 60), round(3.7 * PX_PER_MM), 1, -1)
    lit = _sheet(paper, ink, 0.05)
    codes = np.rint(255 * encode(np.clip(lit.reflectance, 0, 1).astype(np.float64)))
    tone = Lit(codes.astype(np.uint8), np.ones((2, 2, 3), np.float32), hole > 0)
    grey, _ = separate(replace(lit, tone=tone))
    near = (cv2.dilate(hole, np.ones((51, 51), np.uint8)) > 0) & (hole == 0)
    near &= cv2.dilate(ink, np.ones((7, 7), np.uint8)) == 0
    printed = near & (paper.mean(axis=2) < 0.8)
    assert printed.sum() > 300
    assert float((grey.ink[printed] < 0.8).mean()) < 0.04


def test_a_line_printed_darker_than_its_fellows_goes_too() -> None:
    paper, ink = _print(5.0, "#B4B9BE", squares=True), _pen(5.0)
    row = round(130 * PX_PER_MM)  # no stroke runs along it
    paper[row - 2 : row + 3] **= 1.6
    grey, _ = separate(_sheet(paper, ink, 0.05))
    bare = cv2.dilate(ink, np.ones((7, 7), np.uint8)) == 0
    line = np.zeros_like(bare)
    line[row - 2 : row + 3] = bare[row - 2 : row + 3]
    assert float((grey.ink[line] < 0.8).mean()) < 0.02
    assert float((grey.ink[ink > 0.95] < 0.5).mean()) > 0.99


def _written(spacing_mm: float) -> F32:
    """(HIGH, WIDE) coverage of words, small loops, in the middle of each row of squares."""
    ink = np.zeros((HIGH, WIDE), np.uint8)
    step, loop = spacing_mm * PX_PER_MM, 8.0
    rng = np.random.default_rng(7)
    for row in range(4, 30):
        x = 150.0 + 40 * (row % 3)
        while x < 900:
            long, y = rng.uniform(45, 110), (row + 0.5) * step + 0.004 * x
            turn = np.linspace(0, long / loop * 2 * np.pi, int(3 * long))
            across = x + turn * loop / (2 * np.pi) + 0.3 * loop * np.sin(turn)
            points = np.stack([across, y - 0.2 * step * np.cos(turn)], 1)
            cv2.polylines(ink, [np.round(points * 16).astype(np.int32)], False, 255, 3, 16, 4)
            x += long + rng.uniform(8, 30)
    return np.asarray(ink / 255, np.float32)


def test_writing_in_the_rows_of_squares_is_no_printed_line() -> None:
    paper, ink = _print(5.0, "#A9B0B8", squares=True), _written(5.0)
    grey, pencil = separate(_sheet(paper, ink, 0.05))
    assert "squares" in pencil.note
    plain, _ = separate(_sheet(np.ones_like(paper), ink, 0.05))
    strokes = (paper.mean(axis=2) > 0.99) & (ink > 0.5)  # beside printed lines, not on them
    lost = (grey.ink[strokes] > 0.5) & (plain.ink[strokes] < 0.5)
    assert float(lost.mean()) < 0.015
    bare = cv2.dilate(ink, np.ones((7, 7), np.uint8)) == 0
    assert float((grey.ink[bare & (paper.mean(axis=2) < 0.8)] < 0.8).mean()) < 0.01
