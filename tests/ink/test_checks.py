"""What to check in the ink: groups, a dozen at most, the likeliest mistakes first."""

from __future__ import annotations

import numpy as np
import pytest

from inkclean.base.arrays import F32
from inkclean.ink.checks import MOST, SIDE_MM, ink_checks, together
from inkclean.ink.values import Doubt


def _specks(*places: tuple[float, float], size: float = 0.15) -> F32:
    return np.array([(x, y, size) for x, y in places], np.float32).reshape(-1, 3)


def _cluster(x: float, y: float, count: int, reach: float = 1.5) -> F32:
    t = np.arange(count) * 2.4
    r = reach * np.sqrt(np.arange(count) / max(count - 1, 1))
    return _specks(*zip((x + r * np.cos(t)).tolist(), (y + r * np.sin(t)).tolist(), strict=True))


def test_lone_dust_is_not_asked_about_and_a_group_is_one_place() -> None:
    removed = np.concatenate([_specks((10, 10), (60, 200), (150, 40)), _cluster(90, 90, 30)])
    (check,) = ink_checks(removed, ())
    assert sorted(check.specks.tolist()) == list(range(3, 33))
    assert (check.x_mm, check.y_mm) == pytest.approx((90, 90), abs=0.5)
    assert 3.0 <= check.size_mm <= 4.0
    assert "30 specks" in check.why


def test_the_likeliest_mistakes_come_first_and_a_dozen_at_most() -> None:
    counts = list(range(3, 23))
    parts = [_cluster(10 + 9 * k, 50, count, 1.0) for k, count in enumerate(counts)]
    checks = ink_checks(np.concatenate(parts), ())
    assert len(checks) == MOST == 12
    assert [len(check.specks) for check in checks] == sorted(counts, reverse=True)[:12]
    chances = [check.chance for check in checks]
    assert chances == sorted(chances, reverse=True)
    assert 0 < together(0.1, 3) < together(0.1, 30) < 1


def test_a_doubt_takes_the_specks_in_it_and_no_speck_is_in_two_places() -> None:
    removed = np.concatenate([_cluster(30, 30, 20), _cluster(31, 30, 5, 0.5)])
    doubts = (
        Doubt(30, 30, 2.0, "a dark dot removed as dust", True, 0.9),
        Doubt(30.5, 30, 3.0, "a dark dot removed as dust", True, 0.6),
        Doubt(80, 80, 1.0, "a faint mark kept as ink", False, 0.7, ((80.0, 80.0, 0.4),)),
        Doubt(120, 20, 1.0, "a dark dot removed as dust", True, 0.8),  # brought back since
    )
    checks = ink_checks(removed, doubts)
    assert [check.chance for check in checks[:2]] == [0.9, 0.7]
    assert checks[1].kept == ((80.0, 80.0, 0.4),)
    assert len(checks[1].specks) == 0
    taken = np.concatenate([check.specks for check in checks])
    assert len(taken) == len(set(taken.tolist()))
    assert all(len(check.specks) or check.kept for check in checks)


def test_a_page_full_of_dust_is_cut_into_places_that_fit_the_eye() -> None:
    rng = np.random.default_rng(3)
    removed = np.column_stack([rng.uniform(0, 200, (5000, 2)), np.full(5000, 0.1)])
    checks = ink_checks(removed.astype(np.float32), ())
    assert len(checks) == MOST
    assert max(check.size_mm for check in checks) <= SIDE_MM * np.sqrt(2) + 0.2
