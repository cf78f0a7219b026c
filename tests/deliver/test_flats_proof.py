"""The proof of the flats: every bridge is on it, and what to check is ringed, nothing else."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from inkclean.base.errors import OutputError
from inkclean.deliver.pictures.flats_proof import write_flats_proof
from inkclean.deliver.pictures.proof import DOUBT, HEAD, HEIGHT, MARGIN, SURE
from inkclean.flats.colour.colours import colour_areas
from inkclean.flats.values import (
    AREA,
    BRIDGE,
    BRIDGED,
    CHECK,
    GAP,
    NEIGHBOURS,
    OPEN_GAP,
    Flats,
    no_rows,
)
from inkclean.ink.values import Ink, Pencil

SIDE_MM, PX_PER_MM = 60.0, 10.0
# x, y in mm of each bridge, and whether it is one of the places to check.
PLACES = ((15.0, 15.0, False), (45.0, 20.0, True), (20.0, 45.0, True))
OPEN_AT = (45.0, 45.0)


def _page() -> tuple[Flats, Ink]:
    """A page of one area with three bridges of 2 mm, all in doubt, two to check, and a gap."""
    side = round(SIDE_MM * PX_PER_MM)
    areas = np.zeros(1, AREA)
    areas["label"] = 1
    bridges = np.zeros(len(PLACES), BRIDGE)
    for bridge, (x, y, _) in zip(bridges, PLACES, strict=True):
        bridge["cubic"] = [(x - 1 + 2 * t, y) for t in np.linspace(0, 1, 4)]
        bridge["doubtful"] = True
    checks = np.zeros(3, CHECK)
    checks["kind"], checks["bridge"], checks["size_mm"] = BRIDGED, (1, 2, -1), 2.0
    checks["x_mm"], checks["y_mm"] = zip(*(p[:2] for p in PLACES[1:]), OPEN_AT, strict=True)
    checks["kind"][2] = OPEN_GAP
    gaps = np.zeros(2, GAP)
    gaps["check"] = 2, -1
    for gap, (x, y) in zip(gaps, (OPEN_AT, (30.0, 30.0)), strict=True):
        gap["cubic"] = [(x - 1 + 2 * t, y) for t in np.linspace(0, 1, 4)]
    labels = np.ones((side, side), np.uint16)
    flats = Flats(labels, PX_PER_MM, areas, no_rows(NEIGHBOURS), bridges, gaps, checks)
    coverage = np.zeros((side, side), np.float32)
    return flats, Ink(coverage, PX_PER_MM, Pencil(False, (), 0.0, None, "none"))


def _near(pixels: np.ndarray, colour: tuple[int, int, int], x: float, y: float) -> int:
    """Count pixels of a colour within 3 mm of a place on the page, which fills the panel."""
    scale = HEIGHT / SIDE_MM
    row, column = HEAD + round(y * scale), MARGIN + round(x * scale)
    reach = round(3 * scale)
    part = pixels[row - reach : row + reach, column - reach : column + reach]
    return int((part == np.array(colour)).all(axis=2).sum())


def test_bridges_are_drawn_where_they_lie_and_those_to_check_ringed(tmp_path: Path) -> None:
    flats, ink = _page()
    path = tmp_path / "quay.flats-proof.png"
    write_flats_proof("quay", flats, colour_areas(flats), ink, path)
    with Image.open(path) as picture:
        pixels = np.asarray(picture.convert("RGB"))
    for x, y, doubtful in PLACES:
        drawn, other = (DOUBT, SURE) if doubtful else (SURE, DOUBT)
        length = 2 * HEIGHT / SIDE_MM
        assert _near(pixels, drawn, x, y) > (8 if doubtful else 3) * length
        assert _near(pixels, other, x, y) == 0
    assert _near(pixels, DOUBT, *OPEN_AT) > 3 * length
    assert _near(pixels, DOUBT, 30.0, 30.0) == _near(pixels, SURE, 30.0, 30.0) == 0


def test_dust_under_the_cut_is_no_ink_there_either(tmp_path: Path) -> None:
    flats, ink = _page()
    ink.coverage[300:304, 300:304] = 0.4
    ink.coverage[400:404, 300:304] = 1.0
    path = tmp_path / "quay.flats-proof.png"
    write_flats_proof("quay", flats, colour_areas(flats), ink, path)
    with Image.open(path) as picture:
        pixels = np.asarray(picture.convert("L")).astype(int)
    step = HEIGHT / SIDE_MM / PX_PER_MM
    dust, dot, bare = (
        pixels[HEAD + round(y * step), MARGIN + round(302 * step)] for y in (302, 402, 350)
    )
    assert dust == bare
    assert dot < bare - 100


def test_what_stands_there_stays(tmp_path: Path) -> None:
    flats, ink = _page()
    path = tmp_path / "quay.flats-proof.png"
    path.write_bytes(b"mine")
    with pytest.raises(OutputError):
        write_flats_proof("quay", flats, colour_areas(flats), ink, path)
    assert path.read_bytes() == b"mine"
