"""OpenRaster by the letter of its specification, and by an independent reader.

The rules are those of the specification at openraster.org (file layout, layer stack), the
compositing formulas those of W3C Compositing and Blending Level 1.
"""

from __future__ import annotations

import struct
import zipfile
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from PIL import Image
from pyora import Project

from inkclean.base.arrays import F64, U8
from inkclean.base.errors import OutputError
from inkclean.deliver.layers.composite import lay_over, render_group
from inkclean.deliver.layers.openraster import thumbnail, write_openraster
from inkclean.deliver.layers.stack import Group, Layer, Stack, layered
from inkclean.deliver.pictures.bitmap import edge_alpha
from inkclean.flats.colour.colours import colour_areas
from inkclean.flats.colour.shade import shade_areas
from tests.flats.small_maps import cells, lined

SIDE = 180


def _stack(shade: float | None = None, seed: int = 1) -> Stack:
    flats = cells(25, SIDE, seed)
    ink = lined(flats)
    shading = None if shade is None else shade_areas(flats, ink, shade)
    return layered(flats, colour_areas(flats), ink, shading)


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("ora") / "plain.ora"
    write_openraster(_stack(), path)
    return path


@pytest.fixture(scope="module")
def shaded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("ora") / "shaded.ora"
    write_openraster(_stack(315), path)
    return path


def _image(path: Path, name: str) -> Image.Image:
    with zipfile.ZipFile(path) as archive:
        return Image.open(BytesIO(archive.read(name)))


def _tree(path: Path) -> ET.Element:
    with zipfile.ZipFile(path) as archive:
        return ET.fromstring(archive.read("stack.xml"))


def test_the_first_entry_says_what_it_is_and_is_stored(plain: Path) -> None:
    with zipfile.ZipFile(plain) as archive:
        first = archive.infolist()[0]
        assert first.filename == "mimetype"
        assert first.compress_type == zipfile.ZIP_STORED
        assert archive.read(first) == b"image/openraster"
    # readers look for it at a fixed place: local header of 30 bytes, then name, then text
    head = plain.read_bytes()[:54]
    assert head[:4] == b"PK\x03\x04"
    assert head[30:] == b"mimetypeimage/openraster"


def test_all_required_entries_are_there_once_and_safe(shaded: Path) -> None:
    with zipfile.ZipFile(shaded) as archive:
        assert archive.testzip() is None
        names = archive.namelist()
    assert len(set(names)) == len(names)
    assert {"mimetype", "stack.xml", "mergedimage.png", "Thumbnails/thumbnail.png"} <= set(names)
    for name in names:
        assert name.isascii()
        assert not name.startswith("/")
        assert ".." not in name
        assert "\\" not in name
    sources = {layer.get("src") for layer in _tree(shaded).iter("layer")}
    assert sources == {name for name in names if name.startswith("data/")}


def test_the_stack_is_declared_in_utf_8(plain: Path) -> None:
    with zipfile.ZipFile(plain) as archive:
        assert archive.read("stack.xml").startswith(b'<?xml version="1.0" encoding="UTF-8"?>')


def test_names_of_other_tongues_survive(tmp_path: Path) -> None:
    flats = cells(4, 60, 2)
    colouring = colour_areas(flats)
    names = ("paper", "Haut & Haar <hell>", *(f"肌 {k}" for k in range(len(colouring.names) - 2)))
    write_openraster(
        layered(flats, replace(colouring, names=names), lined(flats)), tmp_path / "a.ora"
    )
    found = {stack.get("name") for stack in _tree(tmp_path / "a.ora").iter("stack")}
    assert {names[row] for row in colouring.used} <= found


def test_size_and_resolution(plain: Path) -> None:
    image = _tree(plain)
    assert image.tag == "image"
    assert (image.get("w"), image.get("h")) == (str(SIDE), str(SIDE))
    assert image.get("version")
    assert image.get("xres") == image.get("yres") == "102"  # 4 px/mm · 25.4 = 101.6 px/in
    with zipfile.ZipFile(plain) as archive:
        merged = archive.read("mergedimage.png")
    at = merged.index(b"pHYs")
    assert struct.unpack(">IIB", merged[at + 4 : at + 13]) == (4000, 4000, 1)  # px/m


def test_layers_lie_in_the_order_of_the_trade(shaded: Path) -> None:
    page = _tree(shaded).find("stack")
    assert page is not None
    children = list(page)
    assert [child.tag for child in children[:2]] == ["layer", "layer"]
    assert (children[0].get("name"), children[1].get("name")) == ("glow", "lines")
    assert children[1].get("composite-op") == "svg:multiply"
    assert (children[-1].tag, children[-1].get("name")) == ("layer", "background")
    groups = children[2:-1]
    assert groups
    for group in groups:
        assert group.tag == "stack"
        assert group.get("isolation") == "isolate"
        assert group.get("name")
        assert [(layer.get("name"), layer.get("composite-op")) for layer in group] == [
            ("light", "svg:src-atop"),
            ("shade", "svg:src-atop"),
            ("flat", "svg:src-over"),
        ]


