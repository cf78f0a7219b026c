"""Panels filled with black and leaning are panels too."""

from __future__ import annotations

import cv2
import numpy as np

from inkclean.flats.panels import find_panels

SCALE = 8.0
# corners in mm, clockwise: two panels parted by a leaning gutter, one below
BOXES = (
    ((10, 10), (70, 10), (67, 60), (10, 60)),
    ((74, 10), (120, 10), (120, 60), (71, 60)),
    ((10, 64), (120, 64), (120, 110), (10, 110)),
)


def _page(*, filled: bool, breaks: bool = False) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
    page = np.zeros((960, 1040), np.uint8)
    for number, box in enumerate(BOXES):
        corners = np.array(box, np.float64) * SCALE
        cv2.polylines(page, [corners.astype(np.int32)], True, 1, 5)
        if filled and number != 1:
            cv2.fillPoly(page, [corners.astype(np.int32)], 1)
            cv2.circle(page, corners.mean(0).astype(int).tolist(), 120, 0, -1)
    if breaks:
        page[70:90, 200:240] = 0
    return page.astype(np.bool_)


def _numbers(panel: np.ndarray[tuple[int, int], np.dtype[np.uint8]]) -> list[int]:
    """The panels at the middle of each box, in the gutters and beside all."""
    middles = [np.array(box).mean(0) for box in BOXES]
    places = [*middles, (70.5, 35.0), (60.0, 62.0), (4.0, 4.0)]
    return [int(panel[int(y * SCALE), int(x * SCALE)]) for x, y in places]


def test_black_and_leaning_panels_are_found() -> None:
    for filled in (False, True):
        numbers = _numbers(find_panels(_page(filled=filled), SCALE))
        assert len({*numbers[:3], 0}) == 4
        assert numbers[3:] == [0, 0, 0]


def test_a_round_drawing_and_a_lone_black_are_no_panels() -> None:
    page = np.zeros((960, 1040), np.uint8)
    cv2.circle(page, (300, 400), 200, 1, 5)
    cv2.circle(page, (760, 400), 200, 1, -1)
    assert not find_panels(page.astype(np.bool_), SCALE).any()


def test_a_broken_border_still_holds() -> None:
    numbers = _numbers(find_panels(_page(filled=False, breaks=True), SCALE))
    assert len({numbers[0], numbers[2], 0}) == 3
