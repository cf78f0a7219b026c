"""What holds whatever was fitted: closed areas, gaps, turned and scaled pages, paper around."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import F32, F64, I32, U8
from inkclean.flats.find import find_flats
from inkclean.flats.lettering.find import find_lettering
from inkclean.flats.lettering.values import Lettering
from inkclean.flats.prepared import prepare
from inkclean.flats.values import Flats
from inkclean.ink.values import Ink, Pencil
from tests.alike import some_like
from tests.flats.pages import EASY, LOOSE, SINGLE, Troubles, make_page
from tests.flats.scores import score, total
from tests.flats.shapes import bowed, closed_shape, resample

PX_PER_MM = 8.0
CELL_MM = 30.0
ACROSS, DOWN = 4, 5  # drawings on a page
PAGES = 12
LEAST_MM2, LEAST_INNER_MM = 4.0, 1.0
MOST_CHANGED = {"turned": 0.0, "scaled": 0.08}  # share of areas; 0.01 is wanted
UNREAD = 0.06  # and of a page laid sideways, whose lettering is not read


def ink_of(coverage: F32, px_per_mm: float = PX_PER_MM) -> Ink:
    return Ink(coverage, px_per_mm, Pencil(False, (), 0.0, None, "none"))


def areas_of(coverage: F32, px_per_mm: float = PX_PER_MM) -> Flats:
    return find_flats(ink_of(coverage, px_per_mm))


def _line(page: U8, points: F64, width_mm: float) -> None:
    at = np.round(points * PX_PER_MM * 16).astype(np.int32)
    thick = max(2, round(width_mm * PX_PER_MM))
    cv2.polylines(page, [at], False, 255, thick, cv2.LINE_AA, 4)


def _closed_page(seed: int) -> tuple[F32, I32]:
    """Draw closed figures, most in two or three parts, with loose marks inside.

    Returns the coverage and the patches of paper before the marks.
    """
    rng = np.random.default_rng(seed)
    size = round(DOWN * CELL_MM * PX_PER_MM), round(ACROSS * CELL_MM * PX_PER_MM)
    page, outlines = np.zeros(size, np.uint8), []
    for k in range(ACROSS * DOWN):
        middle = (np.array([k % ACROSS, k // ACROSS]) + 0.5) * CELL_MM
        sides, smooth = closed_shape(rng, middle, float(rng.uniform(5, 11)))
        outline = np.vstack(sides)
        outline = np.vstack([resample(outline, 0.2, True), outline[:1]])
        width = float(rng.uniform(0.25, 0.7))
        _line(page, outline, width)
        n = len(outline)
        for _ in range(int(rng.integers(0, 3))):  # parted from edge to edge
            i, j = rng.integers(0, n // 3), rng.integers(n // 2, n - 1)
            _line(page, bowed(outline[i], outline[j], float(rng.uniform(-0.1, 0.1))), width)
        outlines.append((outline, smooth))
    _, truth = cv2.connectedComponents((page < 128).astype(np.uint8), connectivity=4)
    _loose_marks(page, rng)
    return np.asarray(page, np.float32) / np.float32(255), np.asarray(truth, np.int32)


def _loose_marks(page: U8, rng: np.random.Generator) -> None:
    """Draw short strokes and dots that keep well clear of all lines and close nothing."""
    clear = None
    for _ in range(120):
        if clear is None:
            clear = cv2.distanceTransform((page < 128).astype(np.uint8), cv2.DIST_L2, 5)
        start = rng.uniform(0, 1, 2) * page.shape[::-1]
        turn, long = rng.uniform(0, 2 * np.pi), float(rng.uniform(0.2, 4)) * PX_PER_MM
        stop = start + np.array([np.cos(turn), np.sin(turn)]) * long
        line = bowed(start, stop, float(rng.uniform(-0.2, 0.2)))
        x, y = np.clip(line.astype(int), 0, np.array(page.shape[::-1]) - 1).T
        if clear[y, x].min() > 1.3 * PX_PER_MM:
            _line(page, line / PX_PER_MM, float(rng.uniform(0.2, 0.5)))
            clear = None  # it lies otherwise now


@pytest.mark.slow(26)
def test_areas_drawn_all_round_are_kept_apart_and_whole() -> None:
    lost = joined = split = areas = 0
    for seed in range(PAGES):
        coverage, truth = _closed_page(seed)
        found = areas_of(coverage).labels.astype(np.int64)
        paper = (coverage < 0.5) & (truth > 0)
        deep = cv2.distanceTransform((truth > 0).astype(np.uint8), cv2.DIST_L2, 5)
        most = int(truth.max()) + 1
        inner = np.zeros(most)
        np.maximum.at(inner, truth.ravel(), deep.ravel())
        size = np.bincount(truth.ravel(), minlength=most) / PX_PER_MM**2
        counts = (size >= LEAST_MM2) & (inner >= LEAST_INNER_MM * PX_PER_MM)
        counts[0] = False
        key, times = np.unique(truth[paper] * np.int64(1 << 20) + found[paper], return_counts=True)
        of, label, share = key >> 20, key & 0xFFFFF, times / np.bincount(truth[paper])[key >> 20]
        areas += int(counts.sum())
        for area in np.flatnonzero(counts).tolist():
            mine = of == area
            best = label[mine][np.argmax(share[mine])]
            lost += int(share[mine].max() < 0.9)
            joined += int((counts[of] & (label == best) & ~mine & (share > 0.1)).any())
            split += int((share[mine] > 0.03).sum() > 1)
    assert areas > 20 * PAGES
    assert (lost, joined, split) == (0, 0, 0)


def test_a_fold_that_stops_well_short_parts_no_closed_outline() -> None:
    side = round(60 * PX_PER_MM)
    page = np.zeros((side, side), np.uint8)
    turn = np.linspace(0, 2 * np.pi, 65)[:, None]
    _line(page, 30 + 18 * np.hstack([np.cos(turn), np.sin(turn)]), 0.5)
    _line(page, np.array([[22.0, 12.5], [22.0, 41.5]]), 0.4)  # 6 mm short of the other side
    labels = areas_of(np.asarray(page, np.float32) / np.float32(255)).labels
    left, right = (labels[int(30 * PX_PER_MM), int(x * PX_PER_MM)] for x in (16, 36))
    assert left == right != labels[0, 0]


@pytest.mark.slow(8)
def test_a_few_gaps_on_a_large_page_part_no_closed_outline_far_from_them() -> None:
    page = np.zeros((round(220 * PX_PER_MM), round(160 * PX_PER_MM)), np.uint8)
    turn = np.linspace(0, 2 * np.pi, 65)[:, None]
    ring = np.hstack([np.cos(turn), np.sin(turn)])
    _line(page, np.array([30.0, 30.0]) + 18 * ring, 0.5)
    _line(page, np.array([[22.0, 12.5], [22.0, 41.5]]), 0.4)  # stops short, as above
    opened = [(62.0 + 17 * k, y) for k in range(6) for y in (20.0, 40.0)]
    for place in opened:  # circles with a gap of 2 mm
        _line(page, np.array(place) + 7 * ring[3:], 0.5)
    for at in np.arange(0.0, 145.0, 8.0):  # and much that is closed
        _line(page, np.array([[8.0, 65 + at], [152.0, 65 + at]]), 0.4)
        _line(page, np.array([[8 + at, 65.0], [8 + at, 209.0]]), 0.4)
    labels = areas_of(np.asarray(page, np.float32) / np.float32(255)).labels
    at = [(16.0, 30.0), (36.0, 30.0), *opened, (2.0, 2.0)]
    left, right, *rings, paper = (labels[int(y * PX_PER_MM), int(x * PX_PER_MM)] for x, y in at)
    assert left == right != paper
    assert len({*rings, paper}) == 13


@pytest.mark.slow(8)
def test_a_narrow_band_joins_no_two_closed_areas() -> None:
    joined = pairs = 0
    for seed in range(6):
        rng = np.random.default_rng(800 + seed)
        size = round(DOWN * CELL_MM * PX_PER_MM), round(ACROSS * CELL_MM * PX_PER_MM)
        page, sides = np.zeros(size, np.uint8), []
        for k in range(ACROSS * DOWN):
            x, y = (np.array([k % ACROSS, k // ACROSS]) + 0.5) * CELL_MM
            wide, high, width = *rng.uniform(9, 13, 2), float(rng.uniform(0.25, 0.6))
            corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [-1, -1]])
            _line(page, [x, y] + corners * [wide, high], width)
            across = 0.0
            for _ in range(2):  # too near for an area between; more of them may be hatching
                up = np.array([[x + across, y - high], [x + across, y + high]])
                _line(page, bowed(up[0], up[1], float(rng.uniform(-0.01, 0.01))), width)
                across += width + float(rng.uniform(0.5, 1.0))
            sides.append(((x - wide / 2, y), (x + (across + wide) / 2, y)))
        labels = areas_of(np.asarray(page, np.float32) / np.float32(255)).labels
        for one, other in sides:
            here = [labels[int(at[1] * PX_PER_MM), int(at[0] * PX_PER_MM)] for at in (one, other)]
            pairs += 1
            joined += int(here[0] == here[1])
    assert pairs == 6 * ACROSS * DOWN
    assert joined == 0


@pytest.mark.slow(6)
def test_closed_drawings_come_out_at_least_as_right_as_plain_filling() -> None:
    found, filled = [], []
    for seed in range(700, 704):
        page = make_page(seed, Troubles(details=0.3), 120, 160)
        paper = page.coverage < 0.5
        _, plain = cv2.connectedComponents(paper.astype(np.uint8), connectivity=4)
        ours = areas_of(page.coverage, page.px_per_mm).labels.astype(np.int32)
        found.append(score(ours, page.truth, paper, page.px_per_mm))
        filled.append(score(np.asarray(plain, np.int32), page.truth, paper, page.px_per_mm))
    assert total(found).right >= total(filled).right
    assert total(found).leaks <= total(filled).leaks


def _gapped_page(seed: int) -> tuple[F32, list[tuple[F64, F64, float]]]:
    """Draw rounds with a gap in each; return these: middle, the way outwards, width, mm."""
    rng = np.random.default_rng(seed)
    size = round(DOWN * CELL_MM * PX_PER_MM), round(ACROSS * CELL_MM * PX_PER_MM)
    page, gaps = np.zeros(size, np.uint8), []
    for k in range(ACROSS * DOWN):
        middle = (np.array([k % ACROSS, k // ACROSS]) + 0.5) * CELL_MM
        radius, gap = float(rng.uniform(6, 12)), float(rng.uniform(0.6, 4.5))
        turn, half = float(rng.uniform(0, 2 * np.pi)), gap / 2 / radius
        t = turn + np.linspace(half, 2 * np.pi - half, 200)
        _line(page, middle + radius * np.stack([np.cos(t), np.sin(t)], axis=1), 0.4)
        out = np.array([np.cos(turn), np.sin(turn)])
        gaps.append((middle + radius * out, out, gap))
    return np.asarray(page, np.float32) / np.float32(255), gaps


@pytest.mark.parametrize("seed", some_like(2, *range(5)))
def test_a_gap_is_closed_or_open_and_never_half(seed: int) -> None:
    coverage, gaps = _gapped_page(seed)
    labels = areas_of(coverage).labels
    for middle, out, gap in gaps:
        along = np.array([-out[1], out[0]]) * np.linspace(-0.4, 0.4, 9)[:, None] * gap
        sides = []
        for side in (-1.0, 1.0):
            x, y = np.floor((middle + along + side * out) * PX_PER_MM).astype(int).T
            sides.append(np.unique(labels[y, x]))
        assert [len(side) for side in sides] == [1, 1]


@cache
def _pages() -> list[tuple[F32, I32]]:
    """Return pages with gaps and hatching, and their areas."""
    found = []
    for seed, troubles in ((31, LOOSE), (32, EASY), (33, SINGLE["gaps mid-stroke"])):
        page = make_page(seed, troubles, 150, 200)
        factor = PX_PER_MM / page.px_per_mm
        small = cv2.resize(page.coverage, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
        coverage = np.asarray(small, np.float32)
        found.append((coverage, areas_of(coverage).labels.astype(np.int32)))
    return found


def _changed(
    back: Callable[[I32], I32], of: Callable[[Any], Any], *, lettered: bool = False
) -> float:
    """Return the share of areas that come out otherwise on a changed page.

    ``lettered``: what was lettering is told, for only upright lettering is found.
    """
    areas = right = 0
    for coverage, labels in _pages():
        ink = ink_of(np.ascontiguousarray(of(coverage)))
        prepared = None
        if lettered:
            kind = np.ascontiguousarray(of(find_lettering(ink_of(coverage)).kind))
            prepared = prepare(ink, Lettering(kind, PX_PER_MM))
        changed = find_flats(ink, prepared=prepared).labels.astype(np.int32)
        agree = score(back(changed), labels, coverage < 0.5, PX_PER_MM)
        areas, right = areas + agree.areas, right + agree.right
    assert areas > 150
    return 1 - right / areas


@pytest.mark.slow
@pytest.mark.parametrize("turn", [1, 2, 3])
@pytest.mark.parametrize("mirrored", [False, True])
def test_turning_and_mirroring_change_nothing(turn: int, mirrored: bool) -> None:
    def there(raster: Any) -> Any:
        return np.rot90(raster[:, ::-1] if mirrored else raster, turn)

    def back(labels: I32) -> I32:
        turned = np.rot90(labels, -turn)
        return turned[:, ::-1] if mirrored else turned

    assert _changed(back, there, lettered=True) <= MOST_CHANGED["turned"]


@pytest.mark.slow
def test_lettering_that_lies_sideways_changes_little() -> None:
    found = _changed(lambda labels: np.rot90(labels, -1), np.rot90)
    assert found <= UNREAD


@pytest.mark.slow
@pytest.mark.parametrize("factor", [0.8, 0.9, 1.1, 1.2])
def test_a_fifth_larger_or_smaller_changes_little(factor: float) -> None:
    shape = _pages()[0][0].shape[::-1]

    def there(coverage: F32) -> F32:
        how = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
        small = cv2.resize(coverage, None, fx=factor, fy=factor, interpolation=how)
        return np.asarray(small, np.float32)

    def back(labels: I32) -> I32:
        same = cv2.resize(labels.astype(np.float32), shape, interpolation=cv2.INTER_NEAREST)
        return np.asarray(same, np.int32)

    assert _changed(back, there) <= MOST_CHANGED["scaled"]


@pytest.mark.like
def _panels(seed: int) -> F32:
    """Draw four panels at 300 dpi, a closed and a broken ring in each."""
    rng = np.random.default_rng(seed)
    page = np.zeros((1700, 1200), np.uint8)
    for left, top in ((60, 60), (620, 60), (60, 880), (620, 880)):
        cv2.rectangle(page, (left, top), (left + 520, top + 760), 255, 9)
        for y in (220, 560):
            middle, start = (left + 260, top + y), int(rng.integers(0, 360))
            across = int(rng.integers(60, 150)), int(rng.integers(60, 150))
            stop = start + 360 - int(rng.choice([0, 8, 20]))
            cv2.ellipse(page, middle, across, 0, start, stop, 255, 6)
    return np.asarray(page, np.float32) / np.float32(255)


def _many_pages() -> list[tuple[F32, float]]:
    """Return some two hundred drawings on pages of several kinds, and their px/mm."""
    found = [(_closed_page(seed)[0], PX_PER_MM) for seed in range(40, 44)]
    found += [(_gapped_page(seed)[0], PX_PER_MM) for seed in range(40, 44)]
    found += [(_panels(seed), 300 / 25.4) for seed in range(2)]
    made = [make_page(seed, LOOSE, 90, 110) for seed in (41, 42)]
    return found + [(page.coverage, page.px_per_mm) for page in made]


@pytest.mark.slow(40)
def test_more_paper_changes_no_pixel_of_many_drawings() -> None:
    rng = np.random.default_rng(5)
    for coverage, px_per_mm in _many_pages():
        rows, columns = (np.flatnonzero(coverage.max(axis=axis)) for axis in (1, 0))
        part = coverage[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        part = np.pad(part, 3)  # what touches the sheet's side ends there
        labels = areas_of(np.ascontiguousarray(part), px_per_mm).labels
        top, bottom, left, right = rng.integers(0, round(12 * px_per_mm), 4).tolist()
        wider = np.pad(part, ((top, bottom), (left, right)))
        found = areas_of(np.asarray(wider, np.float32), px_per_mm).labels
        height, width = part.shape
        assert np.array_equal(found[top : top + height, left : left + width], labels)


@pytest.mark.parametrize("around", [(37, 0, 0, 91), (200, 50, 333, 7)])
def test_more_paper_around_changes_nothing(around: tuple[int, int, int, int]) -> None:
    coverage, labels = _pages()[0]
    top, bottom, left, right = around
    wider = np.pad(coverage, ((top, bottom), (left, right)))
    found = areas_of(np.asarray(wider, np.float32)).labels.astype(np.int32)
    height, width = coverage.shape
    assert np.array_equal(found[top : top + height, left : left + width], labels)
