from __future__ import annotations

import re
from itertools import pairwise

import numpy as np
import pytest
import svgpathtools

from inkclean.base.arrays import F32, F64
from inkclean.curves.centrelines.skeleton import chain_edges
from inkclean.curves.centrelines.strokes import centrelines
from inkclean.curves.values import Strokes
from tests.curves.meetings import junctions
from tests.curves.raster import flatten
from tests.data import folder, missing

PX_PER_MM = 10.0
ICONS = folder("vector/tabler_outline")


def drawn(lines: list[F64], widths: list[float], height: int, width: int) -> F32:
    """Area of round-ended strokes, sixty-four samples a pixel."""
    fine = 8
    ink = np.zeros((height * fine, width * fine), np.bool_)
    for line, thick in zip(lines, widths, strict=True):
        low = np.clip(np.floor((line.min(0) - thick) * fine).astype(int), 0, None)
        high = np.ceil((line.max(0) + thick) * fine).astype(int)
        part = ink[low[1] : high[1], low[0] : high[0]]
        y, x = np.mgrid[low[1] : low[1] + part.shape[0], low[0] : low[0] + part.shape[1]]
        x, y = (x + 0.5) / fine, (y + 0.5) / fine
        for a, b in pairwise(line):
            d = b - a
            t = np.clip(((x - a[0]) * d[0] + (y - a[1]) * d[1]) / max(d @ d, 1e-12), 0, 1)
            part |= np.hypot(x - a[0] - t * d[0], y - a[1] - t * d[1]) <= thick / 2
    return np.asarray(ink.reshape(height, fine, width, fine).mean((1, 3)), np.float32)


def _to_lines(points: F64, lines: list[F64]) -> F64:
    best = np.full(len(points), np.inf)
    for line in lines:
        a, d = line[:-1], np.diff(line, axis=0)
        off = points[:, None] - a
        t = np.clip((off * d).sum(2) / np.maximum((d**2).sum(1), 1e-12), 0, 1)
        best = np.minimum(best, np.sqrt(((off - t[..., None] * d) ** 2).sum(2)).min(1))
    return best


def _polylines(strokes: Strokes) -> list[F64]:
    cubics = strokes.cubics * PX_PER_MM
    pairs = zip(strokes.strokes[:-1], strokes.strokes[1:], strict=True)
    return [np.vstack((flatten(cubics[a:b], 12), cubics[b - 1, 3])) for a, b in pairs]


turn = np.linspace(0.0, 2 * np.pi, 200)
CASES = {
    "a line 1.5 px wide": ([np.array([[10, 12], [70, 50.3]])], 1.5, 0, 1),
    "a cross": ([np.array([[10, 12], [70, 60]]), np.array([[14, 66], [66, 10]])], 4.0, 1, 2),
    "a tee": (
        [np.array([[10, 40.3], [70, 40.3]]), np.array([[40.6, 40.3], [40.6, 70]])], 3.0, 1, 2),
    "three ways": (
        [np.array([[40, 40], [40, 10]]), np.array([[40, 40], [14, 66]]),
         np.array([[40, 40], [66, 66]])], 3.0, 1, 3),
    "a ring": ([np.stack((40 + 22 * np.cos(turn), 40 + 22 * np.sin(turn)), 1)], 3.3, 0, 1),
    "a half ring": (
        [np.stack((40 + 28 * np.cos(turn[:100]), 40 + 28 * np.sin(turn[:100])), 1)], 5.0, 0, 1),
    "a ladder": (
        [np.array([[20, 10], [20, 70]]), np.array([[50, 10], [50, 70]]),
         np.array([[20, 30], [50, 30]]), np.array([[20, 50], [50, 50]])], 3.0, 4, 4),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_strokes_come_back_with_their_middles_widths_and_junctions(name: str) -> None:
    lines, width, meetings, count = CASES[name]
    strokes = centrelines(drawn(lines, [width] * len(lines), 80, 80), PX_PER_MM)
    assert len(strokes.closed) == count
    assert strokes.closed.any() == (name == "a ring")
    assert len(junctions(strokes)) == meetings
    found = _polylines(strokes)
    off = _to_lines(np.vstack(found), lines)
    back = _to_lines(np.vstack([_dense(line) for line in lines]), found)
    assert off.mean() <= 0.15 and back.mean() <= 0.15
    assert off.max() <= 0.6 and back.max() <= 1.0
    measured = strokes.widths_mm * PX_PER_MM
    assert np.median(measured) == pytest.approx(width, rel=0.03)
    assert strokes.blacks.loops.size == 1


@pytest.mark.parametrize("width", [1.5, 2.0, 3.0])
@pytest.mark.parametrize("angle", np.arange(6) * np.pi / 6.0 + 0.05)
def test_thin_lines_reach_their_ends(width: float, angle: float) -> None:
    """Where no pixel is wholly ink, the line is as long all the same."""
    way = 25.0 * np.array([np.cos(angle), np.sin(angle)])
    line = np.array([40.2, 40.7]) + np.outer([-1.0, 1.0], way)
    strokes = centrelines(drawn([line], [width], 80, 80), PX_PER_MM)
    assert _to_lines(line, _polylines(strokes)).max() <= 0.6


def _dense(line: F64) -> F64:
    length = np.concatenate(([0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))))
    at = np.linspace(0, length[-1], int(length[-1]) + 1)
    return np.stack((np.interp(at, length, line[:, 0]), np.interp(at, length, line[:, 1])), 1)


