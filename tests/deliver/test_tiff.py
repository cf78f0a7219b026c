"""One-bit TIFF: two readers see the pixels that were drawn, and the tags say how large."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from inkclean.base.arrays import Bool
from inkclean.deliver.pictures.raster import Region, packed_bands, render, size_px
from inkclean.deliver.pictures.tiff import write_one_bit_tiff
from tests.deliver import drawn


def _write(path: Path, dpi: int, region: Region) -> Bool:
    page = drawn.page()
    height, width = size_px(region, dpi)
    bands = packed_bands(page, dpi, region=region)
    write_one_bit_tiff(bands, height, width, dpi, path, title="Page é")
    return render(page, dpi, region=region)


@pytest.mark.parametrize("dpi", [600, 800, 1200, 2400])
def test_two_readers_see_the_drawing(tmp_path: Path, dpi: int) -> None:
    path = tmp_path / "page.tiff"
    ink = _write(path, dpi, Region(2, 3, 31, 22))
    with Image.open(path) as picture:
        assert picture.mode == "1"
        assert picture.info["dpi"] == (dpi, dpi)
        assert picture.info["compression"] == "group4"
        # Pillow reads one-bit pictures with True as white
        assert (np.asarray(picture) == ~ink).all()
    other = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    assert other is not None
    assert ((other == 0) == ink).all()
    assert set(np.unique(other)) == {0, 255}


def test_tags_are_those_of_tiff_6_and_t_6(tmp_path: Path) -> None:
    """TIFF revision 6.0, bilevel images; compression 4 is ITU-T T.6."""
    path = tmp_path / "page.tiff"
    ink = _write(path, 600, Region(0, 0, 60, 80))
    with Image.open(path) as picture:
        tags = {key: picture.tag_v2[key] for key in picture.tag_v2}  # type: ignore[attr-defined]
    assert tags[259] == 4
    assert tags[262] == 0, "WhiteIsZero: a one is ink"
    assert tags[258] == (1,) or tags[258] == 1
    assert (tags[256], tags[257]) == (ink.shape[1], ink.shape[0])
    assert tags[282] == tags[283] == 600
    assert tags[296] == 2
    rows, strips = tags[278], len(tags[273])
    assert strips == -(-ink.shape[0] // rows) == len(tags[279])
    assert tags[269] == "Page ?"


@pytest.mark.parametrize("size", [(1, 1), (7, 256), (9, 257), (64, 513)])
def test_odd_sizes_and_bare_paper(tmp_path: Path, size: tuple[int, int]) -> None:
    width, height = size
    path = tmp_path / "bare.tiff"
    empty = drawn.curves([], width, height)
    write_one_bit_tiff(packed_bands(empty, 25.4), height, width, 25.4, path)
    with Image.open(path) as picture:
        assert picture.size == (width, height)
        assert np.asarray(picture).all()


def test_noise_survives(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    ink = rng.random((300, 203)) < 0.5
    packed = np.packbits(ink, axis=1)
    path = tmp_path / "noise.tiff"
    write_one_bit_tiff([packed[:256], packed[256:]], 300, 203, 600, path)
    with Image.open(path) as picture:
        assert (np.asarray(picture) == ~ink).all()
