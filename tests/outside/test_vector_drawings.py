"""Curves and centrelines of open vector drawings, whose paths say where every edge runs.

notionists (Zoish, CC0) and lorelei (Lisa Wischofsky, CC0): inked figures of filled shapes.
tabler_outline (MIT), kanjivg (Ulrich Apel, CC BY-SA 3.0): strokes of known width. A few of
each; ``python -m tests.benchmarks.drawings`` measures them all.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.drawings import lined, outlined
from tests.curves import drawings
from tests.curves.meetings import matched
from tests.data import missing

pytestmark = [
    pytest.mark.slow,
    missing("vector"),
]


@pytest.mark.parametrize("group", drawings.FIGURES)
def test_figures_come_back(group: str) -> None:
    scores = [outlined(drawings.figure(file, 512)) for file in drawings.files(group)[1:4:2]]
    there = np.concatenate([s.there for s in scores])
    back = np.concatenate([s.back for s in scores])
    assert there.mean() <= 0.03
    assert np.percentile(there, 99) <= 0.25
    # Features thinner than a px are in the truth but not in the raster.
    assert np.median(back) <= 0.03
    assert sum(s.nodes[0] for s in scores) <= 1.5 * sum(s.nodes[1] for s in scores)
    # Steps of a px would turn by 180 degrees a px of edge, some twenty times what the truth does.
    turned = sum(s.turning[0] for s in scores) / sum(s.turning[1] for s in scores)
    assert turned == pytest.approx(1.0, abs=0.15)


@pytest.mark.parametrize("group", ["tabler_outline", "kanjivg"])
def test_strokes_come_back(group: str) -> None:
    scores = [lined(drawings.strokes(file)) for file in drawings.files(group)[1:10:3]]
    assert np.concatenate([s.there for s in scores]).mean() <= 0.15
    assert np.mean([abs(s.width) for s in scores]) <= 0.03
    kept = [matched(s.junctions, s.found, s.reach) for s in scores]
    assert np.mean(kept) >= 0.95
