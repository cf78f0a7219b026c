"""Places where photos of one page disagree, told on the sheet."""

from __future__ import annotations

import numpy as np
import pytest

from inkclean.ink.checks import differing_doubts, ink_checks
from inkclean.sheet.values import Differing, Frame, Photo


def test_they_are_told_in_mm_and_those_beside_the_sheet_are_not() -> None:
    corners = np.array([[100.0, 200.0], [1100.0, 200.0], [1100.0, 1700.0], [100.0, 1700.0]])
    frame = Frame(corners, None, 200.0, 300.0, None, "found", 1.0)
    places = (
        Differing(600.0, 950.0, 50.0, "in the middle", 0.7),
        Differing(50.0, 950.0, 50.0, "on the table"),
    )
    photo = Photo(np.zeros((1800, 1200, 3), np.uint8), None, "page", places)
    (doubt,) = differing_doubts(photo, frame)
    assert (doubt.x_mm, doubt.y_mm) == pytest.approx((100.0, 150.0))
    assert doubt.size_mm == pytest.approx(10.0)
    (check,) = ink_checks(np.zeros((0, 3), np.float32), (doubt,))
    # an answer of no must not lay white over all of it
    assert check.kept == ()
    assert not len(check.specks)
    assert check.chance == 0.7
