"""Colour under the lines: reading, flattening, inks and their sum."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image, ImageCms
from pyora import Project

from inkclean.base.arrays import U8
from inkclean.base.errors import InputError
from inkclean.deliver.layers.flatten import (
    OPERATORS,
    ReadLayer,
    ReadStack,
    compose,
    flatten_stack,
    flattened,
    on_white,
)
from inkclean.deliver.layers.read import read_colour
from inkclean.deliver.layers.under import UnderColour
from inkclean.deliver.press.colour import check_total_ink, colour_of, read_profile, to_cmyk
from tests.deliver.press_profile import cmyk_profile


def _plain(rgba: tuple[int, int, int, int], size: tuple[int, int] = (8, 6)) -> U8:
    return np.full((size[1], size[0], 4), rgba, np.uint8)


def _png(pixels: U8) -> bytes:
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "PNG")
    return out.getvalue()


def _ora(path: Path, stack: str, pictures: dict[str, U8], size: tuple[int, int] = (8, 6)) -> Path:
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("mimetype", "image/openraster")
        head = f'<image version="0.0.6" w="{size[0]}" h="{size[1]}">'
        archive.writestr("stack.xml", f"<?xml version='1.0'?>{head}{stack}</image>")
        for name, pixels in pictures.items():
            archive.writestr(name, _png(pixels))
    return path


# per operator: encoded values of backdrop and source, both opaque, and the result, worked by
# hand from the formulas of W3C Compositing and Blending Level 1
WORKED = [
    ("svg:multiply", 0.5, 0.4, 0.2),
    ("svg:screen", 0.5, 0.4, 0.7),
    ("svg:overlay", 0.25, 0.4, 0.2),
    ("svg:overlay", 0.75, 0.4, 0.7),
    ("svg:darken", 0.5, 0.4, 0.4),
    ("svg:lighten", 0.5, 0.4, 0.5),
    ("svg:color-dodge", 0.3, 0.4, 0.5),
    ("svg:color-burn", 0.8, 0.4, 0.5),
    ("svg:hard-light", 0.5, 0.25, 0.25),
    ("svg:hard-light", 0.5, 0.75, 0.75),
    ("svg:soft-light", 0.5, 0.25, 0.375),
    ("svg:soft-light", 0.64, 0.75, 0.72),
    ("svg:difference", 0.5, 0.4, 0.1),
    ("svg:plus", 0.5, 0.4, 0.9),
    ("svg:src-over", 0.5, 0.4, 0.4),
    ("svg:src-atop", 0.5, 0.4, 0.4),
    ("svg:dst-atop", 0.5, 0.4, 0.5),
    ("svg:dst-in", 0.5, 0.4, 0.5),
]


@pytest.mark.parametrize(("operator", "below", "above", "result"), WORKED)
def test_operators_give_the_worked_values(
    operator: str, below: float, above: float, result: float
) -> None:
    backdrop = np.array([[[below] * 3 + [1.0]]], np.float32)
    compose(backdrop, np.array([[[above] * 3 + [1.0]]], np.float32), operator)
    assert backdrop[0, 0] == pytest.approx([result] * 3 + [1.0], abs=1e-6)


@pytest.mark.parametrize("operator", sorted(OPERATORS - {"svg:plus"}))
def test_a_source_of_no_alpha_changes_nothing_but_what_it_masks(operator: str) -> None:
    backdrop = np.array([[[0.3, 0.2, 0.1, 0.5]]], np.float32)
    before = backdrop.copy()
    compose(backdrop, np.zeros((1, 1, 4), np.float32), operator)
    masks = operator in ("svg:dst-in", "svg:dst-atop")
    assert backdrop[0, 0] == pytest.approx(np.zeros(4) if masks else before[0, 0], abs=1e-6)


def test_half_a_colour_over_half_another() -> None:
    """Source-over and multiply at alpha 1/2 each, worked by hand from the general formula."""
    for operator, wanted in (("svg:src-over", 0.4), ("svg:multiply", 0.26)):
        backdrop = np.array([[[0.2 * 0.5] * 3 + [0.5]]], np.float32)
        compose(backdrop, np.array([[[0.7 * 0.5] * 3 + [0.5]]], np.float32), operator)
        # over: .35 + .1·.5 = .4; multiply: .35·.5 + .25·(.2·.7) + .1·.5 = .26
        assert backdrop[0, 0, 0] == pytest.approx(wanted)
        assert backdrop[0, 0, 3] == pytest.approx(0.75)


def test_isolated_stacks_are_composed_by_themselves() -> None:
    white, grey = _plain((255, 255, 255, 255)), _plain((128, 128, 128, 255))
    multiply = ReadLayer("m", grey, operator="svg:multiply")
    floor = ReadLayer("f", _plain((200, 100, 50, 255)))
    through = ReadStack((ReadStack((multiply,)), floor))
    alone = ReadStack((ReadStack((multiply,), isolated=True), floor))
    faint = ReadStack((ReadStack((multiply, ReadLayer("w", white)), opacity=0.5), floor))
    assert on_white(flatten_stack(through, 6, 8))[0, 0].tolist() == [100, 50, 25]
    assert on_white(flatten_stack(alone, 6, 8))[0, 0].tolist() == [128, 128, 128]
    assert on_white(flatten_stack(faint, 6, 8))[0, 0].tolist() == [164, 114, 89]


def test_openraster_layers_offsets_opacity_visibility_and_lines_left_out(tmp_path: Path) -> None:
    pictures = {
        "data/ground.png": _plain((200, 100, 50, 255)),
        "data/patch.png": _plain((0, 0, 255, 255), (3, 2)),
        "data/lines.png": _plain((0, 0, 0, 255)),
        "data/hidden.png": _plain((0, 255, 0, 255)),
    }
    stack = (
        "<stack><layer name='lines' src='data/lines.png' composite-op='svg:multiply'/>"
        "<layer name='no' src='data/hidden.png' visibility='hidden'/>"
        "<stack name='group'><layer name='patch' src='data/patch.png' x='4' y='1' opacity='0.5'/>"
        "</stack><layer name='ground' src='data/ground.png'/></stack>"
    )
    colour = read_colour(_ora(tmp_path / "page.ora", stack, pictures))
    assert not colour.cmyk
    assert colour.pixels.shape == (6, 8, 3)
    wanted = np.full((6, 8, 3), (200, 100, 50), np.uint8)
    wanted[1:3, 4:7] = (100, 50, 152)
    assert np.abs(colour.pixels.astype(int) - wanted).max() <= 1
    assert "1 layer of lines left out" in colour.notes[0]


def test_another_library_flattens_an_openraster_alike(tmp_path: Path) -> None:
    """Against pyora's own renderer, on layers of random colour and alpha."""
    rng = np.random.default_rng(8)
    project: Any = Project.new(40, 30)
    for number, operator in enumerate(
        ("svg:src-over", "svg:src-over", "svg:multiply", "svg:screen", "svg:src-over")
    ):
        pixels = rng.integers(0, 256, (30, 40, 4), dtype=np.uint8)
        if number == 0:
            pixels[..., 3] = 255
        layer = project.add_layer(Image.fromarray(pixels), f"layer {number}", opacity=0.7)
        if number == 0:
            layer.opacity = 1.0
        layer.composite_op = operator
    path = tmp_path / "other.ora"
    project.save(str(path))
    theirs = np.asarray(project.get_image_data(use_original=False).convert("RGB"), int)
    ours = read_colour(path).pixels.astype(int)
    assert np.abs(ours - theirs).max() <= 3
    assert np.abs(ours - theirs).mean() < 1


