"""Words without a balloon, beside art that looks like letters from afar."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import U8
from inkclean.flats.lettering.find import find_lettering
from inkclean.flats.lettering.values import ART, TEXT
from inkclean.ink.values import Ink, Pencil
from tests.lettering import pages, words
from tests.lettering.crowds import crowd
from tests.lettering.words import FINER


def _kinds(fine: U8) -> tuple[U8, U8]:
    """Return ink and kinds of a picture drawn at FINER px a mm."""
    half = fine.shape[1] // 2, fine.shape[0] // 2
    small = cv2.resize(fine.astype(np.float32), half, interpolation=cv2.INTER_AREA)
    ink = Ink(np.asarray(small, np.float32), pages.PX_PER_MM, Pencil(False, (), 0.0, None, "none"))
    return np.asarray(small >= 0.5, np.uint8), find_lettering(ink).kind


def _figure(rng: words.Rng) -> U8:
    """A figure of a round head, a body and crossed arms."""
    mask = np.zeros((220, 120), np.uint8)
    cv2.circle(mask, (60, 35), 28, 1, 6)
    cv2.ellipse(mask, (60, 140), (45, 75), 0, 0, 360, 1, 6)
    cv2.line(mask, (20, 100), (100, int(rng.integers(120, 190))), 1, 6)
    cv2.line(mask, (100, 100), (20, 170), 1, 6)
    return mask


def test_figures_in_a_crowd_mostly_stay_art() -> None:
    taken = []
    for seed in range(5):
        rng = np.random.default_rng(seed)
        fine = np.zeros((round(40 * FINER), round(60 * FINER)), np.uint8)
        for _ in range(3):
            crowd(fine, rng, _figure)
        ink, kind = _kinds(fine)
        taken.append((kind[ink > 0] != ART).mean())
    # a sparse row of small ones is as even as a word
    assert np.median(taken) < 0.05, taken


@pytest.mark.parametrize("text", ["KRAK!", "THE STORM IS HERE", "RAIN AT HOME"])
def test_words_on_bare_paper_are_found_whole(text: str) -> None:
    rng = np.random.default_rng(7)
    mask = words.of_strokes(text, 4.5, rng)
    fine = np.zeros((round(60 * FINER), round(140 * FINER)), np.uint8)
    fine[300 : 300 + mask.shape[0], 400 : 400 + mask.shape[1]] = mask
    ink, kind = _kinds(fine)
    assert (kind[ink > 0] == TEXT).mean() > 0.97


def test_a_net_of_black_is_no_box_with_white_letters() -> None:
    fine = np.zeros((round(50 * FINER), round(60 * FINER)), np.uint8)
    for row, y in enumerate(range(200, 1000, 34)):
        for x in range(200 + 17 * (row % 2), 1200, 36):
            cv2.circle(fine, (x, y), 21, 1, 8)
    ink, kind = _kinds(fine)
    assert (kind[ink > 0] == ART).all()


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_a_lone_spot_black_stays_art(seed: int) -> None:
    rng = np.random.default_rng(seed)
    fine = np.zeros((round(40 * FINER), round(40 * FINER)), np.uint8)
    angle = np.linspace(0, 2 * np.pi, 14, endpoint=False)
    radius = 8 * FINER * (1 + 0.2 * rng.normal(size=14))
    shape = 20 * FINER + radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], 1)
    cv2.fillPoly(fine, [np.round(shape).astype(np.int32)], 1)
    fine[: round(19 * FINER)][:, : round(19 * FINER)] = 0
    ink, kind = _kinds(fine)
    assert (kind[ink > 0] == ART).all()
