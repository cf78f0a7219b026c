"""Lettering told apart from the art: what is found, what no finding may break, moves by hand."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from inkclean.base.arrays import U8
from inkclean.base.errors import InputError
from inkclean.flats.lettering.counters import written
from inkclean.flats.lettering.edits import (
    LetterEdits,
    Move,
    letter_edits_record,
    read_letter_edits,
)
from inkclean.flats.lettering.find import find_lettering, sort_lettering
from inkclean.flats.lettering.values import ART, BALLOON, NOTHING, TEXT, Lettering
from inkclean.ink.values import Ink, Pencil
from tests.lettering import pages, textures, words
from tests.lettering.thoughts import thoughts_and_blacks

FONTS = Path("/usr/share/fonts")
# Debian's fonts-comic-neue (OFL) and fonts-tomsontalks; neither had a part in fitting.
FREE = ("opentype/comic-neue/ComicNeue-Regular.otf", "truetype/tomsontalks/TomsonTalks.ttf")
PX_PER_MM = pages.PX_PER_MM


@cache
def strokes_board(seed: int) -> pages.Board:
    return pages.board(seed, [words.of_strokes], None, bare=0.0)


def _sorted(board: pages.Board, edits: LetterEdits | None = None) -> Lettering:
    return sort_lettering(find_lettering(board.ink), board.ink, edits or LetterEdits())


def _shares(board: pages.Board, found: Lettering) -> dict[str, float]:
    text, art = board.kind == pages.TEXT, board.kind == textures.ART
    outline = board.kind == pages.BALLOON
    return {
        "text": float((found.kind[text] == TEXT).mean()),
        "art": float((found.kind[art] != ART).mean()),
        "balloons": float((found.kind[outline] == BALLOON).mean()),
    }


@pytest.mark.slow(4)
@pytest.mark.parametrize("seed", [2, 5, 9])
def test_lettering_of_pages_in_our_own_alphabet_is_found(seed: int) -> None:
    board = strokes_board(seed)
    found = _shares(board, _sorted(board))
    assert found["text"] > 0.9
    assert found["art"] < 0.03
    assert found["balloons"] > 0.9


@pytest.mark.parametrize("seed", [3, 5])
def test_thoughts_with_their_bubbles_and_black_boxes_are_found(seed: int) -> None:
    size = 100.0, 120.0
    board = pages.board(
        seed, [words.of_strokes], None, size_mm=size, bare=0.0, more=thoughts_and_blacks
    )
    found = _sorted(board)
    for own in (board.black, board.bubbles):
        assert not own.any() or (found.kind[own] == BALLOON).mean() > 0.85
    assert board.black.any() or board.bubbles.any()
    assert _shares(board, found)["art"] < 0.03


def test_black_shapes_with_holes_that_are_no_letters_stay_art() -> None:
    ink = np.zeros((700, 900), np.uint8)
    cv2.ellipse(ink, (450, 350), (380, 280), 0, 0, 360, 1, -1)
    for x in range(160, 760, 60):
        cv2.line(ink, (x, 300 + x // 12), (x + 30, 330 + x // 15), 0, 7)
    assert not find_lettering(_ink(ink)).found


@pytest.mark.parametrize("path", FREE)
def test_lettering_in_a_font_it_never_saw_is_found(path: str) -> None:
    if not (FONTS / path).exists():
        pytest.skip(f"the font {Path(path).name} is not installed")
    board = pages.board(3, [words.of_font(FONTS / path)], None, bare=0.0)
    found = _shares(board, _sorted(board))
    assert found["text"] > 0.9
    assert found["art"] < 0.02
    assert found["balloons"] > 0.9


@pytest.mark.parametrize("seed", [2, 5])
@pytest.mark.parametrize("scale", [0.8, 1.0, 2.0])
def test_the_parts_together_are_the_ink_to_the_pixel(seed: int, scale: float) -> None:
    board = strokes_board(seed)
    found = _sorted(board)
    height, width = (round(side * scale) for side in board.kind.shape)
    alpha = np.round(cv2.resize(board.coverage, (width, height)) * 255).clip(0, 255)
    alpha = alpha.astype(np.uint8)
    own = found.at_dpi(PX_PER_MM * 25.4 * scale, alpha.shape)
    parts = [own.part(alpha, part) for part in ("art", "text", "balloons")]
    assert int(np.sum([part > 0 for part in parts], axis=0).max()) == 1
    assert np.array_equal(np.sum(parts, axis=0), alpha)
    assert all(part.any() for part in parts)


def test_art_without_letters_stays_art() -> None:
    rng = np.random.default_rng(0)
    ink = np.zeros((1200, 1200), np.uint8)
    for _ in range(40):
        points = rng.uniform(100, 1100, 2) + np.cumsum(rng.normal(size=(9, 2)) * 60, axis=0)
        cv2.polylines(ink, [points.astype(np.int32)], False, 1, 5)
    found = find_lettering(_ink(ink))
    assert not found.found


@pytest.mark.parametrize("ink", [np.zeros((40, 60), np.uint8), np.ones((40, 60), np.uint8)])
def test_bare_paper_and_solid_ink_hold_no_lettering(ink: U8) -> None:
    found = find_lettering(_ink(ink))
    assert not found.found
    assert set(np.unique(found.kind)) <= {NOTHING, ART}


def _ink(mask: U8, px_per_mm: float = PX_PER_MM) -> Ink:
    return Ink(mask.astype(np.float32), px_per_mm, Pencil(False, (), 0.0, None, "none"))


def _two_marks() -> tuple[Ink, Lettering]:
    ink = np.zeros((240, 240), np.uint8)
    ink[40:60, 40:60] = 1
    ink[120:200, 120:130] = 1
    return _ink(ink), find_lettering(_ink(ink))


def test_a_touch_moves_the_mark_it_meets_and_no_other() -> None:
    ink, found = _two_marks()
    touch = LetterEdits((Move("text", np.array([[50.0, 50.0]]) / PX_PER_MM),))
    moved = sort_lettering(found, ink, touch)
    assert (moved.kind[45:55, 45:55] == TEXT).all()
    assert (moved.kind[125:195, 122:128] == ART).all()
    back = LetterEdits((*touch.moves, Move("art", np.array([[50.0, 50.0]]) / PX_PER_MM)))
    assert not sort_lettering(found, ink, back).found


def test_a_touch_on_bare_paper_moves_nothing() -> None:
    ink, found = _two_marks()
    touch = LetterEdits((Move("text", np.array([[200.0, 40.0]]) / PX_PER_MM),))
    assert not sort_lettering(found, ink, touch).found


def test_a_ring_moves_marks_whole_or_the_part_inside() -> None:
    ink, found = _two_marks()
    around = np.array([[30, 30], [70, 30], [70, 70], [30, 70]]) / PX_PER_MM
    moved = sort_lettering(found, ink, LetterEdits((Move("balloons", around),)))
    assert (moved.kind[40:60, 40:60] == BALLOON).all()
    part = np.array([[110, 110], [140, 110], [140, 140], [110, 140]]) / PX_PER_MM
    moved = sort_lettering(found, ink, LetterEdits((Move("text", part),)))
    assert (moved.kind[122:138, 122:128] == TEXT).all()
    assert (moved.kind[145:195, 122:128] == ART).all()


def test_moves_come_back_from_a_ticket() -> None:
    edits = LetterEdits((Move("art", np.array([[1.25, 2.5]])), Move("text", np.eye(3)[:, :2])))
    again = read_letter_edits(letter_edits_record(edits))
    assert [move.to for move in again.moves] == ["art", "text"]
    assert all(
        np.array_equal(a.points, b.points) for a, b in zip(again.moves, edits.moves, strict=True)
    )
    assert read_letter_edits({}) == LetterEdits()
    assert letter_edits_record(LetterEdits()) == {}


@pytest.mark.parametrize(
    "moves",
    [
        [{"to": "sky", "points_mm": [[1, 2]]}],
        [{"to": "art", "points_mm": []}],
        [{"to": "art", "points_mm": [[1, None]]}],
        [{"points_mm": [[1, 2]]}],
        7,
    ],
)
def test_moves_that_are_none_are_refused(moves: object) -> None:
    with pytest.raises(InputError, match="lettering edits are invalid"):
        read_letter_edits({"moves": moves})


def test_what_holds_a_dot_encloses_no_paper_as_letters_do() -> None:
    ink = np.zeros((80, 200), np.uint8)
    for x in (40, 95, 150):
        cv2.ellipse(ink, (x, 40), (18, 26), 0, 0, 360, 1, 10)
    cv2.circle(ink, (95, 40), 4, 1, -1)  # an eye
    cv2.circle(ink, (150, 52), 0, 1, -1)  # a speck
    kind = np.where(ink > 0, TEXT, NOTHING).astype(np.uint8)
    counters = written(Lettering(kind, 8.0), ink > 0, 8.0).counters
    assert [bool(counters[40, x]) for x in (40, 88, 150)] == [True, False, True]
