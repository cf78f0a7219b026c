"""Narrow dark strips of table along the picture's borders, which the network does not tell."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import U8
from inkclean.sheet.framing.outline import find_outline
from inkclean.sheet.framing.seen import SeenSheet

HIGH, WIDE = 560, 720
RIGHT = 650  # where the sheet ends at the right, the other sides being outside


def _seen() -> SeenSheet:
    """A network that takes all to the picture's borders for the sheet, but for the table."""
    odds = np.full((288, 384), 6.0, np.float32)
    odds[:, round(RIGHT * 384 / WIDE) :] = -6.0
    sides = np.full((288, 384), -6.0, np.float32)
    sides[:, round(RIGHT * 384 / WIDE) - 1 : round(RIGHT * 384 / WIDE) + 2] = 6.0
    return SeenSheet(odds, sides)


def _picture(deep: int, tone: int, lean: int = 0) -> U8:
    """A sheet whose lower side leaves a strip below it, deeper by ``lean`` px at the right."""
    picture = np.full((HIGH, WIDE, 3), (196, 200, 202), np.uint8)
    rng = np.random.default_rng(5)
    for _ in range(12):
        at = rng.uniform(60, 480, 2) + rng.normal(0, 30, (5, 2)).cumsum(axis=0)
        cv2.polylines(picture, [at.astype(np.int32)], False, (60, 60, 60), 7, cv2.LINE_AA)
    strip = np.array([[0, HIGH - deep], [WIDE, HIGH - deep - lean], [WIDE, HIGH], [0, HIGH]])
    cv2.fillPoly(picture, [strip.astype(np.int32)], (tone, tone, tone), cv2.LINE_AA)
    picture[:, RIGHT:] = (30, 45, 60)
    noise = rng.normal(0, 2, picture.shape)
    return np.clip(picture + noise, 0, 255).astype(np.uint8)


@pytest.mark.parametrize(("deep", "lean"), [(8, 0), (6, 5)])
def test_a_dark_strip_along_the_border_is_no_paper(deep: int, lean: int) -> None:
    found = find_outline(_picture(deep, 25, lean), 1.0, _seen())
    assert found is not None
    assert found.corners[:, 0].max() == pytest.approx(RIGHT, abs=3)
    low = found.corners[np.argsort(found.corners[:, 1])[2:]]
    low = low[np.argsort(low[:, 0])]
    assert low[0, 1] == pytest.approx(HIGH - deep, abs=4)
    assert low[1, 1] == pytest.approx(HIGH - deep - lean * RIGHT / WIDE, abs=4)
    assert found.seen.sum() == 2


@pytest.mark.parametrize(
    ("deep", "tone"),
    [(45, 25), (8, 175)],
    ids=["a black ground to the sheet's border", "light that falls off"],
)
def test_what_is_drawn_to_the_border_stays(deep: int, tone: int) -> None:
    found = find_outline(_picture(deep, tone), 1.0, _seen())
    assert found is not None
    assert found.corners[:, 1].max() == pytest.approx(HIGH, abs=1)
    assert found.seen.sum() == 1