def test_an_operator_that_is_not_known_takes_the_merged_picture(tmp_path: Path) -> None:
    stack = "<stack><layer name='a' src='data/a.png' composite-op='svg:hue'/></stack>"
    pictures = {"data/a.png": _plain((9, 9, 9, 255)), "mergedimage.png": _plain((7, 8, 9, 255))}
    colour = read_colour(_ora(tmp_path / "page.ora", stack, pictures))
    assert colour.pixels[0, 0].tolist() == [7, 8, 9]
    assert "svg:hue" in colour.notes[0]


def test_a_folder_of_layers_lies_lowest_first_by_number(tmp_path: Path) -> None:
    Image.fromarray(_plain((10, 20, 30, 255))).save(tmp_path / "2 ground.png")
    top = _plain((250, 0, 0, 255))
    top[:3, :, 3] = 0
    Image.fromarray(top).save(tmp_path / "10 top.png")
    Image.fromarray(_plain((0, 0, 0, 255))).save(tmp_path / "Lines.png")
    (tmp_path / "notes.txt").write_text("not a layer")
    colour = read_colour(tmp_path)
    assert colour.pixels[0, 0].tolist() == [10, 20, 30]
    assert colour.pixels[5, 0].tolist() == [250, 0, 0]
    assert "2 layers flattened" in colour.notes[0]


