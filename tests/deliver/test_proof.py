"""The proof: every removed speck lies in a ring, on dusty pages too."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from inkclean.deliver.pictures.proof import HEAD, HEIGHT, MARGIN, SURE, rings, write_proof
from inkclean.deliver.pictures.proof_checks import GAP_PX, HEAD_PX, SIDE_PX
from inkclean.ink.values import Ink, Pencil
from inkclean.sheet.check import check_capture
from inkclean.sheet.framing.frame import square_up, whole_frame
from inkclean.sheet.light import even_light
from inkclean.sheet.values import Photo


@pytest.mark.parametrize(("seed", "count"), [(1, 1), (2, 40), (3, 20_000)])
def test_every_mark_lies_in_a_ring_and_every_ring_holds_marks(seed: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    marks = np.concatenate(
        [rng.uniform(0, (1270, 1800), (count, 2)), rng.uniform(1, 20, (count, 1))], axis=1
    ).astype(np.float32)
    found = rings(marks)
    away = np.hypot(
        found[:, None, 0] - marks[None, :500, 0], found[:, None, 1] - marks[None, :500, 1]
    )
    assert (away + marks[None, :500, 2] / 2 <= found[:, None, 2] + 1e-3).any(axis=0).all()
    assert found[:, 3].sum() == count
    assert (found[:, 3] >= 1).all()
    # few enough to be drawn, small enough to show where
    assert len(found) <= min(count, 28 * 38)
    assert found[:, 2].max() <= 48 * np.sqrt(2) / 2 + 20


def test_marks_far_apart_have_rings_of_their_own() -> None:
    found = rings(np.array([[10, 10, 2], [300, 10, 30], [10, 400, 2]], np.float32))
    assert sorted(found.tolist()) == [[10, 10, 7, 1], [10, 400, 7, 1], [300, 10, 30, 1]]


def test_a_page_full_of_dust_is_ringed_to_its_lower_edge(tmp_path: Path) -> None:
    pixels = np.full((900, 600, 3), 240, np.uint8)
    photo = Photo(pixels, 100.0, "dusty")
    frame = whole_frame(photo)
    squared = square_up(photo, frame)
    sheet = even_light(squared.pixels, squared.px_per_mm, frame, squared.inside)
    y, x = (axis.ravel() for axis in np.mgrid[2:226:1.5, 2:150:1.5])
    removed = np.stack([x, y, np.full(len(x), 0.1)], axis=1).astype(np.float32)
    assert len(removed) > 10_000
    none = np.zeros(sheet.reflectance.shape[:2], np.float32)
    ink = Ink(none, sheet.px_per_mm, Pencil(False, (), 0.0, None, "none"), removed)
    write_proof(photo, sheet, ink, check_capture(sheet, photo), tmp_path / "proof.png")
    shown = np.asarray(Image.open(tmp_path / "proof.png").convert("RGB"))
    panel = shown[HEAD : HEAD + HEIGHT, 2 * MARGIN + 1200 : 2 * MARGIN + 2400]
    ringed = (panel == SURE).all(axis=2)
    for part in np.array_split(ringed, 9):
        assert part.mean() > 0.02


def test_places_to_check_are_numbered_and_shown_near_as_sheet_and_ink(tmp_path: Path) -> None:
    pixels = np.full((900, 600, 3), 240, np.uint8)
    pixels[298:302, 298:302] = 60  # a group of four specks on the sheet, none in the ink
    pixels[298:302, 306:310] = 60
    pixels[306:310, 298:302] = 60
    pixels[306:310, 306:310] = 60
    photo = Photo(pixels, 100.0, "quay")
    frame = whole_frame(photo)
    squared = square_up(photo, frame)
    sheet = even_light(squared.pixels, squared.px_per_mm, frame, squared.inside)
    scale = sheet.px_per_mm
    at = [(x / scale, y / scale, 1.0) for x in (300, 308) for y in (300, 308)]
    none = np.zeros(sheet.reflectance.shape[:2], np.float32)
    ink = Ink(none, scale, Pencil(False, (), 0.0, None, "none"), np.array(at, np.float32))
    write_proof(photo, sheet, ink, check_capture(sheet, photo), tmp_path / "proof.png")
    shown = np.asarray(Image.open(tmp_path / "proof.png").convert("L")).astype(int)
    left, top = 3 * MARGIN + 2400, HEAD + HEAD_PX
    before = shown[top : top + SIDE_PX, left : left + SIDE_PX]
    after = shown[top : top + SIDE_PX, left + SIDE_PX + GAP_PX : left + 2 * SIDE_PX + GAP_PX]
    # the four lie around the middle of the sheet's picture, and are gone from the ink's
    half = SIDE_PX // 2
    for part in (before[:half, :half], before[:half, half:], before[half:, :half]):
        assert (part < 110).sum() > 100
    assert after.min() > 240
