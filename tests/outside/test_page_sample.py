"""scikit-image's photographed page (``skimage.data.page``, public domain): text in uneven light.

Its own gallery shows that Otsu's threshold loses a corner of it and Sauvola's does not ("Niblack
and Sauvola Thresholding", scikit-image documentation): so Sauvola is the reference here.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from skimage import data

from inkclean.base.arrays import U8
from tests.benchmarks.contest import otsu, ours, sauvola
from tests.scoring.measures import overlap


def test_text_is_found_where_one_threshold_fails() -> None:
    load: Callable[[], U8] = data.page  # scikit-image carries no types
    page = np.repeat(np.asarray(load(), np.uint8)[..., None], 3, axis=2)
    ink, local, globally = ours(page), sauvola(page), otsu(page)
    assert ink.shape == page.shape[:2]
    assert overlap(ink, local).f_measure > 80
    assert overlap(globally, local).f_measure < 60
    assert 0.04 < ink.mean() < 0.25
