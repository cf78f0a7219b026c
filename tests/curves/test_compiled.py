"""What is compiled gives what numpy gives: fits to the bit, crossings pair by pair."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import F32, F64, I64, offsets_of
from inkclean.curves import bezier
from inkclean.curves.outlines import edges, linking, profiles, settle, tips
from inkclean.curves.outlines.outline import InkOutline
from inkclean.curves.trace import trace
from tests import small_pages

pytest.importorskip("inkclean.curves._cubics", reason="not compiled here")
pytest.importorskip("inkclean.curves.outlines._meetings", reason="not compiled here")
pytest.importorskip("inkclean.curves.outlines._loops", reason="not compiled here")


def _spans(seed: int, steps: int) -> tuple[F64, F32, I64, I64, F32, F32]:
    """Wavy points, spans of up to so many steps among them, and tangents that suit most."""
    rng = np.random.default_rng(seed)
    ways = np.cumsum(rng.normal(0, 0.15, 3000))
    points = np.cumsum(np.stack((np.cos(ways), np.sin(ways)), axis=1), axis=0) + 500.0
    tolerance = rng.uniform(0.05, 0.3, len(points)).astype(np.float32)
    first = rng.integers(0, len(points) - steps - 1, 700)
    last = first + rng.integers(1, steps + 1, first.size)

    def tangents(at: I64) -> F32:
        way = ways[at] + rng.normal(0, 0.2, at.size)
        way[::50] += np.pi  # backward: no cubic has it
        return np.stack((np.cos(way), np.sin(way)), axis=1).astype(np.float32)

    return points, tolerance, first, last, tangents(first), tangents(last)


@pytest.mark.parametrize(("count", "steps"), [(8, 9), (16, 60), (32, 40), (1024, 60)])
@pytest.mark.parametrize(
    ("rounds", "hopeless", "freed"),
    [(3, 4.0, False), (3, 1e9, False), (2, np.inf, True), (1, np.inf, False)],
)
def test_fits_are_the_same_to_the_bit(
    count: int, steps: int, rounds: int, hopeless: float, freed: bool
) -> None:
    given = _spans(count + rounds, steps)
    asked = count, rounds, hopeless, freed, 0.9
    wanted, found = bezier.fit_by_numpy(*given, *asked), bezier.fit_compiled(*given, *asked)
    for name in ("inner", "worst", "at", "start", "end"):
        assert np.array_equal(getattr(found, name), getattr(wanted, name)), name
    assert np.isinf(found.worst).any() and (found.worst < 1).any()


def test_no_spans_give_no_fits() -> None:
    points, tolerance, first, last, start, end = _spans(1, 9)
    given = (first[:0], last[:0], start[:0], end[:0])
    found = bezier.fit_compiled(points, tolerance, *given, 8, 3, 4.0, False, 1.0)
    assert found.inner.shape == (0, 2) and found.worst.size == 0


def test_spans_beyond_the_points_are_refused() -> None:
    points, tolerance, first, last, start, end = _spans(1, 9)
    for bad in (np.full_like(last, len(points)), first, first - 1):
        with pytest.raises(ValueError, match="fit each other"):
            bezier.fit_compiled(points, tolerance, first, bad, start, end, 8, 3, 4.0, False, 1.0)


def _pairs(found: tuple[I64, I64]) -> set[tuple[int, int]]:
    both = np.sort(np.stack(found, axis=1), axis=1)
    return {(int(a), int(b)) for a, b in both}


def _tangle(seed: int) -> tuple[tips.EdgePieces, F64]:
    """Closed polylines one across another, some pieces of them long, and a reach about each."""
    rng = np.random.default_rng(seed)
    counts = rng.integers(3, 60, 40)
    loops = offsets_of(counts)
    middle = np.repeat(rng.uniform(-30, 60, (40, 2)), counts, axis=0)
    points = middle + rng.normal(0, 2.5, (int(loops[-1]), 2))
    points[rng.integers(0, len(points), 9)] += 40.0
    return tips.pieces_of(points, loops), rng.uniform(0, 0.3, len(points))


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("share", [0.02, 0.5, 1.0])
def test_crossings_are_the_same(seed: int, share: float) -> None:
    pieces, reach = _tangle(seed)
    rng = np.random.default_rng(seed)
    side = np.flatnonzero(rng.random(len(reach)) < share)
    among = np.flatnonzero(rng.random(len(reach)) < 0.5)
    wanted = _pairs(tips.all_by_numpy(pieces, side))
    found = tips.meeting_compiled(pieces, side)
    assert _pairs(found) == wanted == _pairs(tips.crossing_by_numpy(pieces, side))
    assert len(wanted) == found[0].size > 0  # each pair once
    near = tips.meeting_compiled(pieces, side, None, reach)
    assert _pairs(near) == _pairs(tips.all_by_numpy(pieces, side, reach)) > wanted
    some = tips.meeting_compiled(pieces, side, np.union1d(among, side))
    assert _pairs(some) == _pairs(tips.crossing_by_numpy(pieces, side, np.union1d(among, side)))


def _blots(seed: int, sharp: bool) -> F32:
    """Grey blots with many saddles among them, bare paper around."""
    rng = np.random.default_rng(seed)
    page = np.asarray(rng.random((150, 170)), np.float32)
    page = page if sharp else np.asarray(cv2.GaussianBlur(page, (0, 0), 1.5), np.float32)
    page = np.clip((page - page.mean()) / page.std() * 0.4 + 0.5, 0.0, 1.0)
    return np.pad(page, profiles.PAD).astype(np.float32)


@pytest.mark.parametrize("sharp", [False, True])
@pytest.mark.parametrize("seed", range(3))
def test_edges_are_the_same_to_the_bit(seed: int, sharp: bool) -> None:
    page = _blots(seed, sharp)
    flat, width = page.reshape(-1), page.shape[1]
    ink = flat > 0.5
    rows, columns = (np.flatnonzero(ink[step:] != ink[:-step]) for step in (1, width))
    for step, found in ((1, rows), (width, columns)):
        assert np.array_equal(edges._differ(ink[:-step], ink[step:]), found)
    successor = edges._successors(flat, width, rows, columns)
    assert np.array_equal(successor, edges.successors_by_numpy(flat, width, rows, columns))
    for found, wanted in zip(
        linking.link_loops(successor), linking.link_by_numpy(successor), strict=True
    ):
        assert found.size and np.array_equal(found, wanted)
    for way in ((rows, 1, width), (columns, width, 1)):
        pairs = zip(profiles._lie(flat, *way), profiles.lie_by_numpy(flat, *way), strict=True)
        assert all(np.array_equal(one, other) for one, other in pairs)
        place = profiles._level(flat, *way[:2])
        assert np.array_equal(place, profiles.level_by_numpy(flat, *way[:2]))


def test_more_crossings_than_most_pictures_have_are_found() -> None:
    one = np.zeros(100_000, np.bool_)
    assert np.array_equal(edges._differ(one, ~one), np.arange(one.size))


def test_what_are_no_loops_is_refused() -> None:
    for bad in ([1, 2, 1], [0, 3, 1], [-1, 0, 2]):
        with pytest.raises(ValueError, match="fit each other"):
            linking.link_loops(np.array(bad, np.int32))


def test_a_page_is_traced_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    grey = cv2.cvtColor(small_pages.pixels(3, dpi=300), cv2.COLOR_RGB2GRAY)
    coverage = np.asarray(np.clip(1.2 - grey / 170.0, 0, 1), np.float32)
    found = trace(coverage, 11.8)
    monkeypatch.setattr(bezier, "_cubics", None)
    monkeypatch.setattr(tips, "_meetings", None)
    for module in (edges, linking, profiles):
        monkeypatch.setattr(module, "_loops", None)
    wanted = trace(coverage, 11.8)
    assert len(wanted.cubics) > 100
    assert np.array_equal(found.cubics, wanted.cubics)
    assert np.array_equal(found.corner, wanted.corner)


@pytest.mark.parametrize("share", [0.0, 0.01, 0.3])
def test_corners_are_as_far_as_numpy_has_them(share: float) -> None:
    rng = np.random.default_rng(7)
    loops = offsets_of(rng.integers(1, 60, 300))
    count = int(loops[-1])
    corner = rng.random(count) < share
    nothing = np.zeros(count)
    outline = InkOutline(
        np.zeros((count, 2)),
        loops,
        corner,
        nothing.astype(np.float32),
        np.zeros(300, np.int32),
        np.zeros(300, bool),
    )
    found = settle._free(outline)
    assert np.array_equal(found, settle.free_by_numpy(outline))
    assert 0 <= found.min() < found.max() == settle._LONGEST
    with pytest.raises(ValueError, match="fit each other"):
        settle._compiled.free(corner[1:], loops, found, 4)


def test_points_along_cubics_are_those_of_numpy() -> None:
    rng = np.random.default_rng(11)
    cubics = rng.uniform(-900, 900, (400, 4, 2))
    steps = rng.integers(0, 14, 400)
    wanted, found = (np.full((steps.sum(), 2), 7.0) for _ in range(2))
    bezier.along_by_numpy(cubics, steps, wanted, 8)
    bezier.along_compiled(cubics, steps, found, 8)
    assert np.array_equal(found, wanted)
    kept = np.repeat(steps == 8, steps)
    assert (found[kept] == 7.0).all()
    assert not (found[~kept] == 7.0).any()
    for bad in (found[:-1].copy(), np.vstack((found, found[:1]))):
        with pytest.raises(ValueError, match="do not fit"):
            bezier.along_compiled(cubics, steps, bad, 8)
