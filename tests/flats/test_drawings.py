"""Areas of open drawings by other hands, beside plain connected components.

The drawings lie outside the project; see their README for origin and licence.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from inkclean.flats.find import find_flats
from inkclean.flats.values import BACKGROUND
from inkclean.ink.values import Ink, Pencil
from tests.data import folder, missing
from tests.flats.scores import Score, score, total

DATA = folder("flats")
PX_PER_MM = {"gap": 16.0, "heads": 10.0}  # lines of 1.25 and 0.5 mm


def scores(kind: str) -> tuple[Score, Score]:
    """Return ours and that of plain components, over the first drawings of a kind."""
    found, plain = [], []
    for path in sorted((DATA / kind).glob("*_line.png"))[:7]:
        line = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        regions = cv2.imread(str(path).replace("_line", "_regions"), cv2.IMREAD_UNCHANGED)
        assert line is not None
        assert regions is not None
        coverage = np.asarray(1 - line / 255, np.float32)
        truth = np.asarray(regions, np.int32) + (kind == "gap")  # 0 is unpainted paper there
        paper = coverage < 0.5
        scale = PX_PER_MM[kind]
        flats = find_flats(Ink(coverage, scale, Pencil(False, (), 0.0, None, "none")))
        found.append(score(flats.labels.astype(np.int32), truth, paper, scale))
        _, label = cv2.connectedComponents(paper.astype(np.uint8), connectivity=4)
        plain.append(score(np.asarray(label, np.int32), truth, paper, scale))
    return total(found), total(plain)


@missing("flats")
def test_gap_drawings_hold_better_than_plain_components() -> None:
    found, plain = scores("gap")
    assert found.iou > plain.iou + 0.15
    assert found.share_right > plain.share_right + 0.15
    assert found.leaks < plain.leaks


@pytest.mark.slow
@missing("flats")
def test_closed_heads_leak_no_more_than_plain_components() -> None:
    found, plain = scores("heads")
    assert found.leaks <= plain.leaks
    assert found.iou > 0.75


@pytest.mark.slow
@missing("flats")
def test_figure_against_background_of_closed_heads() -> None:
    shares = []
    for path in sorted((DATA / "heads").glob("*_line.png"))[:7]:
        line = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        regions = cv2.imread(str(path).replace("_line", "_regions"), cv2.IMREAD_UNCHANGED)
        assert line is not None
        assert regions is not None
        coverage = np.asarray(1 - line / 255, np.float32)
        flats = find_flats(Ink(coverage, 10.0, Pencil(False, (), 0.0, None, "none")))
        background = flats.areas["label"][flats.areas["kind"] == BACKGROUND]
        figure = ~np.isin(flats.labels, background) & (coverage < 0.5)
        truth = (regions > 0) & (coverage < 0.5)
        shares.append((figure & truth).sum() / (figure | truth).sum())
    assert np.mean(shares) > 0.95
