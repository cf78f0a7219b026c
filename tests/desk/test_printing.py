"""Print in one ink or in spot inks: what a browser may ask, and the panel in a real browser."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import Any

import pytest
import tifffile
from playwright.sync_api import expect

from inkclean.base.errors import UsageError
from inkclean.desk.work.printing import Printing, printing_of
from tests.desk.hands import PHONE, UPRIGHT, Table, drawn, needs_chromium, put, station
from tests.desk.test_access import _axe, _faults

GREY: dict[str, Any] = {"ink": "grey", "lpi": 60, "shape": "dots", "greys": ["wash"]}
SPOTS: dict[str, Any] = {
    "ink": "spots",
    "inks": [{"name": "blue", "colour": "#2a5db0"}],
    "spread_mm": 0.2,
}


@pytest.mark.parametrize("said", [None, {}, ""])
def test_nothing_said_is_black_lines_alone(said: Any) -> None:
    assert printing_of(said) == Printing()
    assert printing_of(None).order.tiff_dpi is None


def test_what_was_said_becomes_what_the_press_is_asked() -> None:
    grey = printing_of({**GREY, "greys": ["shade", "wash"]})
    assert grey.greys == ("wash", "shade") and grey.coloured
    assert grey.order.tiff_dpi == grey.order.settings.screen_dpi == 1200
    assert not printing_of(GREY).coloured
    spots = printing_of({**SPOTS, "lpi": 150, "shape": "lines"})
    assert spots.coloured and spots.order.tiff_dpi == 2400
    assert spots.order.settings.plates[0].name == "blue"
    assert printing_of(SPOTS).order.tiff_dpi == 600


@pytest.mark.parametrize(
    "said",
    [
        [1],
        "grey",
        {"ink": "gold"},
        {**GREY, "greys": []},
        {**GREY, "greys": ["tone"]},
        {**GREY, "greys": "wash"},
        {"ink": "grey", "greys": ["wash"]},
        {**GREY, "lpi": "60"},
        {**GREY, "lpi": 1e9},
        {**GREY, "lpi": float("nan")},
        {**GREY, "shape": "rings"},
        {**GREY, "angle": 720},
        {**SPOTS, "inks": []},
        {**SPOTS, "inks": "blue"},
        {**SPOTS, "inks": [{"name": "black", "colour": "#000000"}]},
        {**SPOTS, "inks": [{"name": "x", "colour": "#00"}]},
        {**SPOTS, "inks": [{"name": "x,y=#000000", "colour": "#000000"}]},
        {**SPOTS, "inks": [{"name": 1, "colour": "#000000"}]},
        {**SPOTS, "spread_mm": 9},
        {**SPOTS, "spread_mm": float("nan")},
        {**SPOTS, "spread_mm": "0.2"},
    ],
)
def test_what_makes_no_sense_is_refused_in_words_for_the_desk(said: Any) -> None:
    with pytest.raises(UsageError) as refused:
        printing_of(said)
    assert "--" not in str(refused.value)


@needs_chromium
def test_grey_in_dots_and_plates_are_fetched(table: Table) -> None:
    tab = table.tab(UPRIGHT)
    put(tab)
    station(tab, "Get files")
    tab.get_by_role("button", name="Print").click()
    expect(tab.get_by_role("link", name="page.press.pdf")).to_be_visible()
    tab.get_by_role("button", name="Grey in dots").click()
    tab.get_by_label("Lines per inch").fill("65")
    tab.get_by_role("button", name="Pencil").click()
    tab.get_by_role("button", name="Make these files").click()
    expect(tab.get_by_role("link", name="page.press.tiff")).to_be_visible()
    with tab.expect_download() as loaded:
        tab.get_by_role("link", name="page.press.tiff").click()
    with tifffile.TiffFile(Path(loaded.value.path())) as picture:
        tags = picture.pages[0].tags  # type: ignore[union-attr]
        assert tags["BitsPerSample"].value == 1
        assert tags["XResolution"].value == (1200, 1)
    tab.get_by_role("button", name="Spot inks").click()
    tab.get_by_label("Name of ink 1").fill("sea blue")
    tab.get_by_role("button", name="Remove ink 2").click()
    tab.get_by_role("button", name="Make these files").click()
    expect(tab.get_by_role("link", name="page.plate-sea-blue.tiff")).to_be_visible()
    with tab.expect_download() as loaded:
        tab.get_by_role("link", name="All files as one zip").click()
    names = set(zipfile.ZipFile(io.BytesIO(Path(loaded.value.path()).read_bytes())).namelist())
    assert {"page.press.pdf", "page.plate-sea-blue.tiff", "page.plate-black.tiff"} <= names


@needs_chromium
@pytest.mark.parametrize("size", [UPRIGHT, PHONE], ids=str)
def test_the_panel_is_sound_in_light_and_dark(table: Table, size: tuple[int, int]) -> None:
    tab = table.tab(size, touch=True)
    put(tab)
    station(tab, "Get files")
    tab.get_by_role("button", name="Print").click()
    expect(tab.get_by_role("link", name="page.press.pdf")).to_be_visible()
    for way in ("Grey in dots", "Spot inks", "Black lines"):
        tab.get_by_role("button", name=way).click()
        if way == "Spot inks":
            tab.get_by_role("button", name="Tints in dots").click()
            tab.get_by_role("button", name="Add an ink").click()
        for scheme in ("light", "dark"):
            tab.emulate_media(color_scheme=scheme)
            drawn(tab)
            assert _faults(tab) == [], (way, scheme)
            assert _axe(tab) == [], (way, scheme)
