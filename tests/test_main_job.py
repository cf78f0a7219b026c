"""The main job on fourteen simulated photos, against the truth that the camera knows.

Pages and photos are the demo's own (invented data); the measures are those of the
binarisation contests and of SmartDoc 2015 (see ``tests.scoring.measures``). Two aims are
beyond what stands: DRD of 0.5 (a cut at half with true light and frame scores about 0.7 on
these photos) and 0.02 % of the paper under pencil alone; what is asserted of them is what
has been reached, so that it cannot get worse unseen.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from inkclean.page import Page
from inkclean.settings import Settings
from tests.alone import alone
from tests.scoring.cases import case, photo, shoot
from tests.scoring.score import score_cleaned

pytestmark = pytest.mark.slow(20)

NAMES = (
    *("plain", "red_lamp", "green_hard", "violet_cream", "orange_white_desk"),
    *("no_pencil_shadow", "blue_hard_shadow", "blue_ink", "grid", "curl", "soft_focus"),
    *("a3_blue", "a3_red_clutter", "letter_through"),
)


def _scores(name: str, folder: Path) -> dict[str, float]:
    """Return the scores of a photo, cleaned once a run, whichever process asks first."""
    path = folder / f"main-job-{name}.json"
    with alone(path):
        if not path.exists():
            which = case(name)
            page, shot = shoot(which)
            cleaned = Page(photo(shot, name), Settings(paper=which.asked))
            scores = score_cleaned(page, shot, cleaned)
            scores["thinnest_mm"] = cleaned.capture.thinnest_mm
            path.write_text(json.dumps({key: float(value) for key, value in scores.items()}))
        found: dict[str, float] = json.loads(path.read_text())
    return found


@pytest.mark.parametrize("name", NAMES)
def test_page(name: str, of_the_run: Path) -> None:
    scores = _scores(name, of_the_run)
    assert scores["f"] >= 98.3
    assert scores["jaccard"] >= 0.97
    assert scores["paper_right"] == 1.0
    assert scores["ink_lost"] <= 0.3
    assert scores["dots"] >= 99.0
    assert scores["blacks_holed"] == 0.0
    assert scores["paper_spread"] < 3.0
    if name != "soft_focus":  # where lines of 0.2 mm are narrower than the blur is wide
        assert scores["lines"] >= 98.0
    assert scores["pencil_left"] <= 0.4


def test_means(of_the_run: Path) -> None:
    scores = [_scores(name, of_the_run) for name in NAMES]
    mean = {key: np.mean([each[key] for each in scores]) for key in scores[0]}
    assert mean["f"] >= 99.0
    assert mean["drd"] <= 1.0
    assert mean["jaccard"] >= 0.99
    assert mean["dust_gone"] >= 99.0
    assert mean["dots"] >= 99.0
    assert mean["paper_spread"] < 2.0
    assert mean["pencil_left"] <= 0.1
