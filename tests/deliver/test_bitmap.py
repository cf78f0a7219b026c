"""Bitmaps: place and share of ink at another resolution, and files read back."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image

from inkclean.base.arrays import F32
from inkclean.deliver.pictures import bitmap


def _disc(side: int, x: float, y: float, radius: float) -> F32:
    """Area coverage of a disc, by 16 × 16 samples a pixel (own raster)."""
    fine = 16
    at = (np.arange(side * fine) + 0.5) / fine
    inside = (at[None, :] - x) ** 2 + (at[:, None] - y) ** 2 <= radius**2
    return np.asarray(inside.reshape(side, fine, side, fine).mean((1, 3)), np.float32)


@pytest.mark.parametrize("dpi", [300, 600, 1200])
def test_cut_keeps_place_and_size(dpi: int) -> None:
    px_per_mm = 13.37
    coverage = _disc(160, 93.3, 71.8, 40.0)
    ink = bitmap.cut_at(coverage, px_per_mm, dpi)
    scale = dpi / 25.4 / px_per_mm
    assert ink.shape == (round(160 * scale), round(160 * scale))
    rows, columns = np.nonzero(ink)
    assert columns.mean() + 0.5 == pytest.approx(93.3 * scale, abs=0.05)
    assert rows.mean() + 0.5 == pytest.approx(71.8 * scale, abs=0.05)
    assert np.sqrt(ink.sum() / np.pi) == pytest.approx(40.0 * scale, abs=0.08)


def test_edge_alpha_is_area_coverage() -> None:
    truth = _disc(400, 200.3, 199.1, 150.0)
    soft = cv2.GaussianBlur(truth, (0, 0), 1.5)
    alpha = bitmap.edge_alpha(np.asarray(soft, np.float32), 10.0, 254.0) / 255.0
    assert np.abs(alpha - truth).max() < 0.2
    assert np.abs(alpha - truth).sum() / (2 * np.pi * 150.0) < 0.05
    assert alpha.sum() == pytest.approx(truth.sum(), rel=2e-3)


def test_ink_png_read_back(tmp_path: Path) -> None:
    ink = np.random.default_rng(1).random((37, 53)) < 0.4
    bitmap.write_ink_png(ink, 600, tmp_path / "a.png")
    with Image.open(tmp_path / "a.png") as picture:
        assert picture.mode == "1"
        # PNG states px per metre in whole numbers
        assert picture.info["dpi"] == pytest.approx((600, 600), abs=0.02)
        assert (np.asarray(picture) == ~ink).all()


def test_ink_tiff_read_back(tmp_path: Path) -> None:
    ink = np.random.default_rng(2).random((40, 61)) < 0.3
    bitmap.write_ink_tiff(ink, 1200, tmp_path / "a.tiff")
    with tifffile.TiffFile(tmp_path / "a.tiff") as held:
        page = held.pages[0]
        assert isinstance(page, tifffile.TiffPage)
        tags = page.tags
        # ITU-T T.6 is compression 4, one bit a sample (TIFF 6.0)
        assert tags["Compression"].value == 4
        assert tags["BitsPerSample"].value == 1
        assert tags["PhotometricInterpretation"].value in (0, 1)
        assert tags["XResolution"].value[0] / tags["XResolution"].value[1] == 1200
    with Image.open(tmp_path / "a.tiff") as picture:
        assert (np.asarray(picture) == ~ink).all()


def test_lines_have_no_fringe(tmp_path: Path) -> None:
    alpha = bitmap.edge_alpha(_disc(60, 30.0, 30.0, 20.0), 10.0, 600.0)
    bitmap.write_lines_png(alpha, 600, tmp_path / "a.png")
    with Image.open(tmp_path / "a.png") as picture:
        assert picture.mode == "LA"
        values = np.asarray(picture)
    assert (values[..., 0] == 0).all()
    assert (values[..., 1] == alpha).all()
