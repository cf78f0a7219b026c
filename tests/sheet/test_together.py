"""Several photos of one page, joined: known mappings, real failures, and what is refused."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from inkclean.base.arrays import F32, F64
from inkclean.base.errors import InputError
from inkclean.demo.camera.conditions import Conditions
from inkclean.demo.camera.shot import Shot, photograph
from inkclean.demo.drawing.page import DrawnPage
from inkclean.sheet.together import seams
from inkclean.sheet.together.gains import gains_of
from inkclean.sheet.together.join import join, renew
from inkclean.sheet.together.matching import Match
from inkclean.sheet.together.placing import lay, quarters
from inkclean.sheet.together.render import nearest_labels
from inkclean.sheet.together.seen import look
from inkclean.sheet.together.values import Joined, Lens
from inkclean.sheet.values import Photo
from tests.benchmarks import together
from tests.scoring import cases
from tests.sheet import views


@cache
def drawn() -> DrawnPage:
    """Return the page that all photos show."""
    return cases.page_of(cases.case("plain"))


@cache
def shots() -> tuple[Shot, ...]:
    """Return three small photos of the whole page."""
    return tuple(views.whole_views(drawn(), 3, (1500, 2000)))


def photos_of(taken: tuple[Shot, ...] | list[Shot]) -> list[Photo]:
    """Return shots as photos."""
    return [Photo(shot.pixels, None, f"photo{k}") for k, shot in enumerate(taken)]


@pytest.mark.slow(14)
def test_ink_meets_within_a_fraction_of_a_px() -> None:
    joined = join(photos_of(shots()))
    met = together.meeting(joined, shots())
    # 6 px/mm here: the promise for 12 px/mm, twice as wide
    assert met.mean < 0.04
    assert met.p95 < 0.12


@pytest.mark.slow(4)
def test_strips_of_a_scanner_meet_though_one_is_turned_and_stretched() -> None:
    strips = [
        views.part_scan(
            drawn(), np.array(at), np.array(size), dpi=150, turn=turn, stretch=stretch, seed=1
        )
        for at, size, turn, stretch in (
            ((-2, -2), (214, 165), 0.4, 1.0),
            ((-2, 138), (214, 161), 179.2, 1.004),
        )
    ]
    joined = join([Photo(shot.pixels, 150.0, "strip") for shot in strips])
    met = together.meeting(joined, strips)
    assert met.join_mean < 0.04
    assert met.join_p95 < 0.12
    assert set(np.unique(joined.labels)) >= {0, 1}
    assert joined.photo.ppi == pytest.approx(150, abs=1)


@pytest.mark.slow(5)
@pytest.mark.parametrize("count", [2, 3])
def test_glare_and_a_finger_are_taken_from_the_photo_without(count: int) -> None:
    spoilt = together.spoilt(drawn(), shots()[:count])
    joined = join(photos_of(spoilt))
    for k in (0, 1):
        harm = np.abs(spoilt[k].pixels.astype(int) - shots()[k].pixels).max(axis=2) > 60
        rows, columns = np.nonzero(harm)
        few = slice(None, None, 97)
        at = np.stack([columns[few], rows[few]], axis=1) + 0.5
        seen = _shown_at(joined, k, at)
        assert np.mean(seen == k) < 0.02
    assert len(joined.photo.differing) >= 2


def _shown_at(joined: Joined, photo: int, at: np.ndarray) -> np.ndarray:
    """Return which photo the joined picture shows where ``photo`` has the points."""
    labels = nearest_labels(joined.labels)
    high, wide = joined.canvas.size
    x, y = np.meshgrid(np.arange(4.0, wide, 8), np.arange(4.0, high, 8))
    grid = np.stack([x, y], axis=-1).reshape(-1, 2)
    from scipy.spatial import cKDTree

    _, near = cKDTree(joined.of(grid, photo)).query(at)
    cell = np.clip((grid[near] / joined.cell).astype(int), 0, np.array(labels.shape[::-1]) - 1)
    return np.asarray(labels[cell[:, 1], cell[:, 0]])


@pytest.mark.slow(4)
def test_other_pages_are_refused() -> None:
    page = drawn()
    # the same frames in other places: what two pages of a book have in common
    other = replace(page, ink=page.ink[:, ::-1].copy(), pencil=page.pencil[:, ::-1].copy())
    strange = photograph(other, Conditions(width_px=1500, height_px=2000, seed=3))
    with pytest.raises(InputError, match="photo0 and photo1 do not show one page"):
        join(photos_of([shots()[0], strange]))
    with pytest.raises(InputError, match="photo2 does not show the same page"):
        join(photos_of([*shots()[:2], strange]))


@pytest.mark.like
def test_parts_without_common_ground_are_refused() -> None:
    whole = shots()[0]
    parts = [
        replace(whole, pixels=np.ascontiguousarray(whole.pixels[:950])),
        replace(whole, pixels=np.ascontiguousarray(whole.pixels[1050:])),
    ]
    with pytest.raises(InputError, match="do not show one page"):
        join(photos_of(parts))


def test_a_lens_is_undone() -> None:
    lens = Lens((3000, 4000), 0.03)
    at = np.random.default_rng(1).uniform(0, 3000, (200, 2))
    assert np.abs(lens.bend(lens.straighten(at)) - at).max() < 0.01


def test_joins_run_around_ink() -> None:
    cost: F32 = np.zeros((2, 20, 20), np.float32)
    cost[0, :, 15:], cost[1, :, :5] = np.inf, np.inf
    ink = np.ones((80, 80), np.float32)
    ink[:, 28:] = 0.0  # paper is left between columns 5 and 7 of cells only
    labels = seams.cut(cost, ink, 4.0)
    change = np.argmax(labels == 1, axis=1)
    assert (change <= 6).all()
    assert (labels[:, 0] == 0).all()
    assert (labels[:, -1] == 1).all()


def test_cuts_are_as_cheap_as_the_best_of_all() -> None:
    """All labellings of a small grid are tried: two photos are cut at the least there is."""
    rng = np.random.default_rng(3)
    high, wide = 3, 4
    cost = rng.uniform(0, 1, (2, high, wide)).astype(np.float32)
    ink = rng.uniform(0, 1, (high * 4, wide * 4)).astype(np.float32)
    across, down = seams.crossing(ink, 4.0, (high, wide))

    def total(labels: np.ndarray) -> float:
        one = np.take_along_axis(cost, labels[None].astype(int), axis=0).sum()
        two = (across * (labels[:, 1:] != labels[:, :-1])).sum()
        return float(one + two + (down * (labels[1:] != labels[:-1])).sum())

    every = ((np.arange(2**12)[:, None] >> np.arange(12)) & 1).reshape(-1, high, wide)
    least = min(total(labels) for labels in every)
    assert total(seams.cut(cost, ink, 4.0)) == pytest.approx(least, abs=0.01)


def test_light_goes_over_smoothly() -> None:
    paper = np.zeros((2, 40, 60, 3), np.float32)
    paper[0, :, :40], paper[1, :, 20:] = 0.8, (0.4, 0.5, 0.6)
    reached = np.asarray(paper[..., 0] > 0, np.bool_)
    common = np.asarray(reached.all(axis=0), np.bool_)
    gains = gains_of(np.where(common[..., None], paper, 0), reached)
    lit = paper * gains
    both = lit[:, common]
    assert np.abs(both[0] / both[1] - 1).max() < 0.02
    row = np.where(reached[0, 20, :, None], lit[0, 20], lit[1, 20])
    assert np.abs(np.diff(row, axis=0)).max() < 0.06


@pytest.mark.parametrize(
    ("turns", "first"), [((0, 2, 0), 2), ((2, 0, 0), 1), ((1, 0, 3), 0), ((0, 2, 2), 1)]
)
def test_the_page_lies_as_most_photos_show_it(turns: tuple[int, ...], first: int) -> None:
    # a row of three parts, the middle one shares ink with both
    rng = np.random.default_rng(2)
    size = np.array([300.0, 400.0])
    seen = [look(Photo(np.full((400, 300, 3), 250, np.uint8), None, "part"), 1.0)] * 3

    def at(k: int, page: F64) -> F64:
        own = page - [200.0 * k, 0] - size / 2
        c, s = np.cos(turns[k] * np.pi / 2), np.sin(turns[k] * np.pi / 2)
        return np.asarray(own @ np.array([[c, s], [-s, c]]) + size / 2)

    pairs = []
    for a, b, many in ((0, 1, 60), (1, 2, 80)):
        page = rng.uniform((200.0 * b, 0), (200.0 * b + 100, 400), (many, 2))
        pairs.append(Match(a, b, at(a, page), at(b, page), 1.0))
    plane = lay(seen, pairs)
    assert plane.first == first
    whole = sum(turn == turns[first] for turn in turns)
    assert (quarters([seen[0]] * 3, plane.matrices) == 0).sum() == whole


@pytest.mark.like
def test_a_newer_photo_lies_as_the_old_one_did() -> None:
    old, new = shots()[:2]
    joined = renew(*photos_of([old, new]))
    x, y = np.meshgrid(np.arange(20.0, 190, 10), np.arange(20.0, 280, 10))
    mm = np.stack([x, y], axis=-1).reshape(-1, 2)
    scale = np.divide(joined.photo.pixels.shape[1::-1], old.pixels.shape[1::-1])
    again = new.to_page(joined.of(old.to_photo(mm) * scale, 1))
    off = np.hypot(*(again - mm).T)
    assert off.mean() < 0.05
    assert (joined.labels == 1).mean() > 0.7
    assert joined.photo.differing == ()
