"""Where centrelines meet: crossings at every angle, tails beyond a joint, arms that bend away."""

from __future__ import annotations

import numpy as np
import pytest

from inkclean.base.arrays import F64
from inkclean.curves.centrelines.strokes import centrelines
from inkclean.curves.values import Strokes
from tests.curves.meetings import junctions
from tests.curves.raster import flatten
from tests.curves.test_centrelines import PX_PER_MM, drawn

SIZE = 96


def _turned(line: list[tuple[float, float]], angle: float, middle: F64) -> F64:
    way = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return np.asarray(np.array(line, np.float64) @ way.T + middle)


def _strokes(lines: list[F64], width: float) -> Strokes:
    return centrelines(drawn(lines, [width] * len(lines), SIZE, SIZE), PX_PER_MM)


def _points(strokes: Strokes) -> F64:
    return flatten(strokes.cubics * PX_PER_MM, 32)


@pytest.mark.parametrize("seed", range(40))
def test_strokes_that_cross_meet_once_down_to_twenty_degrees(seed: int) -> None:
    rng = np.random.default_rng(seed)
    width, across = rng.uniform(3.0, 6.0), np.radians(rng.uniform(20.0, 90.0))
    angle, middle = rng.uniform(0.0, np.pi), SIZE / 2 + rng.uniform(-1.0, 1.0, 2)
    ends = [(-42.0, 0.0), (42.0, 0.0)]
    strokes = _strokes([_turned(ends, a, middle) for a in (angle, angle + across)], width)
    places = junctions(strokes) * PX_PER_MM
    assert len(strokes.closed) == 2
    assert len(places) == 1
    # A crossing's place is known less well along the two strokes than across them.
    assert np.hypot(*(places[0] - middle)) < 0.5 / np.sin(across / 2.0)


@pytest.mark.parametrize("seed", range(40))
def test_a_tail_below_a_joint_is_no_spur(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    width, long = rng.uniform(3.0, 6.0), rng.uniform(1.0, 2.0)
    angle, middle = rng.uniform(0.0, 2 * np.pi), SIZE / 2 + rng.uniform(-1.0, 1.0, 2)
    end = long * width
    lines = [[(0.0, -35.0), (0.0, end)], [(0.0, 0.0), (-35.0, rng.uniform(-12.0, 6.0))]]
    true = [_turned(line, angle, middle) for line in lines]
    strokes = _strokes(true, width)
    places = junctions(strokes) * PX_PER_MM
    assert len(places) == 1
    assert np.hypot(*(places[0] - middle)) < 0.5 * width
    assert np.hypot(*(_tips(strokes) - true[0][1]).T).min() < 1.0


@pytest.mark.parametrize("seed", range(20))
def test_a_bend_without_a_tail_has_no_joint(seed: int) -> None:
    rng = np.random.default_rng(200 + seed)
    turn, width = np.radians(rng.uniform(75.0, 170.0)), rng.uniform(3.0, 6.0)
    angle, middle = rng.uniform(0.0, 2 * np.pi), SIZE / 2 + rng.uniform(-1.0, 1.0, 2)
    bent = [(35.0, 0.0), (0.0, 0.0), (35.0 * np.cos(turn), 35.0 * np.sin(turn))]
    strokes = _strokes([_turned(bent, angle, middle)], width)
    assert len(strokes.closed) == 1
    assert len(junctions(strokes)) == 0


@pytest.mark.parametrize("seed", range(20))
def test_arms_that_bend_away_from_each_other_part_within_their_ink(seed: int) -> None:
    rng = np.random.default_rng(300 + seed)
    width, radius = rng.uniform(3.0, 5.0), rng.uniform(12.0, 24.0)
    angle, middle = rng.uniform(0.0, 2 * np.pi), SIZE / 2 + rng.uniform(-1.0, 1.0, 2)
    bow = np.linspace(0.0, np.pi / 2, 40)
    arms = [
        [(0.0, -30.0), *zip(s * radius * (1 - np.cos(bow)), radius * np.sin(bow), strict=True)]
        for s in (-1.0, 1.0)
    ]
    true = [_turned(arm, angle, middle) for arm in arms]
    found = _points(_strokes(true, width))
    gap = np.min(
        [np.hypot(*(found[:, None] - _dense(line)).transpose(2, 0, 1)).min(1) for line in true], 0
    )
    # Between the two arms their ink is one: its middle lies half-way, at most half a width off.
    assert gap.max() < 0.5 * width + 0.25


def _dense(line: F64) -> F64:
    length = np.concatenate(([0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))))
    at = np.linspace(0, length[-1], 4 * int(length[-1]) + 1)
    return np.stack((np.interp(at, length, line[:, 0]), np.interp(at, length, line[:, 1])), 1)


def _tips(strokes: Strokes) -> F64:
    first, last = strokes.strokes[:-1], strokes.strokes[1:] - 1
    return np.vstack((strokes.cubics[first, 0], strokes.cubics[last, 3])) * PX_PER_MM
