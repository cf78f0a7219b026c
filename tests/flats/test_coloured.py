"""What was drawn in colour alone is an area of its own; underdrawing and washes are none."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import U8, Bool
from inkclean.flats.coloured import coloured
from inkclean.flats.find import find_flats
from inkclean.flats.prepared import prepare
from inkclean.flats.values import BACKGROUND, FIGURE, FlatEdits, Flats
from inkclean.ink.values import Ink, Pencil
from inkclean.page import Page
from inkclean.sheet.read import read_photo

PX_PER_MM = 10.0
SIDE = 1000  # px: 100 mm
HALF = 2  # px of the ink that one of the colour's measures
LEG = slice(620, 860), slice(450, 550)


def _page(draw: Callable[[U8], None]) -> Ink:
    """Return a round body in ink, and colour that is drawn at the ink's resolution."""
    line, colour = np.zeros((2, SIDE, SIDE), np.uint8)
    cv2.circle(line, (500, 400), 220, 255, 5, cv2.LINE_AA)
    draw(colour)
    laid: Bool = cv2.resize(colour, None, fx=1 / HALF, fy=1 / HALF) > 127
    pencil = Pencil(bool(laid.any()), (), float(laid.mean()), None, "", laid)
    return Ink(np.asarray(line / np.float32(255), np.float32), PX_PER_MM, pencil)


def _body_and_leg(colour: U8) -> None:
    cv2.circle(colour, (500, 400), 215, 255, -1)
    colour[LEG] = 255


def _leg_of(flats: Flats) -> tuple[int, float]:
    """Return the kind of area in the leg's middle, and its overlap with the leg."""
    leg = np.zeros(flats.labels.shape, bool)
    leg[LEG] = True
    label = int(flats.labels[740, 500])
    found = flats.labels == label
    return int(flats.areas["kind"][label - 1]), float((found & leg).sum() / (found | leg).sum())


def test_a_limb_in_colour_alone_is_an_area() -> None:
    ink = _page(_body_and_leg)
    kind, overlap = _leg_of(find_flats(ink))
    assert kind == FIGURE
    assert overlap > 0.95


def test_no_sliver_lies_between_the_line_and_the_colour() -> None:
    labels = find_flats(_page(_body_and_leg)).labels
    column = labels[:, 500]
    seen = column[np.flatnonzero(np.diff(column.astype(int), prepend=-1))]
    assert len(seen) == 4  # background, body, leg, background
    assert seen[0] == seen[3]


def test_an_edit_gives_what_a_full_run_gives() -> None:
    ink = _page(_body_and_leg)
    prepared = prepare(ink)
    find_flats(ink, prepared=prepared)
    edits = FlatEdits(splits=(((46.0, 72.0), (50.0, 74.0), (54.0, 72.0)),))
    again = find_flats(ink, edits=edits, prepared=prepared).labels
    assert (again == find_flats(ink, edits=edits).labels).all()


def test_the_box_reaches_around_colour_far_below_the_ink() -> None:
    def far(colour: U8) -> None:
        _body_and_leg(colour)
        colour[600:960, 450:550] = 255

    labels = find_flats(_page(far)).labels
    assert labels[940, 500] == labels[740, 500]
    assert labels[990, 500] == labels[0, 0]


def _underdrawing(colour: U8) -> None:
    for at in range(100, 900, 60):
        cv2.line(colour, (at, 50), (1000 - at, 950), 255, 12)


def _wash(colour: U8) -> None:
    rng = np.random.default_rng(5)
    for _ in range(300):
        x, y = rng.integers(0, SIDE, 2)
        cv2.line(colour, (int(x), int(y)), (int(x + 90), int(y + 12)), 255, 18)
    colour[700:760, 200:800] = 255


def _strayed(colour: U8) -> None:
    cv2.circle(colour, (520, 400), 245, 255, -1)


def _inside(colour: U8) -> None:
    cv2.circle(colour, (500, 400), 100, 255, -1)


@pytest.mark.parametrize("draw", [_underdrawing, _wash, _strayed, _inside])
def test_what_bounds_nothing(draw: Callable[[U8], None]) -> None:
    ink = _page(draw)
    assert coloured(ink) is None
    bare = find_flats(Ink(ink.coverage, PX_PER_MM, Pencil(False, (), 0.0, None, "")))
    assert (find_flats(ink).labels == bare.labels).all()


def test_a_crayon_page_from_its_photo(tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    photo = np.full((SIDE, SIDE, 3), 235.0)
    grain = cv2.GaussianBlur(rng.normal(size=(SIDE, SIDE)), (0, 0), 1.5) * 60
    crayon = np.zeros((SIDE, SIDE), np.uint8)
    _body_and_leg(crayon)
    orange = np.array([60.0, 140.0, 235.0]) + grain[..., None].clip(0, 60)  # blue, green, red
    photo = np.where(crayon[..., None] > 0, orange, photo)
    line = np.zeros((SIDE, SIDE), np.uint8)
    cv2.circle(line, (500, 400), 220, 255, 5, cv2.LINE_AA)
    photo = photo * (1 - line[..., None] / 255) + 20 * (line[..., None] / 255)
    path = tmp_path / "crayon.png"
    cv2.imwrite(str(path), photo.clip(0, 255).astype(np.uint8))
    page = Page(read_photo(path))
    flats = page.flats()
    kind, overlap = _leg_of(flats)
    assert kind == FIGURE
    assert overlap > 0.9
    corner = int(flats.labels[5, 5])
    assert flats.areas["kind"][corner - 1] == BACKGROUND
