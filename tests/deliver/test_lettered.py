"""Lettering in layers of its own in the press PDF: ISO 32000-1, 8.11."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pikepdf
import pypdfium2
import pytest

from inkclean.base.arrays import F32, U8
from inkclean.curves.trace import trace
from inkclean.deliver.press.files import PressSettings, press_page
from inkclean.flats.lettering.values import Lettering

PX_PER_MM = 8.0


def _page() -> tuple[F32, Lettering]:
    """A square of art, a letter by itself, and a bar that is half art, half text."""
    coverage = np.zeros((240, 320), np.float32)
    coverage[40:120, 40:120] = 1
    coverage[40:120, 180:200] = 1
    coverage[180:200, 60:260] = 1
    kind = np.ones(coverage.shape, np.uint8)
    kind[:150, 150:] = 2
    kind[150:, 160:] = 2
    return coverage, Lettering(kind, PX_PER_MM)


def _drawn(path: Path) -> U8:
    document = pypdfium2.PdfDocument(path)
    try:
        return np.asarray(document[0].render(scale=4, grayscale=True).to_numpy()).squeeze()
    finally:
        document.close()


def _shown_alone(path: Path, name: str) -> U8:
    """Draw the page with one layer on, as a reader's list of layers would."""
    with pikepdf.open(path, allow_overwriting_input=True) as document:
        setup = document.Root.OCProperties
        others = [group for group in setup.OCGs if str(group.Name) != name]
        setup.D.OFF = pikepdf.Array(others)
        document.save(path.with_stem(f"{path.stem}-{name}"))
    return _drawn(path.with_stem(f"{path.stem}-{name}"))


@pytest.fixture
def two(tmp_path: Path) -> tuple[Path, Path]:
    """The page with layers, and without."""
    coverage, lettering = _page()
    curves = trace(coverage, PX_PER_MM, 0.02)
    paths = tmp_path / "layered.pdf", tmp_path / "plain.pdf"
    for path, own in zip(paths, (lettering, None), strict=True):
        press_page(curves, PressSettings(), {"pdf": path}, "page", True, lettering=own)
    return paths


def test_the_layers_are_named_and_all_shown(two: tuple[Path, Path]) -> None:
    with pikepdf.open(two[0]) as document:
        setup = document.Root.OCProperties
        assert [str(group.Name) for group in setup.OCGs] == ["Text", "Balloons", "Art"]
        assert all(group.Type == "/OCG" for group in setup.OCGs)
        assert setup.D.BaseState == "/ON"
        assert document.pdf_version >= "1.5"
        named = document.pages[0].Resources.Properties
        assert set(named.keys()) == {"/Text", "/Balloons", "/Art"}
    with pikepdf.open(two[1]) as document:
        assert "/OCProperties" not in document.Root


def test_all_layers_together_print_what_the_ink_prints(two: tuple[Path, Path]) -> None:
    assert np.array_equal(_drawn(two[0]) < 128, _drawn(two[1]) < 128)


def test_each_layer_holds_its_own_part(two: tuple[Path, Path]) -> None:
    scale = 4 * 72 / 25.4  # px a mm of the drawn page
    art, text = _shown_alone(two[0], "Art"), _shown_alone(two[0], "Text")
    bleed = 3.0

    def at(picture: U8, x: float, y: float) -> bool:
        row, column = (round((v / PX_PER_MM + bleed) * scale) for v in (y, x))
        return bool(picture[row, column] < 128)

    assert at(art, 80, 80)
    assert not at(text, 80, 80)
    assert at(text, 190, 80)
    assert not at(art, 190, 80)
    # the bar is cut where its parts meet
    assert (at(art, 100, 190), at(art, 220, 190)) == (True, False)
    assert (at(text, 100, 190), at(text, 220, 190)) == (False, True)


def test_a_standard_without_layers_gets_none(tmp_path: Path) -> None:
    coverage, lettering = _page()
    settings = PressSettings(standard="x1a", intent="CGATS TR 001")
    path = tmp_path / "page.pdf"
    press_page(
        trace(coverage, PX_PER_MM, 0.02), settings, {"pdf": path}, "x", True, (), None, lettering
    )
    with pikepdf.open(path) as document:
        assert "/OCProperties" not in document.Root
