from __future__ import annotations

import cv2
import numpy as np

from inkclean.base.colour import as_hex, decode, encode, to_lab, to_srgb


def test_known_values_are_encoded() -> None:
    # IEC 61966-2-1 worked values: linear 0.5 is 188, 0.2140 is 127.5 (computed from the formula)
    shown = to_srgb(np.array([0.0, 0.0030, 0.2140, 0.5, 1.0, 1.4, -0.2], np.float32))
    assert shown.tolist()[3:] == [188, 255, 255, 0]
    assert abs(int(shown[1]) - 10) <= 1
    assert int(shown[2]) in (127, 128)


def test_the_formula_and_its_inverse_meet_in_both_precisions() -> None:
    values = np.linspace(0.0, 1.0, 1001)
    assert np.abs(decode(encode(values)) - values).max() < 1e-12 + 5e-8  # the pieces all but meet
    single = encode(values.astype(np.float32))
    assert single.dtype == np.float32
    assert np.abs(single - encode(values)).max() < 2e-6


def test_hex_keeps_leading_zeros() -> None:
    assert as_hex(np.array([0, 10, 255], np.uint8)) == "#000aff"


def test_lab_is_opencvs() -> None:
    light = np.random.default_rng(0).random((500, 3)).astype(np.float32) ** 2
    wanted = np.asarray(cv2.cvtColor(light[None], cv2.COLOR_LRGB2Lab))[0]
    assert np.abs(to_lab(light.astype(np.float64)) - wanted).max() < 0.05  # it looks up a table