def test_a_swelling_stroke_keeps_its_profile() -> None:
    along = np.linspace(10, 190, 400)
    middle = np.stack((along, np.full(400, 20.4)), 1)
    width = 2.0 + 4.0 * np.sin((along - 10) / 180 * np.pi)
    coverage = drawn([middle[k : k + 2] for k in range(399)], list(width[:-1]), 40, 200)
    strokes = centrelines(coverage, PX_PER_MM)
    nodes = np.vstack((strokes.cubics[:, 0], strokes.cubics[:, 3])) * PX_PER_MM
    measured = np.concatenate(strokes.widths_mm.T) * PX_PER_MM
    inner = (nodes[:, 0] > 15) & (nodes[:, 0] < 185)
    true = 2.0 + 4.0 * np.sin((nodes[:, 0] - 10) / 180 * np.pi)
    np.testing.assert_allclose(measured[inner], true[inner], rtol=0.03)


def test_spot_blacks_and_dots_stay_filled_shapes() -> None:
    lines = [np.array([[10, 10], [190, 10]]), np.array([[10, 30], [190, 32]])]
    black = [np.array([[100, 110.0], [100.1, 110.0]])]
    dots = [np.array([[x, 60], [x + 0.1, 60]]) for x in (20.0, 40.0, 60.0)]
    coverage = drawn([*lines, *black, *dots], [3.0, 3.0, 80.0, 4.0, 5.0, 6.0], 160, 200)
    strokes = centrelines(coverage, PX_PER_MM)
    assert len(strokes.closed) == 2
    assert len(strokes.blacks.hole) == 4


def test_a_page_of_many_lines() -> None:
    coverage = np.zeros((900, 900), np.float32)
    for row in range(10, 890, 16):
        coverage[row : row + 3, 20:880] = 1.0
    strokes = centrelines(coverage, PX_PER_MM)
    assert len(strokes.closed) == 55
    assert np.abs(strokes.widths_mm * PX_PER_MM - 3.0).max() < 0.1


def test_nothing_to_draw() -> None:
    strokes = centrelines(np.zeros((20, 30), np.float32), PX_PER_MM)
    assert strokes.strokes.tolist() == [0] and strokes.blacks.loops.tolist() == [0]


def test_walk_orders_chains_and_rings() -> None:
    # 0-1-2 and 2-3, 2-4 meet in 2; 5-6-7-5 is a ring.
    first = np.array([1, 0, 2, 4, 5, 6, 7])
    second = np.array([2, 1, 3, 2, 6, 7, 5])
    half, ends, ring = chain_edges(first, second, 8)
    lengths = sorted(zip(np.diff(ends).tolist(), ring.tolist(), strict=True))
    assert lengths == [(1, False), (1, False), (2, False), (3, True)]
    assert len(set((half // 2).tolist())) == 7


@pytest.mark.slow
@missing("vector/tabler_outline")
def test_stroke_icons_come_back() -> None:
    """Icons of strokes 2 units wide: middles, widths and ink against the true ones."""
    off, widths = [], []
    for file in sorted(ICONS.glob("*.svg"))[::3]:
        text = file.read_text("utf-8")
        lines = []
        for data in re.findall(r'<path d="([^"]+)"', text):
            for part in svgpathtools.parse_path(data).continuous_subpaths():
                if part.length() > 3:
                    points = np.array([part.point(t) for t in np.linspace(0, 1, 40)])
                    lines.append(np.stack((points.real, points.imag), 1) * 8 + 4)
        strokes = centrelines(drawn(lines, [16.0 / 3] * len(lines), 200, 200), PX_PER_MM)
        if strokes.cubics.size:
            off.append(_to_lines(np.vstack(_polylines(strokes)), lines))
            widths.append(np.median(strokes.widths_mm) * PX_PER_MM / (16.0 / 3) - 1)
    assert np.concatenate(off).mean() <= 0.15
    assert np.abs(widths).mean() <= 0.03
