"""Inks told apart: one pen is one ink however it was pressed, a second ink is said."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import F32
from inkclean.ink.pencil.inks import tell_inks
from inkclean.ink.values import Grey, Ink, InkColour, Pencil
from inkclean.sheet.values import Sheet
from tests.sheet.patches import FRAME, PX_PER_MM, lines, scatter

SIDE_MM = 50.0
BLACK = (0.04, 0.04, 0.042)


def _told(
    first: F32, second: tuple[float, float, float], *, spread: float = 0.0
) -> tuple[InkColour, ...]:
    """Return the inks of a page of strokes in one colour (N, 3) each, and some in another."""
    shape = (round(SIDE_MM * PX_PER_MM),) * 2
    page = np.ones((*shape, 3), np.float32)
    cover = np.zeros(shape, np.float32)
    rng = np.random.default_rng(3)
    for number, end in enumerate(scatter(60, SIDE_MM, 12.0, 5)):
        stroke = lines(shape, end[None], 0.55)[..., None]
        colour = np.array(second if number % 3 == 0 else first) + spread * rng.uniform(0, 1)
        page = page * (1 - stroke) + stroke * colour.astype(np.float32)
        np.maximum(cover, stroke[..., 0], out=cover)
    page = np.asarray(cv2.GaussianBlur(page, (0, 0), 0.9), np.float32)
    page += rng.normal(0, 0.01, page.shape).astype(np.float32)
    sheet = Sheet(page, PX_PER_MM, FRAME, np.ones((2, 2, 3), np.float32), noise=0.01)
    grey = Grey(np.asarray(page.mean(axis=2), np.float32), PX_PER_MM)
    return tell_inks(cover >= 0.5, grey, sheet, 0.95)


@pytest.mark.parametrize("spread", [0.0, 0.12, 0.3])
def test_one_pen_is_one_ink_however_it_was_pressed(spread: float) -> None:
    assert _told(np.array(BLACK, np.float32), BLACK, spread=spread) == ()


@pytest.mark.parametrize(
    ("second", "name"),
    [
        ((0.35, 0.35, 0.35), "grey"),
        ((0.14, 0.14, 0.14), "grey"),
        ((0.12, 0.06, 0.035), "brown"),
        ((0.04, 0.09, 0.34), "blue"),
    ],
)
def test_a_second_ink_is_told_with_its_name(second: tuple[float, float, float], name: str) -> None:
    inks = _told(np.array(BLACK, np.float32), second)
    assert [ink.name for ink in inks] == ["black", name]
    assert inks[1].share == pytest.approx(1 / 3, abs=0.08)
    assert sum(ink.share for ink in inks) == pytest.approx(1.0)


def test_a_page_without_strokes_has_none() -> None:
    shape = (200, 150)
    sheet = Sheet(
        np.ones((*shape, 3), np.float32), PX_PER_MM, FRAME, np.ones((2, 2, 3), np.float32)
    )
    blank = np.zeros(shape, np.float32)
    assert tell_inks(blank > 0, Grey(blank + 1, PX_PER_MM), sheet, 1.0) == ()


def test_what_was_said_of_colours_is_not_said_twice() -> None:
    inks = (InkColour("black", "#222222", 0.7), InkColour("brown", "#7A5A48", 0.3))
    pencil = Pencil(False, (), 0.0, None, "no coloured pencil found")
    blank = np.zeros((2, 2), np.float32)
    note = Ink(blank, 12.0, pencil, inks=inks).note
    assert note.endswith(
        "; brown #7A5A48 (on 30 % of the lines): another ink beside the black, kept"
    )
    said = Pencil(False, (), 0.0, None, "brown #7A5A40: another ink beside the black, kept")
    assert Ink(blank, 12.0, said, inks=inks).note == said.note
