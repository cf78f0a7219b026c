"""The CIEDE2000 difference and the colour spaces against published values.

The pairs are those of Sharma, Wu, Dalal, Color Research & Application 30(1), 2005, table 1,
written down from memory and confirmed by scikit-image's own implementation, which is the
independent reference here.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, rgb2lab

from inkclean.flats.colour.space import EYES, difference, lab_to_srgb, seen_by, to_lab

PAIRS = np.array(
    [
        [50.0000, 2.6772, -79.7751, 50.0000, 0.0000, -82.7485, 2.0425],
        [50.0000, 3.1571, -77.2803, 50.0000, 0.0000, -82.7485, 2.8615],
        [50.0000, 2.8361, -74.0200, 50.0000, 0.0000, -82.7485, 3.4412],
        [50.0000, -1.3802, -84.2814, 50.0000, 0.0000, -82.7485, 1.0000],
        [50.0000, -1.1848, -84.8006, 50.0000, 0.0000, -82.7485, 1.0000],
        [50.0000, -0.9009, -85.5211, 50.0000, 0.0000, -82.7485, 1.0000],
        [50.0000, 0.0000, 0.0000, 50.0000, -1.0000, 2.0000, 2.3669],
        [50.0000, -1.0000, 2.0000, 50.0000, 0.0000, 0.0000, 2.3669],
        [50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0009, 7.1792],
        [50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0010, 7.1792],
        [50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0011, 7.2195],
        [50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0012, 7.2195],
        [50.0000, -0.0010, 2.4900, 50.0000, 0.0009, -2.4900, 4.8045],
        [50.0000, -0.0010, 2.4900, 50.0000, 0.0010, -2.4900, 4.8045],
        [50.0000, -0.0010, 2.4900, 50.0000, 0.0011, -2.4900, 4.7461],
        [50.0000, 2.5000, 0.0000, 50.0000, 0.0000, -2.5000, 4.3065],
        [50.0000, 2.5000, 0.0000, 73.0000, 25.0000, -18.0000, 27.1492],
        [50.0000, 2.5000, 0.0000, 61.0000, -5.0000, 29.0000, 22.8977],
        [50.0000, 2.5000, 0.0000, 56.0000, -27.0000, -3.0000, 31.9030],
        [50.0000, 2.5000, 0.0000, 58.0000, 24.0000, 15.0000, 19.4535],
        [50.0000, 2.5000, 0.0000, 50.0000, 3.1736, 0.5854, 1.0000],
        [50.0000, 2.5000, 0.0000, 50.0000, 3.2972, 0.0000, 1.0000],
        [50.0000, 2.5000, 0.0000, 50.0000, 1.8634, 0.5757, 1.0000],
        [50.0000, 2.5000, 0.0000, 50.0000, 3.2592, 0.3350, 1.0000],
        [60.2574, -34.0099, 36.2677, 60.4626, -34.1751, 39.4387, 1.2644],
        [63.0109, -31.0961, -5.8663, 62.8187, -29.7946, -4.0864, 1.2630],
        [61.2901, 3.7196, -5.3901, 61.4292, 2.2480, -4.9620, 1.8731],
        [35.0831, -44.1164, 3.7933, 35.0232, -40.0716, 1.5901, 1.8645],
        [22.7233, 20.0904, -46.6940, 23.0331, 14.9730, -42.5619, 2.0373],
        [36.4612, 47.8580, 18.3852, 36.2715, 50.5065, 21.2231, 1.4146],
        [90.8027, -2.0831, 1.4410, 91.1528, -1.6435, 0.0447, 1.4441],
        [90.9257, -0.5406, -0.9208, 88.6381, -0.8985, -0.7239, 1.5381],
        [6.7747, -0.2908, -2.4247, 5.8714, -0.0985, -2.2286, 0.6377],
        [2.0776, 0.0795, -1.1350, 0.9033, -0.0636, -0.5514, 0.9082],
    ]
)


def test_published_pairs() -> None:
    found = difference(PAIRS[:, :3], PAIRS[:, 3:6])
    np.testing.assert_allclose(found, PAIRS[:, 6], atol=5.1e-5)


def test_published_pairs_the_other_way_round() -> None:
    found = difference(PAIRS[:, 3:6], PAIRS[:, :3])
    np.testing.assert_allclose(found, PAIRS[:, 6], atol=5.1e-5)


def test_any_pair_against_scikit_image() -> None:
    random = np.random.default_rng(1)
    one, other = random.uniform([0, -90, -90], [100, 90, 90], (2, 4000, 3))
    reference: Any = deltaE_ciede2000
    np.testing.assert_allclose(difference(one, other), reference(one, other), atol=1e-9)


def test_lab_against_scikit_image() -> None:
    srgb = np.random.default_rng(2).integers(0, 256, (2000, 3)).astype(np.uint8)
    np.testing.assert_allclose(to_lab(srgb), rgb2lab(srgb / 255.0), atol=0.02)


def test_lab_and_back() -> None:
    srgb = np.random.default_rng(3).integers(0, 256, (2000, 3)).astype(np.uint8)
    np.testing.assert_array_equal(lab_to_srgb(to_lab(srgb)), srgb)


@pytest.mark.parametrize("eyes", EYES)
def test_greys_look_grey_to_all_eyes(eyes: str) -> None:
    # Machado et al. 2009: the model leaves the achromatic axis as it is
    greys = np.repeat(np.arange(0, 256, 5, dtype=np.uint8)[:, None], 3, axis=1)
    who = next(each for each in EYES if each == eyes)
    np.testing.assert_array_equal(seen_by(greys, who), greys)


def test_red_and_green_are_confused_by_those_known_to() -> None:
    # the classic confusion of deutan eyes; brightness told apart, hue not
    red, green = np.array([170, 90, 60], np.uint8), np.array([115, 120, 50], np.uint8)
    usual = difference(to_lab(red), to_lab(green))
    deutan = difference(to_lab(seen_by(red, "deutan")), to_lab(seen_by(green, "deutan")))
    assert usual > 30
    assert deutan < usual / 2
