"""The network that tells which sheet is the page, and how outlines are weighed by it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from inkclean.base.convolve import can_convolve
from inkclean.base.network import network, run, weights
from inkclean.base.pyramid import read_sight
from inkclean.sheet.framing.agree import as_told, mean_side, parts, sides_told
from inkclean.sheet.framing.frame import find_frame
from inkclean.sheet.framing.lines import EdgeLines
from inkclean.sheet.framing.seen import FOLD, NET, SeenSheet, likely, see
from tests.alike import some_like
from tests.sheet import tables
from tests.sheet.desks import jaccard_shown

PACKAGE = "inkclean.sheet.framing"
SHAPE = (540, 720, 3)


@pytest.mark.skipif(not can_convolve(), reason="nothing was compiled here")
def test_both_ways_see_the_same() -> None:
    sight = read_sight(weights(PACKAGE, NET))
    assert sight is not None
    cells = np.random.default_rng(2).uniform(-1, 1, (3 * FOLD**2, 48, 64)).astype(np.float32)
    told, other = sight(cells), run(network(PACKAGE, NET), cells)
    assert told.shape == other.shape == (8, 48, 64)
    assert np.abs(told - other).max() < 1e-3


def _told(corners: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> SeenSheet:
    share = np.zeros((288, 384), np.float32)
    scaled = corners * (384 / SHAPE[1])
    cv2.fillPoly(share, [np.rint(scaled * 16).astype(np.int32)], 1.0, cv2.LINE_AA, 4)
    rim = cv2.dilate(share, np.ones((3, 3))) - cv2.erode(share, np.ones((3, 3)))
    return SeenSheet(12 * share - 6, np.asarray(12 * rim - 6, np.float32))


def test_an_outline_agrees_with_what_is_seen_as_far_as_it_covers_the_same() -> None:
    true = np.array([[100.0, 60.0], [500, 80], [520, 480], [90, 470]])
    half = true.copy()
    half[1:3] = (true[1:3] + true[[0, 3]]) / 2  # ends at a line down its middle
    beside = true + np.array([110.0, 0.0])
    told = _told(true)
    parted, shared = as_told(told, np.stack([true, half, beside]), SHAPE)
    area = cv2.contourArea(true.astype(np.float32)) / (720 * 540)
    assert parted[0] > 0.97
    assert shared[0] > 0.97
    assert parted[1] == pytest.approx(1 - area, abs=0.04)  # half of the sheet twice over
    assert shared[1] == pytest.approx(0.5, abs=0.03)
    assert shared[2] < 0.65
    sides = sides_told(told, np.stack([true, half]), SHAPE)
    assert (sides[0] > 0.9).all()
    assert sides[1, 1] < 0.2  # down the sheet's middle
    assert mean_side(sides)[0] > 0.95
    assert mean_side(sides)[1] < 0.85


def test_a_few_places_tell_the_same_of_all_candidates() -> None:
    rng = np.random.default_rng(4)
    angle = np.array([0.02, 1.55, 0.05, 1.6, 0.3, 1.2])
    normal = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    through = np.array([[100.0, 0], [0, 70], [600, 0], [0, 480], [300, 0], [0, 300]])
    none = np.zeros(6)
    lines = EdgeLines(normal, (normal * through).sum(axis=1), *([none] * 6))
    sides = np.array([[1, 2, 3, 0], [1, 4, 3, 0], [1, 2, 5, 0]])
    n, c = lines.normal[sides], lines.offset[sides]
    before = np.roll(n, 1, axis=1), np.roll(c, 1, axis=1)
    corners = np.linalg.solve(
        np.stack([before[0], n], axis=2), np.stack([before[1], c], axis=2)[..., None]
    )[..., 0]
    odds = np.asarray(cv2.resize(rng.normal(0, 3, (9, 12)), (384, 288)), np.float32)
    told = SeenSheet(odds, odds)
    few = parts(lines, corners, sides, told, SHAPE)
    many, _ = as_told(told, corners, SHAPE)
    assert np.abs(few - many).max() < 0.05


def test_who_cannot_tell_has_no_say() -> None:
    rng = np.random.default_rng(6)
    unsure = rng.normal(0, 1, (288, 384)).astype(np.float32)
    sure = np.where(np.arange(384) < 200, 5.0, -5.0)[None].repeat(288, 0).astype(np.float32)
    assert SeenSheet(unsure, unsure).voice == 0
    assert SeenSheet(sure, sure).voice == 1
    assert (likely(SeenSheet(unsure, unsure), (720, 540)) == 127).all()
    shown = likely(SeenSheet(sure, sure), (720, 540))
    assert shown.shape == (540, 720)
    assert (shown[:, 100] == 255).all()
    assert (shown[:, 600] == 0).all()


# Sheets with sides outside the picture that colours and edges alone do not tell.
@pytest.mark.parametrize(
    ("kind", "sides"),
    some_like(2, ("tiles", 1), ("stone", 2), ("granite", 3), ("stone", 1), ("patterned cloth", 2)),
)
def test_a_sheet_is_known_among_other_things(kind: str, sides: int) -> None:
    shown = tables.shoot(kind, 40, hidden=sides)
    high, wide = shown.photo.pixels.shape[:2]
    told = see(np.asarray(cv2.resize(shown.photo.pixels, (wide // 2, high // 2)), np.uint8))
    rows, columns = told.odds.shape
    share = np.zeros((rows, columns), np.float32)
    scaled = shown.corners * (columns / wide, rows / high)
    cv2.fillPoly(share, [np.rint(scaled * 16).astype(np.int32)], 1.0, cv2.LINE_AA, 4)
    both = ((told.odds > 0) & (share > 0.5)).sum()
    assert both / ((told.odds > 0) | (share > 0.5)).sum() > 0.95
    assert jaccard_shown(find_frame(shown.photo), shown.corners, (wide, high)) > 0.98
