"""Framing the demo page as its camera sees it: the hardest desk, a curled sheet, a scan."""

from __future__ import annotations

import numpy as np
import pytest

from inkclean.sheet.framing.frame import find_frame, to_photo
from tests.scoring.cases import case, photo, shoot
from tests.scoring.score import score_frame


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "framed", "worst_mm"),
    [
        ("orange_white_desk", "found", 0.1),
        ("corner_out", "found", 0.05),
        # A Coons patch follows the rim exactly; inside, the curl's foreshortening remains.
        ("curl", "found", 1.3),
        ("scan_grey", "whole", 0.1),
        # Its panels are outlined on paper of their own tone: they are no page.
        ("scan_colour", "whole", 0.1),
    ],
)
def test_demo_page_is_framed(name: str, framed: str, worst_mm: float) -> None:
    page, shot = shoot(case(name))
    frame = find_frame(photo(shot))
    assert frame.framed == framed
    assert frame.paper == page.paper.name
    assert score_frame(shot, frame) > 0.999
    steps = np.linspace(0.0, 1.0, 15)
    grid = np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    there = to_photo(frame, grid * (frame.width_mm, frame.height_mm))
    away = shot.to_page(there) - grid * (page.paper.width_mm, page.paper.height_mm)
    assert np.hypot(*away.T).max() < worst_mm