def test_thumbnail_is_small_8_bit_and_not_interlaced(plain: Path) -> None:
    with zipfile.ZipFile(plain) as archive:
        head = archive.read("Thumbnails/thumbnail.png")[16:29]
    width, height, bits, _, _, _, interlace = struct.unpack(">IIBBBBB", head)
    assert max(width, height) <= 256
    assert (bits, interlace) == (8, 0)


@pytest.mark.parametrize(
    ("shape", "size"),
    [
        ((1000, 500), (256, 128)),
        ((300, 3000), (26, 256)),
        ((90, 40), (90, 40)),
        ((9000, 3), (256, 1)),
    ],
)
def test_thumbnail_is_as_large_as_fits(shape: tuple[int, int], size: tuple[int, int]) -> None:
    assert thumbnail(np.zeros((*shape, 3), np.uint8)).shape[:2] == size


def test_layers_are_cropped_to_their_content(shaded: Path) -> None:
    for layer in _tree(shaded).iter("layer"):
        pixels = np.asarray(_image(shaded, str(layer.get("src"))))
        x, y = int(str(layer.get("x"))), int(str(layer.get("y")))
        assert x >= 0
        assert y >= 0
        assert x + pixels.shape[1] <= SIDE
        assert y + pixels.shape[0] <= SIDE
        if layer.get("name") in {"flat", "lines"}:
            seen = pixels[..., 3] > 0
            for edge in (seen[0], seen[-1], seen[:, 0], seen[:, -1]):
                assert edge.any()


def test_empty_layers_are_one_transparent_pixel(plain: Path) -> None:
    empty = [
        layer
        for layer in _tree(plain).iter("layer")
        if layer.get("name") in {"glow", "light", "shade"}
    ]
    assert len(empty) > 2
    for layer in empty:
        pixels = np.asarray(_image(plain, str(layer.get("src"))))
        assert pixels.shape == (1, 1, 4)
        assert not pixels.any()


def test_flats_have_hard_edges_and_one_colour(plain: Path) -> None:
    for layer in _tree(plain).iter("layer"):
        if layer.get("name") == "flat":
            pixels = np.asarray(_image(plain, str(layer.get("src"))))
            assert set(np.unique(pixels[..., 3])) <= {0, 255}
            assert len(np.unique(pixels[pixels[..., 3] == 255], axis=0)) == 1


@pytest.mark.parametrize("which", ["plain", "shaded"])
def test_an_independent_reader_composes_the_same_picture(
    which: str, request: pytest.FixtureRequest
) -> None:
    path = request.getfixturevalue(which)
    project = Project.load(str(path))
    composed = np.asarray(project.get_image_data(use_original=False).convert("RGBA"), np.int16)
    merged = np.asarray(_image(path, "mergedimage.png").convert("RGBA"), np.int16)
    assert np.abs(composed - merged).max() <= 1
    assert len(np.unique(merged.reshape(-1, 4), axis=0)) > 5


@pytest.mark.parametrize("which", ["plain", "shaded"])
def test_composing_again_by_the_formulas_gives_the_same_picture(
    which: str, request: pytest.FixtureRequest
) -> None:
    path = request.getfixturevalue(which)
    page = _tree(path).find("stack")
    assert page is not None
    canvas = _composed(page, path)
    merged = np.asarray(_image(path, "mergedimage.png").convert("RGBA"), np.float64)
    assert canvas[..., 3].min() == 1.0
    assert np.abs(canvas * 255 - merged).max() <= 1.0


def test_shade_stays_inside_its_colour(shaded: Path) -> None:
    page = _tree(shaded).find("stack")
    assert page is not None
    changed = 0.0
    for group in page.iter("stack"):
        if group is page:
            continue
        with_shade = _composed(group, shaded)
        light, shade, _ = list(group)
        group.remove(light)
        group.remove(shade)
        alone = _composed(group, shaded)
        np.testing.assert_array_equal(with_shade[..., 3], alone[..., 3])
        changed += np.abs(with_shade - alone).sum()
    assert changed > 0


def test_the_same_page_gives_the_same_bytes(shaded: Path, tmp_path: Path) -> None:
    write_openraster(_stack(315), tmp_path / "again.ora")
    assert (tmp_path / "again.ora").read_bytes() == shaded.read_bytes()


def test_a_result_is_not_written_over(plain: Path) -> None:
    before = plain.read_bytes()
    with pytest.raises(OutputError, match="--replace"):
        write_openraster(_stack(), plain)
    assert plain.read_bytes() == before
    assert [item.name for item in plain.parent.iterdir()] == [plain.name]


