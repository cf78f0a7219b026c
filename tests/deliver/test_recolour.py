"""Layers in other colours: the same bytes as a page written in them to begin with."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from inkclean.base.errors import InputError
from inkclean.deliver.flats_recolour import colouring_after, recolour_files
from inkclean.deliver.layers.openraster import write_openraster
from inkclean.deliver.layers.stack import layered
from inkclean.flats.colour.colours import colour_areas
from inkclean.flats.colour.shade import shade_areas
from inkclean.flats.lettering.values import Lettering
from tests.flats.small_maps import cells, lined


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("merged", [False, True])
def test_the_bytes_are_those_of_a_page_written_anew(
    tmp_path: Path, seed: int, merged: bool
) -> None:
    random = np.random.default_rng(seed)
    flats = cells(25, 180, seed)
    ink = lined(flats)
    shading = shade_areas(flats, ink, 315) if seed % 2 else None
    kind = np.ones(ink.coverage.shape, np.uint8)
    kind[: 60 + seed, 40:90] = 2  # some of the ink is text, some a balloon's outline
    kind[100:140, 100:] = 3
    lettering = Lettering(kind, ink.px_per_mm)
    plain = colour_areas(flats)
    words = [
        f"name {row}" if row and random.random() < 0.7 else "" for row in range(len(plain.names))
    ]
    words[1] = "one"
    before = replace(plain, book=tuple(words))
    refers, colours, names = list(words), plain.palette.copy(), list(plain.names)
    if merged:
        words[2] = refers[2] = "one"
        refers[1] = "one"
    changed = [1, 2] if merged else [1]
    for row in changed:
        colours[row], names[row] = (200, 30, 60), "one"
    after, row_of = colouring_after(before, names, colours, refers)
    assert len(after.names) == len(plain.names) - merged
    old, new, fresh = (tmp_path / f"{name}.ora" for name in ("old", "new", "fresh"))
    write_openraster(layered(flats, before, ink, shading, lettering), old)
    sizes = flats.areas["size_mm2"].tolist()
    recolour_files(before, after, row_of.tolist(), sizes, old, {"ora": (old, new)})
    write_openraster(layered(flats, after, ink, shading, lettering), fresh)
    assert new.read_bytes() == fresh.read_bytes()
    assert new.read_bytes() != old.read_bytes()


def test_a_file_of_other_groups_is_refused_in_one_line(tmp_path: Path) -> None:
    flats = cells(25, 180, 1)
    ink, plain = lined(flats), colour_areas(flats)
    old = tmp_path / "old.ora"
    names = tuple(f"other {name}" for name in plain.names)
    write_openraster(layered(flats, replace(plain, names=names), ink), old)
    colours = plain.palette.copy()
    colours[1] = (1, 2, 3)
    after, row_of = colouring_after(plain, plain.names, colours, [""] * len(plain.names))
    sizes = flats.areas["size_mm2"].tolist()
    files = {"ora": (old, tmp_path / "new.ora")}
    with pytest.raises(InputError, match="is not as inkclean left it") as said:
        recolour_files(plain, after, row_of.tolist(), sizes, old, files)
    assert "\n" not in str(said.value)
