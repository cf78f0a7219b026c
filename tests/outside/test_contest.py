"""The contests' pictures: DIBCO 2009, H-DIBCO 2010, DIBCO 2011 (Gatos, Pratikakis et al.).

Published for the whole of DIBCO 2011, Otsu: F 82.1 (restated by Howe, IJDAR 2013); winners'
F 91.24, 91.50 and 80.86 in the three years (restated by Xiong et al., KSII TIIS 15(5), 2021).
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.contest import otsu, ours, pairs
from tests.data import missing
from tests.scoring.measures import drd, overlap

pytestmark = missing("contest")


def test_pairs_and_measure_agree_with_the_published_otsu() -> None:
    scores = [overlap(otsu(p), truth).f_measure for name, p, truth in pairs() if "2011" in name]
    assert len(scores) == 16
    assert np.mean(scores) == pytest.approx(82.1, abs=0.3)


def test_the_cut_beats_the_floor_on_every_picture() -> None:
    found = [(overlap(r, t).f_measure, drd(r, t)) for r, t in ((ours(p), t) for _, p, t in pairs())]
    scores = np.array(found)
    assert len(scores) == 36
    assert scores[:, 0].mean() >= 90.8
    assert scores[:, 0].min() >= 78.0
    assert scores[:, 1].mean() <= 3.6
