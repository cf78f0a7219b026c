"""Where labels meet, counted pixel by pixel here, and the same compiled as by numpy."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from inkclean.base.arrays import I32, places
from inkclean.flats.tiled import sides

SHAPES = [(1, 1), (1, 40), (40, 1), (67, 101), (5, 32), (5, 33)]
needs_compiled = pytest.mark.skipif(sides._compiled is None, reason="nothing was compiled here")


def _map(shape: tuple[int, int], most: int = 9) -> I32:
    rng = np.random.default_rng(shape[1])
    cells = rng.integers(0, most + 1, (shape[0] // 7 + 1, shape[1] // 9 + 1)).astype(np.int32)
    return np.repeat(np.repeat(cells, 7, axis=0), 9, axis=1)[: shape[0], : shape[1]]


def _pairs(label: I32) -> Counter[tuple[int, int]]:
    found: Counter[tuple[int, int]] = Counter()
    rows = label.tolist()
    for y, row in enumerate(rows):
        for x, own in enumerate(row):
            beside = ([row[x + 1]] if x + 1 < len(row) else []) + (
                [rows[y + 1][x]] if y + 1 < len(rows) else []
            )
            found.update((min(own, other), max(own, other)) for other in beside if other != own)
    return found


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("compiled", [False, True])
def test_edges_that_labels_share_are_counted(
    shape: tuple[int, int], compiled: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not compiled:
        monkeypatch.setattr(sides, "_compiled", None)
    label = _map(shape)
    a, b, count = (part.tolist() for part in sides.shared(label, 9))
    wanted = _pairs(label)
    assert dict(zip(zip(a, b, strict=True), count, strict=True)) == wanted
    assert list(zip(a, b, strict=True)) == sorted(wanted)
    one, other, low, high = sides.touching(label)
    assert len(one) == wanted.total()
    assert (np.minimum(label.ravel()[one], label.ravel()[other]) == low).all()
    assert (np.maximum(label.ravel()[one], label.ravel()[other]) == high).all()


@needs_compiled
@pytest.mark.parametrize("shape", SHAPES)
def test_compiled_is_the_same_as_numpy(shape: tuple[int, int]) -> None:
    label = _map(shape, 40)
    for one, other in zip(sides.touching(label), sides.touching_by_numpy(label), strict=True):
        assert one.dtype == other.dtype
        assert one.tolist() == other.tolist()
    of = np.random.default_rng(1).integers(0, 12, 41)
    of[0] = 0
    for most in (3, 99):
        number, shown = sides.ordered(label, of, 13, most)
        wanted, like = sides.ordered_by_numpy(label, of, 13, most)
        assert (number.dtype, shown.dtype) == (wanted.dtype, like.dtype)
        assert (number.tolist(), shown.tolist()) == (wanted.tolist(), like.tolist())


def test_many_labels_share_edges_as_few_do(monkeypatch: pytest.MonkeyPatch) -> None:
    label = _map((67, 101))
    few = [part.tolist() for part in sides.shared(label, 9)]
    monkeypatch.setattr(sides, "FEW", 3)
    assert [part.tolist() for part in sides.shared(label, 9)] == few


@needs_compiled
def test_what_does_not_fit_is_refused() -> None:
    label = _map((67, 101))
    with pytest.raises(ValueError, match="fit each other"):
        sides.shared(label, 3)
    with pytest.raises(ValueError, match="fit each other"):
        sides.ordered(label - 1, np.zeros(10, np.int64), 5, 9)
    with pytest.raises(ValueError, match="fit each other"):
        sides.ordered(label, np.full(10, 7), 5, 9)
    short = np.zeros(3, np.int64)
    with pytest.raises(ValueError, match="fit each other"):
        sides._compiled.touch(np.ascontiguousarray(label), 101, short, short, short, short)


def test_places_are_those_of_numpy() -> None:
    mask = np.random.default_rng(0).random((33, 47)) < 0.2
    for one, other in zip(places(mask), np.nonzero(mask), strict=True):
        assert one.tolist() == other.tolist()
    assert places(np.zeros((3, 0), bool))[0].size == 0
