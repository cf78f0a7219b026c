"""Trim, bleed, safe area, and the art's place on the page."""

from __future__ import annotations

import pytest

from inkclean.base.errors import UsageError
from inkclean.base.units import Paper
from inkclean.deliver.pictures.raster import Region
from inkclean.deliver.press.trim import (
    Margins,
    TrimmedPage,
    by_scale,
    fitted,
    make_page,
    parse_edges,
    parse_trim,
)
from tests.deliver import drawn

NONE = Margins(0, 0, 0, 0)


def test_bleed_is_one_length_or_four() -> None:
    assert parse_edges("3mm") == Margins(3, 3, 3, 3)
    assert parse_edges("0.125in").top == pytest.approx(3.175)
    assert parse_edges("3mm, 4mm,5mm,0") == Margins(top=3, outer=4, bottom=5, inner=0)


@pytest.mark.parametrize("text", ["", "3mm,4mm", "1,2,3,4,5", "wide", "-3mm"])
def test_other_bleeds_are_refused(text: str) -> None:
    with pytest.raises(UsageError):
        parse_edges(text)


@pytest.mark.parametrize(
    ("text", "size"),
    [("6.625x10.25in", (168.275, 260.35)), ("A5", (148, 210)), ("200x300mm", (200, 300))]
    + [(text, (168.275, 260.35)) for text in ("comic", "US comic", "us-comic")],
)
def test_trim_by_name_or_size(text: str, size: tuple[float, float]) -> None:
    paper = parse_trim(text)
    assert (paper.width_mm, paper.height_mm) == pytest.approx(size)


@pytest.mark.parametrize("text", ["auto", "quarto", "6.625", ""])
def test_other_trims_are_refused_with_the_known_ones(text: str) -> None:
    with pytest.raises(UsageError, match="comic, comic-short, digest, A0"):
        parse_trim(text)


def test_the_inner_edge_changes_sides() -> None:
    edges = Margins(top=1, outer=2, bottom=3, inner=4)
    recto, verso = (TrimmedPage(100, 200, edges, edges, side) for side in ("recto", "verso"))
    assert recto.bled == Region(-4, -1, 106, 204)
    assert verso.bled == Region(-2, -1, 106, 204)
    assert recto.safe_area == Region(4, 1, 94, 196)
    assert verso.safe_area == Region(2, 1, 94, 196)


def test_pages_that_cannot_be_are_refused() -> None:
    with pytest.raises(UsageError, match="safe area"):
        make_page(Paper("x", 100, 100), NONE, Margins(50, 0, 50, 0))
    with pytest.raises(UsageError, match="larger than a PDF page"):
        make_page(Paper("x", 5000, 5000), Margins(50, 50, 50, 50), NONE)


def test_art_by_scale_lies_in_the_middle() -> None:
    place = by_scale(drawn.page(60, 80), TrimmedPage(100, 200, NONE, NONE), 1.5)
    assert (place.scale, place.x_mm, place.y_mm) == (1.5, 5, 40)


def test_art_fitted_to_trim_bleed_and_safe_area() -> None:
    edges = Margins(5, 5, 5, 5)
    page = TrimmedPage(100, 200, edges, edges)
    sheet = drawn.curves([[drawn.box(10, 20, 30, 30)]], 60, 80)
    whole = fitted(sheet, page, "trim")
    assert whole.scale == pytest.approx(100 / 60)
    assert (whole.x_mm, whole.y_mm) == pytest.approx((0, (200 - 80 * 100 / 60) / 2))
    filled = fitted(sheet, page, "bleed")
    assert filled.scale == pytest.approx(210 / 80)
    assert (filled.x_mm, filled.y_mm) == pytest.approx(((100 - 60 * 210 / 80) / 2, -5))
    live = fitted(sheet, page, "safe")
    assert live.scale == pytest.approx(90 / 30)
    # the ink, not the sheet, in the middle
    assert live.x_mm + live.scale * 25 == pytest.approx(50)
    assert live.y_mm + live.scale * 35 == pytest.approx(100)
