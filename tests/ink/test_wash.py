"""Dark washes that were cut as ink: found, and lines, blacks and uneven greys left alone."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import F32
from inkclean.ink.values import Grey, Ink, Pencil
from inkclean.ink.wash import without_washes

PX_PER_MM, BLACK = 12.0, 0.02
NONE = Pencil(False, (), 0.0, None, "none")


def _page(*greys: float) -> F32:
    """Return the light of a page of 60 × 50 mm: a black, lines; rows of washes of these greys."""
    light = np.ones((600, 720), np.float32)
    light[30:120, 30:300] = BLACK
    for number, grey in enumerate(greys):
        top = 150 + 150 * number
        light[top : top + 120, 60:400] = grey
        for x in range(90, 400, 60):  # lines of 0.5 mm over it
            cv2.line(light, (x, top + 20), (x + 30, top + 100), BLACK, 6)
    return light


def _found(light: F32, seed: int = 1) -> tuple[Ink, Grey]:
    """Return the ink as it is cut half-way between paper and black, and what was seen."""
    soft = cv2.GaussianBlur(light, (0, 0), 1.0)
    grain = np.random.default_rng(seed).normal(0, 0.006, light.shape)
    light = np.asarray(soft + grain, np.float32)
    coverage = np.clip((1.0 - light) / (1.0 - BLACK), 0, 1)
    return Ink(coverage.astype(np.float32), PX_PER_MM, NONE), Grey(light, PX_PER_MM)


@pytest.mark.parametrize("grey", [0.13, 0.2, 0.35])
def test_a_broad_even_grey_is_taken_out_and_the_lines_over_it_stay(grey: float) -> None:
    ink, seen = _found(_page(grey, 0.2))
    washed = without_washes(ink, seen)
    assert washed.wash_mm2 == pytest.approx(2 * 340 * 120 / PX_PER_MM**2, rel=0.2)
    dark = washed.ink.coverage >= 0.5
    true = cv2.GaussianBlur((_page(1.0, 1.0) < 0.5).astype(np.float32), (0, 0), 1.0) >= 0.5
    wrong = dark != true
    assert wrong.mean() < 0.05 * true.mean()
    # nothing of the greys is left, and no line has gone
    inside = cv2.erode(true.view(np.uint8), np.ones((5, 5), np.uint8)) != 0
    around = cv2.dilate(true.view(np.uint8), np.ones((5, 5), np.uint8)) != 0
    assert dark[inside].all() and not dark[~around].any()


def test_a_page_without_a_wash_stays_as_it_is() -> None:
    light = _page()
    light[300:309, 40:600] = 0.25  # a line of 0.75 mm in a pale ink
    for x in range(60, 600, 6):  # hatching that the camera blurs, uneven in the breadth of a line
        cv2.line(light, (x, 400), (x + 40, 520), BLACK, 3)
    ink, seen = _found(light)
    washed = without_washes(ink, seen)
    assert washed.ink is ink and washed.wash_mm2 == washed.unsure_mm2 == 0


def test_a_page_in_pale_ink_alone_has_no_wash() -> None:
    light = np.where(_page() < 0.5, 0.3, 1.0).astype(np.float32)
    assert without_washes(*_found(light)).wash_mm2 == 0


def test_what_is_nearly_as_dark_as_the_lines_stays_and_is_told() -> None:
    ink, seen = _found(_page(BLACK + 0.06))
    washed = without_washes(ink, seen)
    assert washed.ink is ink
    assert washed.unsure_mm2 == pytest.approx(340 * 120 / PX_PER_MM**2, rel=0.3)


def test_bare_paper_has_none() -> None:
    light = np.ones((200, 200), np.float32)
    assert without_washes(*_found(light)).wash_mm2 == 0
