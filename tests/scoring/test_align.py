"""The truth comes to lie where the sheet says, whatever the sheet is."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from inkclean.base.units import Paper
from inkclean.demo.camera.conditions import Conditions
from inkclean.demo.camera.shot import Shot, photograph
from inkclean.demo.drawing.page import DrawnPage, draw
from tests.scoring.score import align_sheet, score_frame, score_ink, true_frame

SCALE = 600.0 / 25.4


@cache
def _shot(bow_mm: float = 0.0) -> tuple[DrawnPage, Shot]:
    page = draw(Paper("small", 105.0, 148.5), 3)
    conditions = Conditions(width_px=900, height_px=1200, tilt=9.0, bow_mm=bow_mm, dust=20)
    return page, photograph(page, conditions)


def test_truth_in_the_true_frame_is_the_truth_itself() -> None:
    page, shot = _shot()
    frame = true_frame(page, shot)
    size = (page.ink.shape[0], page.ink.shape[1])
    aligned = align_sheet(page, shot, frame, size, SCALE)
    height, width = aligned.ink.shape
    # whole pixels hold the sheet only nearly: up to a third of one at the far edge
    assert np.abs(aligned.ink - page.ink[:height, :width]).mean() < 0.01
    scores = score_ink(aligned.ink >= 0.5, page, shot, aligned)
    assert scores["f"] == 100.0
    assert scores["drd"] == 0.0
    assert scores["lines"] == scores["dots"] == scores["dust_gone"] == 100.0
    assert scores["blacks_holed"] == 0.0
    assert score_frame(shot, frame) == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("bow_mm", [0.0, 5.0])
def test_places_come_back_from_a_wrong_frame(bow_mm: float) -> None:
    page, shot = _shot(bow_mm)
    frame = true_frame(page, shot)
    off = np.array([[12.0, -5.0], [-9.0, 7.0], [3.0, 3.0], [0.0, -8.0]])
    wrong = replace(frame, corners_px=frame.corners_px + off, edges_px=None, width_mm=210.0)
    aligned = align_sheet(page, shot, wrong, (1485, 2100), 10.0, 10.0)
    places = np.random.default_rng(0).uniform(0.05, 0.95, (200, 2)) * (105.0, 148.5)
    assert np.abs(aligned.to_page(aligned.to_sheet(places)) - places).max() < 1e-4
    assert 0.9 < score_frame(shot, wrong) < 0.999


def test_a_shifted_result_scores_less_and_a_filled_one_has_no_open_lines() -> None:
    page, shot = _shot()
    aligned = align_sheet(page, shot, true_frame(page, shot), (3508, 2480), SCALE)
    truth = aligned.ink >= 0.5
    moved = score_ink(np.roll(truth, 2, axis=1), page, shot, aligned)
    assert 80 < moved["f"] < 99
    assert moved["drd"] > 2
    full = score_ink(np.ones_like(truth), page, shot, aligned)
    assert full["lines"] == full["dust_gone"] == 0.0
    assert full["pencil_left"] == 100.0
    empty = score_ink(np.zeros_like(truth), page, shot, aligned)
    assert empty["dots"] == empty["lines"] == 0.0
    assert empty["ink_lost"] == 100.0
