"""From sheet to ink."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest

from inkclean.base.errors import UsageError
from inkclean.ink.values import Ink
from inkclean.ink.width import thin_line_mm
from inkclean.page import Page
from inkclean.settings import Settings
from inkclean.sheet.framing.frame import whole_frame
from inkclean.sheet.values import Photo, Sheet
from tests.ink.shapes import FINE, bar, canvas, dot, photographed

SCALE = 12.0


def _ink(sheet: Sheet, **asked: Any) -> Ink:
    return Page(None, Settings(**asked), given={"sheet": sheet, "differing": ()}).ink


def _sheet() -> Sheet:
    page, pencil = canvas(240, 240), canvas(240, 240)
    page[20 * FINE : 80 * FINE, 20 * FINE : 80 * FINE] = 255
    for k in range(6):
        bar(page, (100, 30 + 20 * k), (220, 36 + 20 * k), 2.5)
    dot(page, 50, 150, 2.5)
    dot(page, 50, 200, 1.0)
    for k in range(2):
        bar(pencil, (100 + 90 * k, 5), (120 + 90 * k, 235), 6)
    ink = photographed(page, 0.8, 0.008)
    shade = np.asarray(1 - photographed(pencil, 0.8, black=1.0), np.float32)[..., None]
    blue = np.array([0.62, 0.86, 0.93], np.float32)
    paper = 1 - shade * (1 - blue)
    share = ((1 - ink) / 0.95)[..., None]  # of each px under ink, which hides the pencil
    reflectance = ((1 - share) * paper + share * 0.05).astype(np.float32)
    frame = whole_frame(Photo(np.full((240, 240, 3), 255, np.uint8), None, "page"))
    return Sheet(reflectance, SCALE, frame, np.ones((4, 4, 3), np.float32), noise=0.01)


def test_pencil_goes_and_ink_stays_where_it_was() -> None:
    sheet = _sheet()
    ink = _ink(sheet, drop=("blue",))
    inked = ink.coverage > 0.5
    assert ink.coverage.shape == (240, 240)
    assert ink.px_per_mm == SCALE
    assert ink.pencil.found
    assert inked[22:78, 22:78].all()
    assert inked[148:152, 48:52].all()
    assert not inked[5:25, 90:].any()  # pencil alone
    assert not inked[190:210, 40:60].any()  # a speck of 0.17 mm
    assert len(ink.removed) == 1
    assert np.allclose(ink.removed[0, :2], (50 / SCALE, 200 / SCALE), atol=0.1)
    assert all(0 <= d.x_mm <= 20 and 0 <= d.y_mm <= 20 for d in ink.doubts)


def test_specks_and_weight_are_passed_on() -> None:
    sheet = _sheet()
    kept = _ink(sheet, speck_mm=0.0)
    assert (kept.coverage[190:210, 40:60] > 0.5).any()
    assert _ink(sheet, weight=1.0).coverage.sum() > 1.02 * kept.coverage.sum()


def test_an_unknown_pencil_is_refused_in_one_line() -> None:
    with pytest.raises(UsageError) as failure:
        _ink(_sheet(), drop=("mauvish",))
    assert "\n" not in str(failure.value)


def test_blank_paper_has_no_ink() -> None:
    rng = np.random.default_rng(1)
    paper = (1 + 0.01 * rng.normal(0, 1, (200, 150, 3))).astype(np.float32)
    frame = whole_frame(Photo(np.full((200, 150, 3), 255, np.uint8), None, "page"))
    sheet = Sheet(paper, SCALE, frame, np.ones((4, 4, 3), np.float32), noise=0.01)
    ink = _ink(sheet)
    assert not (ink.coverage > 0.5).any()
    assert ink.removed.shape == (0, 3)


def _drawing(darkness: float) -> Sheet:
    """Lines of several widths, hatching, dots and a black, in an ink so dark; dust beside it."""
    page = canvas(300, 300)
    page[20 * FINE : 70 * FINE, 20 * FINE : 70 * FINE] = 255
    for k, wide in enumerate((1.9, 2.4, 3.2, 4.5, 6.0)):
        bar(page, (90, 25 + 12 * k), (280, 30 + 12 * k), wide)
    for k in range(22):
        bar(page, (30 + 9 * k, 110), (45 + 9 * k, 180), 2.2)
    for k in range(20):
        dot(page, 40 + 11 * k, 210 + 15 * (k % 3), 2.2)
    share = (1 - photographed(page, 0.8)) / 0.95
    noise = np.random.default_rng(5).normal(0, 0.006, share.shape)
    light = 1 - darkness * share + noise
    reflectance = np.repeat(light[..., None], 3, axis=2).astype(np.float32)
    frame = whole_frame(Photo(np.full((300, 300, 3), 255, np.uint8), None, "page"))
    return Sheet(reflectance, SCALE, frame, np.ones((4, 4, 3), np.float32), noise=0.006)


@pytest.mark.parametrize("weight", [0.0, 0.5])
@pytest.mark.parametrize("darkness", [0.25, 0.45])
def test_a_faint_drawing_comes_out_as_whole_as_a_black_one(darkness: float, weight: float) -> None:
    black, pale = (_ink(_drawing(dark), weight=weight) for dark in (0.95, darkness))
    one, other = black.coverage >= 0.5, pale.coverage >= 0.5
    both = float((one & other).sum())
    assert 2 * both / (one.sum() + other.sum()) > 0.97
    pieces = [cv2.connectedComponents(ink.view(np.uint8))[0] for ink in (one, other)]
    assert pieces[0] == pieces[1]
    assert len(black.removed) == len(pale.removed)
    thin = [thin_line_mm(ink.coverage, SCALE) for ink in (black, pale)]
    assert thin[0] is not None
    assert thin[1] == pytest.approx(thin[0], abs=0.02)