def test_a_folder_with_its_order_keeps_groups_and_modes(tmp_path: Path) -> None:
    shade = _plain((0, 0, 0, 128))
    flat = _plain((200, 100, 50, 255))
    flat[:, 4:, 3] = 0
    for name, pixels in (
        ("1.png", _plain((0, 0, 0, 255))),
        ("2.png", shade),
        ("3.png", flat),
        ("4.png", _plain((255, 255, 255, 255))),
    ):
        Image.fromarray(pixels).save(tmp_path / name)
    (tmp_path / "order.csv").write_text(
        "file,layer,group,mode\n1.png,lines,,multiply\n"
        '2.png,shade,coat,"normal, clipped to the flat of its group"\n'
        "3.png,flat,coat,normal\n4.png,background,,normal\n"
    )
    pixels = read_colour(tmp_path).pixels.astype(int)
    assert np.abs(pixels[0, 0] - [100, 50, 25]).max() <= 1, "shaded inside the flat"
    assert pixels[0, 6].tolist() == [255, 255, 255], "and not outside"


def test_alpha_comes_onto_white_and_profiles_are_honoured(tmp_path: Path) -> None:
    half = tmp_path / "half.png"
    Image.fromarray(_plain((255, 0, 0, 128))).save(half)
    assert np.abs(read_colour(half).pixels[0, 0].astype(int) - [255, 127, 127]).max() <= 1
    inks = tmp_path / "inks.tif"
    Image.new("CMYK", (4, 4), (10, 20, 30, 40)).save(inks)
    colour = read_colour(inks)
    assert colour.cmyk
    assert colour.pixels[0, 0].tolist() == [10, 20, 30, 40]


def test_bad_files_are_refused_in_one_line(tmp_path: Path) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    mixed = tmp_path / "mixed"
    mixed.mkdir()
    Image.new("RGB", (4, 4)).save(mixed / "a.png")
    Image.new("RGB", (5, 4)).save(mixed / "b.png")
    text = tmp_path / "text.png"
    text.write_bytes(b"nothing of a picture")
    cut = tmp_path / "cut.png"
    cut.write_bytes(_png(np.random.default_rng(0).integers(0, 255, (50, 50, 3), np.uint8))[:900])
    deep = tmp_path / "deep.png"
    Image.fromarray(np.zeros((4, 4), np.uint16)).save(deep)
    other = tmp_path / "other.ora"
    with zipfile.ZipFile(other, "w") as archive:
        archive.writestr("hello.txt", "hello")
    layer = "<stack><layer name='a' src='data/none.png'/></stack>"
    lost = _ora(tmp_path / "lost.ora", layer, {})
    bomb = tmp_path / "bomb.ora"
    with zipfile.ZipFile(bomb, "w") as archive:
        archive.writestr("mimetype", "image/openraster")
        archive.writestr("stack.xml", "<!DOCTYPE x [<!ENTITY a 'b'>]><image w='1' h='1'/>")
    odd = _ora(tmp_path / "odd.ora", "<stack><layer opacity='much' src='x'/></stack>", {})
    big = _ora(tmp_path / "big.ora", "<stack/>", {}, (100_000, 100_000))
    for path in (empty, mixed, text, cut, deep, other, lost, bomb, odd, big, tmp_path / "none"):
        with pytest.raises(InputError) as refused:
            read_colour(path)
        assert "\n" not in str(refused.value), path
        assert path.name in str(refused.value)
    with pytest.raises(InputError, match="larger than"):
        read_colour(mixed / "a.png", budget_mp=1e-5)


