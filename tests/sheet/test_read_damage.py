"""What is no picture, is damaged or claims too much: one line, before anything is decoded."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import numpy as np
import pillow_heif
import pytest
from PIL import Image

from tests.sheet.test_read import _page, _png, one, refused, save, scene


def test_missing_folder_empty_foreign(tmp_path: Path) -> None:
    assert "no such file" in refused(tmp_path / "none.jpg")
    assert "folder" in refused(tmp_path)
    (tmp_path / "empty.png").touch()
    assert "empty" in refused(tmp_path / "empty.png")
    (tmp_path / "text.jpg").write_text("not a picture at all\n" * 50)
    assert "not a readable picture" in refused(tmp_path / "text.jpg")
    (tmp_path / "bad.pdf").write_bytes(b"%PDF-1.4\nnothing follows\n")
    assert "PDF" in refused(tmp_path / "bad.pdf")
    (tmp_path / "bad.heic").write_bytes(b"\0\0\0\x18ftypheic" + bytes(200))
    refused(tmp_path / "bad.heic")


def test_wrong_ending_does_not_matter(tmp_path: Path) -> None:
    path = save(tmp_path / "a.png", scene()).rename(tmp_path / "a.jpg")
    np.testing.assert_array_equal(one(path).pixels, scene())


def _noisy() -> Image.Image:
    rng = np.random.default_rng(5)
    return Image.fromarray(rng.integers(0, 255, (200, 300, 3), dtype=np.uint8))


@pytest.mark.parametrize("kind", ["jpg", "progressive", "png", "tif", "webp", "heic", "bmp"])
def test_truncated_at_every_tenth(tmp_path: Path, kind: str) -> None:
    path = tmp_path / f"whole.{'jpg' if kind == 'progressive' else kind}"
    if kind == "heic":
        pillow_heif.from_pillow(_noisy()).save(path)
    else:
        save(path, _noisy(), **({"progressive": True} if kind == "progressive" else {}))
    data = path.read_bytes()
    assert one(path).pixels.shape == (200, 300, 3)
    for tenth in range(1, 10):
        cut = tmp_path / f"cut{tenth}{path.suffix}"
        cut.write_bytes(data[: len(data) * tenth // 10])
        refused(cut)


def test_truncated_pdf_is_refused_or_whole(tmp_path: Path) -> None:
    _noisy().save(tmp_path / "a.pdf", resolution=90)
    data = (tmp_path / "a.pdf").read_bytes()
    for tenth in range(1, 10):
        cut = tmp_path / f"cut{tenth}.pdf"
        cut.write_bytes(data[: len(data) * tenth // 10])
        refused(cut)


@pytest.mark.parametrize("budget", [0.01, 1.0])
def test_the_budget_is_held_before_decoding(tmp_path: Path, budget: float) -> None:
    """A header that claims 100 000 × 90 000 px over a few bytes of data, as a bomb does."""
    (tmp_path / "bomb.png").write_bytes(_png(100_000, 90_000, 8, 2, zlib.compress(bytes(9000))))
    assert "megapixels" in refused(tmp_path / "bomb.png")
    path = save(tmp_path / "a.png", np.zeros((1100, 1000, 3), np.uint8))
    assert "1000 × 1100" in refused(path, budget_mp=budget)
    assert one(path, budget_mp=1.2).pixels.shape == (1100, 1000, 3)


def test_a_jpeg_that_claims_too_much(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    Image.fromarray(scene()).save(buffer, "JPEG")
    data = bytearray(buffer.getvalue())
    at = data.index(b"\xff\xc0") + 5
    data[at : at + 4] = struct.pack(">HH", 65000, 65000)
    (tmp_path / "a.jpg").write_bytes(data)
    assert "megapixels" in refused(tmp_path / "a.jpg")


@pytest.mark.slow
def test_a_large_page_passes_pillows_own_guard(tmp_path: Path) -> None:
    """100 MP is over Pillow's warning, and warnings are errors here."""
    path = tmp_path / "large.png"
    Image.new("1", (10_000, 10_000), 1).save(path)
    assert one(path).pixels.shape == (10_000, 10_000, 3)
    assert Image.MAX_IMAGE_PIXELS is not None


def test_pdf_budget(tmp_path: Path) -> None:
    _page(620, 877).save(tmp_path / "a.pdf", resolution=75)
    assert "megapixels" in refused(tmp_path / "a.pdf", budget_mp=0.1)
