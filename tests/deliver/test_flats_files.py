"""Palette PNG, label map and SVG of the flats, read by other programs' code."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
import resvg_py
from PIL import Image

from inkclean.base.arrays import U8
from inkclean.curves.values import Curves
from inkclean.deliver.flats_files import write_areas_png, write_flats_png
from inkclean.deliver.pictures.png import label_png, palette_png, picture_png
from inkclean.deliver.vector.flats_svg import flats_svg, write_flats_svg
from inkclean.flats.colour.colours import Colouring, colour_areas
from inkclean.flats.values import Flats
from tests.flats.small_maps import cells

SVG = "{http://www.w3.org/2000/svg}"


def _no_curves(flats: Flats) -> Curves:
    height, width = flats.labels.shape
    return Curves(
        np.zeros((0, 4, 2)),
        np.zeros(1, np.int64),
        np.zeros(0, np.int32),
        np.zeros(0, np.bool_),
        np.zeros(0, np.bool_),
        np.zeros(0, np.bool_),
        width / flats.px_per_mm,
        height / flats.px_per_mm,
    )


def _square(flats: Flats, at: float, side: float) -> Curves:
    corners = np.array([[at, at], [at + side, at], [at + side, at + side], [at, at + side]])
    ends = np.roll(corners, -1, axis=0)
    thirds = np.linspace(0, 1, 4)[None, :, None]
    cubics = corners[:, None] * (1 - thirds) + ends[:, None] * thirds
    flags = np.ones(4, np.bool_)
    bare = _no_curves(flats)
    one = np.zeros(1, np.int32)
    return replace(
        bare,
        cubics=cubics,
        loops=np.array([0, 4]),
        shape=one,
        hole=np.zeros(1, np.bool_),
        corner=flags,
        straight=flags,
    )


def _rendered(svg: str, flats: Flats, scale: float = 1.0) -> U8:
    width = round(flats.labels.shape[1] * scale)
    png = bytes(resvg_py.svg_to_bytes(svg_string=svg, width=width, dpi=96))
    return np.asarray(Image.open(BytesIO(png)).convert("RGBA"))


@pytest.mark.parametrize("colours", [1, 2, 3, 4, 5, 16, 17, 200, 256])
@pytest.mark.parametrize("width", [1, 7, 64])
def test_palette_png_holds_every_pixel_at_every_depth(colours: int, width: int) -> None:
    random = np.random.default_rng(colours)
    index = random.integers(0, colours, (9, width)).astype(np.uint8)
    palette = random.integers(0, 256, (colours, 3)).astype(np.uint8)
    with Image.open(BytesIO(palette_png(index, palette, 11.811))) as picture:
        assert picture.mode == "P"
        assert picture.info["dpi"] == pytest.approx((300, 300), abs=0.02)
        np.testing.assert_array_equal(np.asarray(picture), index)
        np.testing.assert_array_equal(np.asarray(picture.convert("RGB")), palette[index])


def test_label_map_is_16_bit_and_exact() -> None:
    labels = np.random.default_rng(0).integers(0, 65536, (20, 31)).astype(np.uint16)
    with Image.open(BytesIO(label_png(labels, 23.622))) as picture:
        assert picture.mode == "I;16"
        assert picture.info["dpi"] == pytest.approx((600, 600), abs=0.02)
        np.testing.assert_array_equal(np.asarray(picture), labels)


@pytest.mark.parametrize("channels", [3, 4])
def test_pictures_keep_their_channels_in_order(channels: int) -> None:
    pixels = np.random.default_rng(0).integers(0, 256, (8, 9, channels)).astype(np.uint8)
    with Image.open(BytesIO(picture_png(pixels, 10))) as picture:
        np.testing.assert_array_equal(np.asarray(picture), pixels)


def test_flats_png_shows_the_palette_and_nothing_else(tmp_path: Path) -> None:
    flats = cells(60, 200, 1)
    colouring = colour_areas(flats)
    write_flats_png(flats, colouring, tmp_path / "a.flats.png")
    with Image.open(tmp_path / "a.flats.png") as picture:
        assert picture.mode == "P"
        pixels = np.asarray(picture.convert("RGB"))
    np.testing.assert_array_equal(pixels, colouring.palette[colouring.of_area[flats.labels]])


def test_areas_png_is_the_label_map(tmp_path: Path) -> None:
    flats = cells(60, 200, 1)
    write_areas_png(flats, tmp_path / "a.areas.png")
    with Image.open(tmp_path / "a.areas.png") as picture:
        np.testing.assert_array_equal(np.asarray(picture), flats.labels)


def test_svg_has_one_path_for_each_area_under_the_ink(tmp_path: Path) -> None:
    flats = cells(60, 200, 1)
    write_flats_svg(flats, colour_areas(flats), _square(flats, 10, 5), tmp_path / "a.svg")
    root = ET.parse(tmp_path / "a.svg").getroot()
    assert root.get("width") == "50mm"
    assert root.get("viewBox") == "0 0 50000 50000"
    groups = [item for item in root if item.tag != f"{SVG}defs"]
    assert [item.get("id") for item in groups] == ["background", "flats", "ink"]
    paths = groups[1].findall(f"{SVG}path")
    assert [path.get("id") for path in paths] == [f"area-{k}" for k in flats.areas["label"]]


@pytest.mark.parametrize("scale", [1.0, 0.5, 3.0])
def test_svg_leaves_nothing_bare_and_adds_no_colour(scale: float) -> None:
    flats = cells(60, 200, 2)
    colouring = colour_areas(flats)
    # a background no area has, so that any slit shows
    tell = Colouring(
        np.concatenate([[[255, 0, 255]], colouring.palette]).astype(np.uint8),
        ("tell", *colouring.names),
        (colouring.of_area + 1).astype(np.uint8),
    )
    pixels = _rendered(flats_svg(flats, tell, _no_curves(flats)), flats, scale)
    assert (pixels[..., 3] == 255).all()
    found = {tuple(colour) for colour in np.unique(pixels[..., :3].reshape(-1, 3), axis=0).tolist()}
    assert found <= {tuple(colour) for colour in colouring.palette.tolist()}


def test_svg_shows_each_area_where_it_is() -> None:
    flats = cells(40, 200, 3)
    colouring = colour_areas(flats)
    pixels = _rendered(flats_svg(flats, colouring, _no_curves(flats)), flats)[..., :3]
    expected = colouring.palette[colouring.of_area[flats.labels]]
    wrong = (pixels != expected).any(axis=2)
    # smoothed borders may move by less than a pixel: the errors are borders, no area
    assert wrong.mean() < 0.02
    inner = np.ones_like(wrong)
    for shift in (-1, 1):
        for axis in (0, 1):
            inner &= np.roll(flats.labels, shift, axis) == flats.labels
    assert not (wrong & inner).any()


def test_svg_lays_the_ink_on_top() -> None:
    flats = cells(40, 200, 3)
    svg = flats_svg(flats, colour_areas(flats), _square(flats, 10, 20))
    pixels = _rendered(svg, flats)[..., :3]
    assert (pixels[42:118, 42:118] == 0).all()
    assert (pixels[:38].max(axis=2) > 0).all()