def test_nothing_is_bare_and_no_colour_is_foreign_beside_the_ink() -> None:
    flats = cells(25, SIDE, 1)
    colouring, ink = colour_areas(flats), lined(flats)
    merged = render_group(layered(flats, colouring, ink))
    off = ink.coverage == 0
    allowed = {tuple(colour) for colour in colouring.palette.tolist()}
    assert {tuple(colour) for colour in merged[off][:, :3].tolist()} <= allowed
    # under soft ink the colour is the palette's, darkened: never paler, as a bare rim would be
    flat = colouring.palette[colouring.of_area[flats.labels]].astype(np.float32)
    alpha = edge_alpha(ink.coverage, ink.px_per_mm, ink.px_per_mm * 25.4)[..., None] / 255.0
    assert np.abs(merged[..., :3] - flat * (1 - alpha)).max() <= 1.5
    assert (merged[ink.coverage == 1][:, :3] == 0).all()


def test_a_page_that_is_all_paper(tmp_path: Path) -> None:
    flats = cells(3, 40, 3)
    flats.areas["kind"] = 1
    bare = replace(flats, labels=np.ones((40, 40), np.uint16), areas=flats.areas[:1])
    bare = replace(bare, neighbours=flats.neighbours[:0])
    write_openraster(layered(bare, colour_areas(bare), lined(bare)), tmp_path / "bare.ora")
    project = Project.load(str(tmp_path / "bare.ora"))
    assert [child.name for child in project.children] == ["glow", "lines", "background"]


_TILE = arrays(np.uint8, (3, 4, 4), elements=st.integers(0, 255))


@given(under=_TILE, over=_TILE, op=st.sampled_from(["src-over", "multiply", "screen", "src-atop"]))
def test_every_operator_follows_its_formula(under: U8, over: U8, op: str) -> None:
    backdrop, source = under / 255.0, over / 255.0
    expected = _lay(backdrop, source, f"svg:{op}")
    planes = [np.moveaxis(tile, 2, 0).astype(np.float32) for tile in (backdrop, source)]
    for tile in planes:
        tile[:3] *= tile[3]
    lay_over(planes[0], planes[1], f"svg:{op}")  # type: ignore[arg-type]
    np.testing.assert_allclose(planes[0][3], expected[..., 3], atol=1e-5)
    straight = expected[..., :3] * expected[..., 3:]
    np.testing.assert_allclose(np.moveaxis(planes[0][:3], 0, 2), straight, atol=1e-5)


def test_many_tiles_compose_like_one() -> None:
    # larger than a tile, with half-transparent layers whose edges cross the seams
    random = np.random.default_rng(4)
    pixels = random.integers(0, 256, (300, 600, 4)).astype(np.uint8)
    from inkclean.deliver.layers.stack import Box

    whole = Box(0, 0, 300, 600)
    part = Box(100, 200, 290, 530)
    below = Layer("a", "svg:src-over", whole, lambda box: pixels[box.slices])
    above = Layer("b", "svg:screen", part, lambda box: pixels[::-1][box.slices].copy())
    glaze = Layer("c", "svg:src-atop", part, lambda box: pixels[:, ::-1][box.slices].copy())
    found = render_group(Stack(600, 300, 4.0, (Group("g", (glaze, below)), above)))
    canvas = np.zeros((300, 600, 4))
    canvas[part.slices] = pixels[::-1][part.slices] / 255.0
    group = pixels / 255.0
    group[part.slices] = _lay(
        group[part.slices], pixels[:, ::-1][part.slices] / 255.0, "svg:src-atop"
    )
    expected = _lay(canvas, group, "svg:src-over")
    visible = expected[..., 3:] > 0
    assert np.abs((found - expected * 255.0) * visible).max() <= 1.0


def _composed(stack: ET.Element, path: Path) -> F64:
    """Compose a stack element by the formulas, in plain floats, straight alpha."""
    canvas = np.zeros((SIDE, SIDE, 4))
    for child in reversed(list(stack)):
        if child.tag == "stack":
            source = _composed(child, path)
        else:
            pixels = np.asarray(_image(path, str(child.get("src"))).convert("RGBA")) / 255.0
            x, y = int(str(child.get("x"))), int(str(child.get("y")))
            source = np.zeros((SIDE, SIDE, 4))
            source[y : y + pixels.shape[0], x : x + pixels.shape[1]] = pixels
        canvas = _lay(canvas, source, str(child.get("composite-op")))
    return canvas


def _lay(backdrop: F64, source: F64, op: str) -> F64:
    """Return W3C compositing with straight colours: blend first, then the Porter-Duff rule."""
    cb, cs, ab, as_ = backdrop[..., :3], source[..., :3], backdrop[..., 3:], source[..., 3:]
    blended = {"svg:multiply": cb * cs, "svg:screen": cb + cs - cb * cs}.get(op, cs)
    mixed = (1 - ab) * cs + ab * blended
    if op == "svg:src-atop":
        out, alpha = as_ * ab * mixed + ab * cb * (1 - as_), ab
    else:
        out, alpha = as_ * mixed + ab * cb * (1 - as_), as_ + ab * (1 - as_)
    colour = np.divide(out, alpha, out=np.zeros_like(out), where=alpha > 0)
    return np.concatenate([colour, alpha], axis=2)
