from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from inkclean.flats.colour.colours import colour_areas
from inkclean.flats.colour.palette import APART, MUTED, PAPER, colour_name, unlike
from inkclean.flats.colour.space import EYES, least_difference, to_lab
from inkclean.flats.values import AREA, BACKGROUND, GUTTER, NEIGHBOURS, Flats
from tests.flats.small_maps import cells, flats_of


def _worst_neighbours(flats: Flats) -> float:
    colouring = colour_areas(flats)
    one = colouring.palette[colouring.of_area[flats.neighbours["a"]]]
    other = colouring.palette[colouring.of_area[flats.neighbours["b"]]]
    return float(least_difference(one, other, EYES).min())


def test_every_pair_of_the_set_is_told_apart_by_all_eyes() -> None:
    every = np.concatenate([PAPER[None], MUTED])
    apart = least_difference(every[:, None], every[None])
    assert apart[np.triu_indices(len(every), 1)].min() >= APART + 0.5


def test_the_set_is_muted_and_the_paper_pale() -> None:
    lab = to_lab(MUTED)
    assert np.hypot(lab[:, 1], lab[:, 2]).max() <= 42
    assert lab[:, 0].min() >= 40  # black ink stands on the deepest
    assert to_lab(PAPER)[0] >= 95
    assert (np.diff(lab[:, 0]) <= 2).all()  # palest first, for what is chosen by order


@pytest.mark.parametrize(("count", "seed"), [(12, 0), (80, 1), (400, 2), (400, 3), (1500, 4)])
def test_neighbours_are_told_apart_at_a_glance(count: int, seed: int) -> None:
    assert _worst_neighbours(cells(count, 400, seed)) >= APART


def test_background_has_the_paper_to_itself() -> None:
    flats = cells(200, 300, 6)
    colouring = colour_areas(flats)
    paper = np.flatnonzero(colouring.of_area[1:] == 0)
    np.testing.assert_array_equal(paper, np.flatnonzero(flats.areas["kind"] == BACKGROUND))
    np.testing.assert_array_equal(colouring.palette[0], PAPER)


def test_a_panel_is_told_from_the_gutter() -> None:
    labels = np.ones((60, 90), np.int32)
    labels[5:55, 5:40], labels[5:55, 45:85] = 2, 3
    labels[20:40, 10:30], labels[20:40, 50:70] = 4, 5
    flats = flats_of(labels, 4.0, [GUTTER, BACKGROUND, BACKGROUND, 0, 0])
    colouring = colour_areas(flats)
    assert colouring.of_area[1] == 0
    assert colouring.of_area[2] == colouring.of_area[3] != 0
    assert _worst_neighbours(flats) >= APART


def test_two_backgrounds_with_a_line_between_are_told_apart() -> None:
    labels = np.ones((60, 90), np.int32)
    labels[30:] = 2
    assert _worst_neighbours(flats_of(labels, 4.0, [BACKGROUND, BACKGROUND])) >= APART


def test_a_chain_of_exchanges_frees_a_colour() -> None:
    # a wheel whose rim has all five colours by force of its spokes' neighbours: whatever the
    # order, the hub must end unlike its rim
    for seed in range(20):
        flats = cells(60, 160, seed, disc=False)
        assert _worst_neighbours(flats) >= APART


def test_large_areas_are_paler_than_small_ones() -> None:
    flats = cells(600, 500, 7)
    colouring = colour_areas(flats)
    figure = flats.areas["kind"] != BACKGROUND
    light = to_lab(colouring.palette)[colouring.of_area[1:], 0]
    size = flats.areas["size_mm2"]
    large = figure & (size > np.quantile(size[figure], 0.8))
    small = figure & (size < np.quantile(size[figure], 0.2))
    assert light[large].mean() > light[small].mean() + 5


def test_the_same_page_gets_the_same_colours() -> None:
    one, other = colour_areas(cells(300, 300, 8)), colour_areas(cells(300, 300, 8))
    np.testing.assert_array_equal(one.of_area, other.of_area)
    assert one.names == other.names


def test_no_area_at_all() -> None:
    nothing = Flats(np.zeros((5, 7), np.uint16), 4.0, np.zeros(0, AREA), np.zeros(0, NEIGHBOURS))
    colouring = colour_areas(nothing)
    assert colouring.used == []
    assert colouring.palette[colouring.of_area[nothing.labels]].shape == (5, 7, 3)


def test_all_areas_touching_one_another_still_get_a_colour() -> None:
    # six areas, each beside all others, cannot lie in the plane; nothing may break
    flats = cells(6, 60, 9, disc=False)
    pairs = np.zeros(15, NEIGHBOURS)
    pairs["a"], pairs["b"] = np.array(np.triu_indices(6, 1)) + 1
    pairs["edge_mm"] = 1.0
    pairs["edge_mm"][7] = 0.1
    colouring = colour_areas(replace(flats, neighbours=pairs))
    same = colouring.of_area[pairs["a"]] == colouring.of_area[pairs["b"]]
    assert same.sum() == 1  # five colours among six: one pair alike, no more
    assert (colouring.of_area[1:] > 0).all()


def test_names_are_plain_and_unlike_one_another() -> None:
    names = colour_areas(cells(200, 300, 1)).names
    assert len(set(names)) == len(names)
    assert names[0] == "paper"
    assert colour_name([255, 0, 0]).split()[-1] == "brick"
    assert colour_name([128, 128, 128]) == "stone"
    assert unlike(["sand", "moss", "Sand", "sand 2"]) == ("sand", "moss", "Sand 2", "sand 2 2")
