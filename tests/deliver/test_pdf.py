"""The plain PDF: exact size, black alone, the drawing to a pixel."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pikepdf
import pytest

from inkclean.deliver.pictures.raster import Region, render
from inkclean.deliver.vector.pdf import Points, loops_of_shapes, path_operators, write_pdf
from tests.deliver import drawn
from tests.deliver.pdf_reading import box_mm, darkness, operators


@pytest.mark.parametrize("size", [(210.0, 297.0), (168.275, 260.35), (1189.0, 841.0)])
def test_the_page_is_as_large_as_the_sheet(tmp_path: Path, size: tuple[float, float]) -> None:
    path = tmp_path / "page.pdf"
    write_pdf(drawn.page(*size), path, title="Seite über")
    with pikepdf.open(path) as document:
        (page,) = document.pages
        for box in ("MediaBox", "TrimBox"):
            assert box_mm(page, box) == pytest.approx([0, 0, *size], abs=1e-4)
        assert str(document.docinfo["/Title"]) == "Seite über"
        assert document.pdf_version == "1.4"
        assert not document.is_encrypted


def test_ink_is_black_alone(tmp_path: Path) -> None:
    path = tmp_path / "page.pdf"
    write_pdf(drawn.page(), path)
    with pikepdf.open(path) as document:
        steps = operators(document.pages[0])
    assert {name for name, _ in steps} == {"k", "m", "c", "h", "f"}
    assert [values for name, values in steps if name == "k"] == [[0, 0, 0, 1]]
    shapes = drawn.page().shape.max() + 1
    assert sum(name == "f" for name, _ in steps) == shapes
    assert sum(name == "m" for name, _ in steps) == len(drawn.page().loops) - 1


def test_the_drawing_matches_the_bitmap(tmp_path: Path) -> None:
    path = tmp_path / "page.pdf"
    page = drawn.page()
    write_pdf(page, path)
    cover = darkness(path, 20)
    ink = render(page, 20 * 25.4)
    assert cover.shape == ink.shape
    assert not (ink & (cover < 0.2)).any()
    assert not (~ink & (cover > 0.8)).any()
    assert ink.sum() == pytest.approx(cover.sum(), rel=2e-3)


def test_straight_segments_are_lines() -> None:
    page = drawn.curves([[drawn.box(1, 2, 10, 5)]], 30, 20)
    page = replace(page, straight=np.ones(4, np.bool_))
    said = path_operators(page, Points(Region(0, 0, 30, 20))).decode().split("\n")
    # 1 mm = 2.834646 pt, y up from 20 mm
    assert said[0] == "2.835 51.024 m"
    assert said[1:] == [
        "31.181 51.024 l",
        "31.181 36.85 l",
        "2.835 36.85 l",
        "2.835 51.024 l",
        "h",
        "f",
        "",
    ]


def test_loops_of_a_shape_come_together_wherever_they_stand() -> None:
    outer, inner, other = (
        drawn.ring(5, 5, 4),
        drawn.hole(drawn.ring(5, 5, 2)),
        drawn.box(9, 9, 1, 1),
    )
    page = drawn.curves([[outer], [other], [inner]], 12, 12)
    page = replace(page, shape=np.array([0, 1, 0], np.int32))
    index, shapes = loops_of_shapes(page)
    assert index.tolist() == [0, 1, 2, 3, 8, 9, 10, 11, 4, 5, 6, 7]
    assert shapes.tolist() == [0, 8, 12]
    said = path_operators(page, Points(Region(0, 0, 12, 12)))
    assert said.count(b"f\n") == 2
    assert said.count(b"m\n") == 3


def test_a_page_without_ink_is_a_page(tmp_path: Path) -> None:
    path = tmp_path / "bare.pdf"
    write_pdf(drawn.curves([], 100, 50), path)
    assert darkness(path, 2).shape == (100, 200)
    assert not darkness(path, 2).any()


@pytest.mark.slow
def test_more_segments_than_a_batch_holds(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    places = rng.uniform(2, 98, (6000, 2)).tolist()
    page = drawn.curves([[drawn.ring(x, y, 0.4)] for x, y in places], 100, 100)
    path = tmp_path / "dots.pdf"
    write_pdf(page, path)
    with pikepdf.open(path) as document:
        names = [name for name, _ in operators(document.pages[0])]
    assert (names.count("m"), names.count("c"), names.count("f")) == (6000, 24000, 6000)
    ink = render(page, 254)
    cover = darkness(path, 10)
    assert not (ink & (cover < 0.2)).any()
    assert not (~ink & (cover > 0.8)).any()
