"""Seams: outlines and their gaps are, hatching and bare paper are not. Drawings of our own."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import F32, U8
from inkclean.flats.lines import seams
from inkclean.flats.lines.seams import seam_odds

PX_PER_MM = 8.0
SIDE = 480


def _disc(gap_mm: float = 2.0, hatched: bool = True) -> F32:
    """Draw a circle of 20 mm with a gap on its right, and strokes of hatching inside."""
    page = np.zeros((SIDE, SIDE), np.uint8)
    half = np.degrees(gap_mm / 20 / 2)
    middle = (SIDE // 2, SIDE // 2)
    cv2.ellipse(page, middle, (160, 160), 0, half, 360 - half, 255, 4, cv2.LINE_AA)
    for x in range(160, 320, 8) if hatched else ():
        cv2.line(page, (x, 190), (x, 290), 255, 2, cv2.LINE_AA)
    return np.asarray(page, np.float32) / np.float32(255)


def _at(odds: F32, points: list[tuple[float, float]]) -> F32:
    """Return the odds at points given in px from the middle, x then y."""
    x, y = (np.array(points) + SIDE / 2).astype(int).T
    return np.asarray(odds[y, x])


def test_an_outline_is_a_seam_and_hatching_is_none() -> None:
    odds = seam_odds(_disc(), PX_PER_MM)
    angle = np.radians(np.arange(20, 341, 10))
    ring = _at(odds, [(160 * np.cos(a), 160 * np.sin(a)) for a in angle])
    strokes = _at(odds, [(x - SIDE / 2, y) for x in range(168, 312, 8) for y in (-40, 0, 40)])
    assert (ring > 0).mean() > 0.95
    assert (strokes < 0).mean() > 0.95


def test_the_seam_goes_on_across_a_gap() -> None:
    odds = seam_odds(_disc(hatched=False), PX_PER_MM)
    assert _at(odds, [(160, 0)]).max() > 0


def test_bare_paper_is_no_seam() -> None:
    odds = seam_odds(_disc(), PX_PER_MM)
    assert odds[:40].max() < -1
    assert seam_odds(np.zeros((50, 70), np.float32), PX_PER_MM).max() < -1


@pytest.mark.parametrize("turn", [1, 2, 3])
def test_turning_the_page_turns_the_seams(turn: int) -> None:
    page = _disc()
    turned = seam_odds(np.ascontiguousarray(np.rot90(page, turn)), PX_PER_MM)
    one = seam_odds(page, PX_PER_MM) > 0
    other = np.rot90(turned, -turn) > 0
    assert (one & other).sum() > 0.85 * (one | other).sum()


def test_tiles_leave_no_trace(monkeypatch: pytest.MonkeyPatch) -> None:
    page = _disc()
    whole = seam_odds(page, PX_PER_MM)
    monkeypatch.setattr(seams, "TILE_PX", 160)
    assert np.mean((seam_odds(page, PX_PER_MM) > 0) != (whole > 0)) < 0.002


@pytest.mark.parametrize("px_per_mm", [4.0, 6.0, 12.0])
def test_other_resolutions_give_seams_of_their_own_size(px_per_mm: float) -> None:
    factor = px_per_mm / PX_PER_MM
    page = np.asarray(cv2.resize(_disc(), None, fx=factor, fy=factor), np.float32)
    odds = seam_odds(page, px_per_mm)
    assert odds.shape == page.shape
    back = np.asarray(cv2.resize(odds, (SIDE, SIDE)), np.float32) > 0
    one = seam_odds(_disc(), PX_PER_MM) > 0
    assert (one & back).sum() > 0.75 * (one | back).sum()


def test_the_number_of_threads_changes_no_bit() -> None:
    page: U8 = (np.random.default_rng(1).random((200, 300)) < 0.1).astype(np.uint8)
    page = np.asarray(cv2.dilate(page, np.ones((3, 3), np.uint8)), np.uint8)
    before = cv2.getNumThreads()
    found = []
    for threads in (1, 2, 4):
        cv2.setNumThreads(threads)
        found.append(seam_odds(page.astype(np.float32), PX_PER_MM).tobytes())
    cv2.setNumThreads(before)
    assert len(set(found)) == 1
