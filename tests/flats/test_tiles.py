"""What is kept a tile at a time is, after changes, what a look at the whole page gives."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from inkclean.base.arrays import I32, U16, Bool
from inkclean.flats.maps.full import seeds_of
from inkclean.flats.maps.patches import PatchLabels
from inkclean.flats.tiled import told
from inkclean.flats.tiled.depths import Depths
from inkclean.flats.tiled.pieces import TilePieces
from inkclean.flats.tiled.windows import Box, whole

SHAPE = (190, 270)
_Value = TypeVar("_Value", bound=np.generic)


def _blobs(rng: np.random.Generator, share: float) -> Bool:
    noise = np.asarray(cv2.GaussianBlur(rng.random(SHAPE), (0, 0), 3.0))
    return np.asarray(noise > np.quantile(noise, share))


def _cut(raster: NDArray[_Value]) -> Callable[[Box], NDArray[_Value]]:
    return lambda box: raster[box]


def _changed(rng: np.random.Generator, paper: Bool) -> tuple[Bool, Box]:
    """Return paper with a line drawn or rubbed out, and the box of what changed."""
    lined = paper.astype(np.uint8)
    a, b = rng.integers((0, 0), SHAPE[::-1], (2, 2)).tolist()
    cv2.line(lined, a, b, int(rng.integers(2)), 2)
    rows, columns = np.nonzero((lined > 0) != paper)
    if not len(rows):
        return paper, (slice(0, 0), slice(0, 0))
    box = (
        slice(int(rows.min()), int(rows.max()) + 1),
        slice(int(columns.min()), int(columns.max()) + 1),
    )
    return lined > 0, box


@pytest.mark.parametrize("side", [32, 90, 300])
def test_pieces_hang_together_as_on_the_whole_page(side: int) -> None:
    rng = np.random.default_rng(side)
    paper, pieces = _blobs(rng, 0.4), TilePieces.none(SHAPE, side)
    pieces.look(_cut(paper), np.arange(len(pieces.tiles)))
    for _ in range(12):
        fresh, _ = _changed(rng, paper)
        row, column = np.nonzero(fresh != paper)
        paper = fresh
        pieces.look(_cut(paper), pieces.tiles_at(row, column))
        count, patch = cv2.connectedComponents(paper.view(np.uint8), connectivity=4)
        group = pieces.group[pieces.number]
        assert ((pieces.number > 0) == paper).all()
        pairs = np.unique(np.stack([patch[paper], group[paper]]), axis=1)
        assert pairs.shape[1] == count - 1 == len(set(pairs[1].tolist()))
        used = np.flatnonzero(pieces.tile >= 0)
        assert (np.bincount(pieces.number.ravel())[used] == pieces.size[used]).all()
        for k in used[:: max(1, len(used) // 9)].tolist():
            rows, columns = np.nonzero(pieces.number == k)
            found = rows.min(), rows.max() + 1, columns.min(), columns.max() + 1
            assert tuple(pieces.box[k].tolist()) == found


@pytest.mark.parametrize("quick", [False, True])
@pytest.mark.parametrize("share", [0.1, 0.5, 0.0])
def test_depths_after_changes_are_those_of_the_whole_page(share: float, quick: bool) -> None:
    rng = np.random.default_rng(5)
    paper = _blobs(rng, share) | (share == 0)
    depths = Depths.of(paper, quick)
    for _ in range(15):
        paper, box = _changed(rng, paper)
        depths = depths.after(_cut(paper), box)
        assert (depths.px == Depths.of(paper, quick).px).all()


def test_seeds_after_changes_are_those_of_the_whole_page() -> None:
    rng = np.random.default_rng(3)
    paper, patches = _blobs(rng, 0.35), PatchLabels.none(SHAPE)
    patches = replace(patches, pieces=TilePieces.none(SHAPE, 64))
    small = np.asarray(rng.integers(0, 5, (95, 135)), np.int32)
    small[30:60] = 2
    row, column = np.arange(190) // 2, np.arange(270) // 2
    labels = np.zeros(SHAPE, np.uint16)
    chosen = np.arange(len(patches.pieces.tiles))
    for _ in range(10):
        wide = small.astype(np.uint16)[row][:, column]
        redone = patches.look(_cut(paper), _cut(wide), chosen)
        for tile in redone.tolist():
            box = patches.pieces.tiles[tile]
            labels[box] = patches.seeds(box, wide[box])
        _, patch = cv2.connectedComponents(paper.view(np.uint8), connectivity=4)
        assert (
            labels == seeds_of(np.asarray(patch, np.int32), small, row, column, whole(SHAPE))
        ).all()
        # lines are drawn, labels change in one place, and some get other numbers
        fresh, _ = _changed(rng, paper)
        other = small.copy()
        top, left = rng.integers((0, 0), (80, 120)).tolist()
        other[top : top + 9, left : left + 9] = rng.integers(5)
        y, x = np.nonzero((fresh != paper) | (other != small)[row][:, column])
        chosen = patches.pieces.tiles_at(y, x)
        now = np.append(0, 1 + rng.permutation(4))
        patches.renumber(now)
        labels = now.astype(np.uint16)[labels]
        paper, small = fresh, now.astype(np.int32)[other]


def _map(seed: int) -> tuple[I32, Bool, np.ndarray[tuple[int, ...], np.dtype[np.float32]]]:
    rng = np.random.default_rng(seed)
    cells = rng.integers(0, 40, (19, 27)).astype(np.uint16)
    label: U16 = np.asarray(cv2.resize(cells, SHAPE[::-1], interpolation=cv2.INTER_NEAREST))
    sure = _blobs(rng, 0.3)
    return label.astype(np.int32), sure, Depths.of(sure).px


@pytest.mark.skipif(told._compiled is None, reason="nothing was compiled here")
@pytest.mark.parametrize("box", [whole(SHAPE), np.s_[20:121, 33:200], np.s_[0:0, 0:0]])
def test_what_is_told_of_labels_is_the_same(box: Box) -> None:
    label, sure, depth = _map(1)
    fresh = np.random.default_rng(2).random(40) < 0.6
    fresh[0] = False
    one = told.told_compiled(label, sure, depth, fresh, box)
    other = told.told_by_numpy(label, sure, depth, fresh, box)
    for name in ("size", "most", "place", "box"):
        assert (getattr(one, name) == getattr(other, name)).all(), name


@pytest.mark.skipif(told._compiled is None, reason="nothing was compiled here")
def test_labels_without_a_place_are_refused() -> None:
    label, sure, depth = _map(1)
    for given in ((label, np.s_[0:191, 0:9]), (label + 1, whole(SHAPE)), (-label, whole(SHAPE))):
        with pytest.raises(ValueError, match="fit each other"):
            told.told_compiled(given[0], sure, depth, np.ones(40, bool), given[1])