def test_only_a_presss_profile_will_do(tmp_path: Path) -> None:
    good = tmp_path / "press.icc"
    good.write_bytes(cmyk_profile("Coated, test"))
    assert read_profile(good).name == "Coated, test"
    screen = tmp_path / "screen.icc"
    screen.write_bytes(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    with pytest.raises(InputError, match="not of a CMYK press"):
        read_profile(screen)
    for name in ("broken.icc", "none.icc"):
        with pytest.raises(InputError, match="not an ICC profile"):
            (tmp_path / "broken.icc").write_bytes(b"not a profile" * 30)
            read_profile(tmp_path / name)


def test_colours_turn_to_inks_once(tmp_path: Path) -> None:
    path = tmp_path / "press.icc"
    path.write_bytes(cmyk_profile())
    profile = read_profile(path)
    pixels = np.zeros((1, 3, 3), np.uint8)
    pixels[0] = [(255, 255, 255), (0, 0, 0), (255, 255, 0)]
    inks = to_cmyk(UnderColour(pixels), profile)
    assert inks.cmyk
    assert inks.pixels[0, 0].tolist() == [0, 0, 0, 0]
    assert inks.pixels[0, 1].sum() > 2.8 * 255
    assert inks.pixels[0, 2].argmax() == 2
    assert to_cmyk(inks, profile) is inks


def test_total_ink_is_summed_and_held_against_the_limit() -> None:
    pixels = np.zeros((10, 10, 4), np.uint8)
    pixels[:, :5] = (255, 255, 204, 0)  # 280 per cent
    colour = UnderColour(pixels)
    assert check_total_ink(colour, None, 280).verdict == "passes"
    newsprint = check_total_ink(colour, None, 200)
    assert newsprint.verdict == "fails"
    assert "280 % at most" in newsprint.measured
    assert "50.00%" in newsprint.measured
    lines = np.zeros((10, 10), np.bool_)
    lines[0, 0] = True
    over = check_total_ink(colour, lines, 280)
    assert over.verdict == "fails"
    assert "380 % at most (280 % without the lines)" in over.measured
    assert "under the blacks" in over.cure
    # black that is there already is not added twice
    pixels[0, 0] = (10, 10, 10, 255)
    assert check_total_ink(UnderColour(pixels), lines, 300).verdict == "passes"


def test_rgb_has_no_sum_of_inks() -> None:
    finding = check_total_ink(UnderColour(np.zeros((2, 2, 3), np.uint8)), None, 280)
    assert finding.verdict == "look"
    assert "the printer's profile" in finding.cure


def _random_stack(random: np.random.Generator, deep: int) -> ReadStack:
    """Return layers and stacks of every operator, some faint, some empty, some all or nothing."""
    known = sorted(OPERATORS)

    def child() -> ReadLayer | ReadStack:
        if deep and random.random() < 0.4:
            return _random_stack(random, deep - 1)
        height, width = random.integers(1, 150, 2)
        pixels = random.integers(0, 256, (height, width, 4)).astype(np.uint8)
        kind = random.integers(0, 3)
        if kind < 2:
            pixels[..., 3] = np.where(pixels[..., 3] > 120, 255 * kind, 0)
        x, y = (int(v) for v in random.integers(-60, 120, 2))
        operator = str(random.choice([*known, *["svg:src-over"] * len(known)]))
        return ReadLayer("a", pixels, x, y, float(random.choice([1.0, 0.5])), operator)

    operator = str(random.choice([*known, *["svg:src-over"] * len(known)]))
    children = tuple(child() for _ in range(random.integers(1, 5)))
    opacity, alone = float(random.choice([1.0, 0.7])), bool(random.random() < 0.5)
    return ReadStack(children, "g", opacity, operator, alone)


def test_what_is_composed_in_parts_is_the_same_as_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    random = np.random.default_rng(7)
    for _ in range(40):
        stack = _random_stack(random, 2)
        made = []
        for tile in (16, 256):
            monkeypatch.setattr("inkclean.deliver.layers.flatten._TILE", tile)
            made.append(flatten_stack(stack, 130, 140))
        np.testing.assert_array_equal(made[0], made[1])
        np.testing.assert_array_equal(flattened(stack, 130, 140), on_white(made[1]))


def test_colour_read_again_is_read_anew_if_its_file_changed(tmp_path: Path) -> None:
    path = tmp_path / "page.png"
    for level in (40, 200):
        Image.fromarray(np.full((30, 20, 3), level, np.uint8)).save(path)
        first = colour_of(path, 300.0, None)
        assert first is colour_of(path, 300.0, None)
        assert (first.pixels == level).all()
        with pytest.raises(ValueError, match="read-only"):
            first.pixels[0, 0] = 0
        path.unlink()
