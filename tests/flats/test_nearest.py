"""What is worked out in tiles and bands is what the whole map gives, whatever the threads."""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
import pytest
from scipy.ndimage import distance_transform_edt

from inkclean.base.arrays import I32
from inkclean.flats import nearest
from inkclean.flats.maps.areas import measure
from inkclean.flats.maps.full import at_full_resolution
from inkclean.flats.nearest import HALOS_PX, TILE_PX, grown
from inkclean.flats.tiled.depths import Depths


@pytest.fixture(params=[1, 2])
def threads(request: pytest.FixtureRequest) -> Iterator[int]:
    before = cv2.getNumThreads()
    cv2.setNumThreads(request.param)
    yield request.param
    cv2.setNumThreads(before)


def _scattered(radius: int) -> I32:
    """Return a map of several tiles with labels here and there, and a bare disc."""
    rng = np.random.default_rng(3)
    label = np.zeros((2 * TILE_PX + 70, 2 * TILE_PX - 30), np.int32)
    label[rng.random(label.shape) < 0.01] = 1
    label[label > 0] = rng.integers(1, 1000, int(label.sum()))
    cv2.circle(label, (TILE_PX + 20, TILE_PX - 10), radius, 0, -1)
    return label


@pytest.mark.parametrize("radius", [0, HALOS_PX[0] + 30, HALOS_PX[1] + 100])
def test_bare_pixels_take_the_label_that_the_whole_map_gives(radius: int, threads: int) -> None:
    label = _scattered(radius)
    full = grown(label)
    _, nearest = cv2.distanceTransformWithLabels(
        (label == 0).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    assert (full == np.append(0, label[label > 0])[nearest]).all()
    assert (full[label > 0] == label[label > 0]).all()


@pytest.mark.skipif(nearest._compiled is None, reason="nothing was compiled here")
@pytest.mark.parametrize("kind", [np.uint8, np.uint16, np.int32])
def test_what_is_compiled_is_what_opencv_gives(kind: type) -> None:
    rng = np.random.default_rng(5)
    for _ in range(100):
        shape = tuple(rng.integers(1, 70, 2).tolist())
        label = np.zeros(shape, kind)
        some = rng.random(shape) < rng.choice([0.002, 0.01, 0.1, 0.5])
        some.ravel()[rng.integers(some.size)] = True
        label[some] = rng.integers(1, 200, int(some.sum()))
        inner = slice(shape[0] // 3, shape[0]), slice(0, max(shape[1] // 2, 1))
        found, far = nearest._told(label, label == 0, inner)
        wanted, way = nearest.told_by_opencv(label, label == 0, inner)
        assert np.array_equal(found, wanted) and far == way
        assert np.array_equal(nearest.nearest(label), wanted)


@pytest.mark.skipif(nearest._compiled is None, reason="nothing was compiled here")
def test_maps_that_do_not_fit_are_refused() -> None:
    label = np.ones((4, 6), np.uint16)
    for given in ((5, 2, 0, 4, 0, 5), (6, 3, 0, 4, 0, 6), (6, 2, 0, 5, 0, 6), (6, 2, 0, 4, -1, 6)):
        with pytest.raises(ValueError, match="fit each other"):
            nearest._compiled.grow(label, *given)


def test_a_label_taken_is_no_further_than_the_nearest_by_a_few_percent(threads: int) -> None:
    label = np.where(_scattered(300) > 0, np.arange(1, 1 + 1094 * 994).reshape(1094, 994), 0)
    label = label.astype(np.int32)
    row, column = np.divmod(grown(label) - 1, label.shape[1])
    down, across = np.mgrid[: label.shape[0], : label.shape[1]]
    taken = np.hypot(row - down, column - across)
    # scipy's transform is exact; Borgefors, "Distance transformations in digital images", 1986,
    # gives 2 % for the 5 × 5 mask, and a label may be off by as much on both sides
    assert (taken <= 1.05 * distance_transform_edt(label == 0) + 1e-6).all()


def test_labels_and_depths_are_the_same_whatever_the_threads() -> None:
    label = np.ones((300, 200), np.int32)
    label[:, 90:] = 2
    label[140:, 90:] = 3
    paper = np.ones(label.shape, bool)
    paper[:, 88:92], paper[138:142, 90:] = False, False
    coverage = cv2.resize((~paper).astype(np.float32), (500, 750))
    before, found = cv2.getNumThreads(), []
    for number in (1, 2, 3):
        cv2.setNumThreads(number)
        full = at_full_resolution(
            np.asarray(coverage, np.float32), label, paper, np.zeros((0, 4, 2)), 20.0, 8.0
        ).labels
        areas, _ = measure(label, paper, np.zeros(label.shape, np.uint8), 8.0, Depths.of(paper).px)
        found.append(full.tobytes() + areas.tobytes())
    cv2.setNumThreads(before)
    assert found[0] == found[1] == found[2]
    assert set(np.unique(full)) == {1, 2, 3}
