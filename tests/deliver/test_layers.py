from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from inkclean.base.arrays import F64
from inkclean.base.errors import OutputError
from inkclean.deliver.layers.composite import render_group
from inkclean.deliver.layers.folder import ORDER_LIST, write_layers
from inkclean.deliver.layers.stack import Stack, layered
from inkclean.flats.colour.colours import colour_areas
from inkclean.flats.colour.shade import shade_areas
from tests.flats.small_maps import cells, lined


def _stack() -> Stack:
    flats = cells(12, 120, 1)
    ink = lined(flats)
    return layered(flats, colour_areas(flats), ink, shade_areas(flats, ink, 0))


def _rows(folder: Path) -> list[dict[str, str]]:
    with (folder / ORDER_LIST).open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def _pixels(path: Path) -> F64:
    return np.asarray(Image.open(path).convert("RGBA"), np.float64) / 255


def test_every_layer_is_a_picture_of_the_whole_page(tmp_path: Path) -> None:
    write_layers(_stack(), tmp_path / "page.layers")
    rows = _rows(tmp_path / "page.layers")
    files = {path.name for path in (tmp_path / "page.layers").iterdir()}
    assert files == {row["file"] for row in rows} | {ORDER_LIST}
    for row in rows:
        with Image.open(tmp_path / "page.layers" / row["file"]) as picture:
            assert picture.size == (120, 120)
            assert picture.mode == "RGBA"
            assert picture.info["dpi"] == pytest.approx((101.6, 101.6), abs=0.05)
    assert sorted(files - {ORDER_LIST}) == [row["file"] for row in rows]


def test_laid_over_one_another_by_the_list_they_give_the_page(tmp_path: Path) -> None:
    stack = _stack()
    write_layers(stack, tmp_path / "a")
    canvas = np.zeros((120, 120, 3))
    flat: F64 | None = None
    group = ""
    for row in reversed(_rows(tmp_path / "a")):
        pixels = _pixels(tmp_path / "a" / row["file"])
        colour, alpha = pixels[..., :3], pixels[..., 3:]
        if row["group"] != group:
            group, flat = row["group"], None
        if row["layer"] == "flat":
            flat = alpha
        elif "clipped" in row["mode"]:
            assert flat is not None
            alpha = alpha * flat
        if row["mode"] == "multiply":
            colour = colour * canvas
        elif row["mode"] == "screen":
            colour = colour + canvas - colour * canvas
        canvas = colour * alpha + canvas * (1 - alpha)
    assert np.abs(canvas * 255 - render_group(stack)[..., :3]).max() <= 1.0


def test_a_folder_is_replaced_only_when_told(tmp_path: Path) -> None:
    folder = tmp_path / "a"
    write_layers(_stack(), folder)
    (folder / "mine.txt").write_text("x")
    with pytest.raises(OutputError, match="--replace"):
        write_layers(_stack(), folder)
    assert (folder / "mine.txt").exists()
    write_layers(_stack(), folder, replace=True)
    assert not (folder / "mine.txt").exists()
    assert [path.name for path in tmp_path.iterdir()] == ["a"]


def test_names_that_file_systems_refuse_are_made_safe(tmp_path: Path) -> None:
    from dataclasses import replace

    flats = cells(3, 40, 2)
    colouring = colour_areas(flats)
    wild = tuple(f'../{k}:*?"<>|\\' for k in range(len(colouring.names)))
    write_layers(layered(flats, replace(colouring, names=wild), lined(flats)), tmp_path / "a")
    names = [path.name for path in (tmp_path / "a").iterdir()]
    assert not [name for name in names if set(name) & set('/\\:*?"<>|')]
    assert [path.name for path in tmp_path.iterdir()] == ["a"]


def test_a_folder_that_cannot_be_written_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="could not be written") as caught:
        write_layers(_stack(), tmp_path / "file" / "a")
    assert "\n" not in str(caught.value)
