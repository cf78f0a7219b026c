"""Non-photo blue as a named colour: sRGB #A4DDED.

Its sRGB value is that of the named colour as colour lists give it; L*a*b* and optical density
follow from IEC 61966-2-1 and CIE 15 (D65, 2 degrees) by scikit-image, a route of its own.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage.color import rgb2lab, rgb2xyz

from inkclean.base.colour import TO_LINEAR, to_linear, to_srgb
from inkclean.ink.pencil.pigments import Pigment, density_of
from inkclean.ink.pencil.separate import separate
from inkclean.sheet.values import Sheet
from tests.sheet.patches import FRAME, PX_PER_MM, draw, even

CODE = "#A4DDED"
BYTES = np.array([0xA4, 0xDD, 0xED], np.uint8)


def test_its_linear_light() -> None:
    assert to_linear(BYTES[None]).ravel() == pytest.approx([0.371, 0.723, 0.847], abs=6e-4)


def test_its_optical_density() -> None:
    density = density_of(CODE) / np.log(10.0)
    assert density == pytest.approx([0.430, 0.141, 0.072], abs=6e-4)


def test_its_place_in_lab() -> None:
    pixel = to_srgb(to_linear(BYTES[None, None]))
    lightness, a, b = rgb2lab(pixel)[0, 0]
    assert (lightness, a, b) == pytest.approx((84.9, -14.4, -13.7), abs=0.06)
    assert np.degrees(np.arctan2(b, a)) % 360 == pytest.approx(223.5, abs=0.2)


def test_it_is_called_blue_and_written_back() -> None:
    pigment = Pigment(density_of(CODE), 0.1)
    assert pigment.name == "blue"
    assert pigment.hex == CODE


def test_it_reads_as_paper_and_black_over_it_as_black() -> None:
    drawn = draw(CODE)
    grey, pencil = separate(even(drawn))
    assert pencil.found
    away = cv2.dilate(drawn.ink, np.ones((9, 9), np.uint8)) < 0.01  # past the lens's blur
    alone = away & (drawn.pencil > 0.3)
    assert np.percentile(grey.ink[alone], 1) > 0.75


def test_the_tables_agree_with_scikit_image_and_turn_every_byte_back() -> None:
    greys = np.repeat(np.arange(256, dtype=np.uint8)[:, None], 3, axis=1)
    # the luminance of a grey is its linear light
    light = rgb2xyz(greys)[:, 1]
    assert pytest.approx(light, abs=2e-6) == TO_LINEAR
    back = to_srgb(light.astype(np.float32)).astype(int)
    assert np.abs(back - np.arange(256))[:6].max() <= 1
    assert (back[6:] == np.arange(6, 256)).all()


def test_a_sheet_of_it_alone_is_no_ink() -> None:
    page = np.tile(to_linear(BYTES[None, None]), (200, 200, 1))
    page[:100] = 1.0
    grey, _ = separate(Sheet(page, PX_PER_MM, FRAME, page), ("blue",))
    assert grey.ink[120:180].min() > 0.9
