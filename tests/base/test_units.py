"""Lengths and papers as typed. 1 in = 96 px = 72 pt = 25.4 mm (CSS Values)."""

from __future__ import annotations

import itertools

import pytest

from inkclean.base.errors import UsageError
from inkclean.base.units import PAPERS, counted, parse_length_mm, parse_paper


@pytest.mark.parametrize(
    ("text", "length"),
    [("5", 5.0), ("0.2mm", 0.2), ("1in", 25.4), ("72 pt", 25.4), ("96px", 25.4), (".5 cm", 5.0)],
)
def test_lengths(text: str, length: float) -> None:
    assert parse_length_mm(text) == pytest.approx(length, abs=1e-12)


@pytest.mark.parametrize("text", ["", "mm", "-1", "1e3", "nan", "5 miles", "1 2"])
def test_no_lengths(text: str) -> None:
    with pytest.raises(UsageError):
        parse_length_mm(text)


def test_papers() -> None:
    assert parse_paper("auto") is None
    a4 = parse_paper("a4")
    assert a4 is not None
    assert (a4.width_mm, a4.height_mm) == (210, 297)
    board = parse_paper("board")
    assert board is not None
    assert (board.width_mm, board.height_mm) == pytest.approx((279.4, 431.8))
    own = parse_paper("8.5x11in")
    assert own is not None
    assert (own.width_mm, own.height_mm) == pytest.approx((215.9, 279.4))
    for text in ("A9", "0x10mm", "1x1x1", "10000x10mm"):
        with pytest.raises(UsageError):
            parse_paper(text)


def test_iso_216_halves() -> None:
    # ISO 216: each size is the one before it halved, rounded down to whole mm
    sizes = [PAPERS[f"A{number}"] for number in range(7)]
    for large, small in itertools.pairwise(sizes):
        assert small.height_mm == large.width_mm
        assert small.width_mm == large.height_mm // 2


def test_one_of_a_thing_is_not_said_in_the_plural() -> None:
    assert [counted(n, "page") for n in (0, 1, 2)] == ["0 pages", "1 page", "2 pages"]
