"""A poster over sheets: the layout, the marks, and that the joined sheets are the poster."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pikepdf
import pypdfium2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inkclean.base.errors import UsageError
from inkclean.base.units import PAPERS, Paper
from inkclean.deliver.layers.under import UnderColour
from inkclean.deliver.pictures.raster import Region, moved, render
from inkclean.deliver.press.tile_plan import BAND_MM, PosterSettings, plan_tiles
from inkclean.deliver.press.tiles import write_tiles
from inkclean.deliver.press.trim import Margins, TrimmedPage, fitted, parse_trim
from tests.deliver import drawn
from tests.deliver.pdf_reading import box_mm, darkness

NONE = Margins(0, 0, 0, 0)
# windows 192 × 279 mm, steps 154 and 244.5 mm: whole pixels at 4 px per mm
POSTER = PosterSettings(Paper("poster", 500, 768), PAPERS["A4"], 10.0, 5.0)
PX = 4


def _poster(folder: Path, colour: UnderColour | None = None) -> Path:
    path = folder / "page.tiles.pdf"
    write_tiles(drawn.page(50, 76.8), POSTER, path, title="Lantern, page 3", colour=colour)
    return path


def _whole(region: Region) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
    sheet = drawn.page(50, 76.8)
    place = fitted(sheet, TrimmedPage(500, 768, NONE, NONE), "trim")
    return render(moved(sheet, place.scale, place.x_mm, place.y_mm), PX * 25.4, region=region)


def test_joined_sheets_equal_the_poster(tmp_path: Path) -> None:
    path = _poster(tmp_path)
    plan = plan_tiles(False, POSTER)
    joined = np.full((768 * PX, 500 * PX), np.nan)
    for tile in plan.tiles:
        sheet = darkness(path, PX, tile.number)
        assert sheet.shape == (297 * PX, 210 * PX)
        seen = tile.seen
        width, height = round(seen.width_mm * PX), round(seen.height_mm * PX)
        top = left = round(plan.inset_mm * PX)
        y, x = round(seen.y_mm * PX), round(seen.x_mm * PX)
        assert np.isnan(joined[y : y + height, x : x + width]).all(), "no place shows twice"
        joined[y : y + height, x : x + width] = sheet[top : top + height, left : left + width]
    assert not np.isnan(joined).any(), "and none is bare"
    ink = _whole(Region(0, 0, 500, 768))
    assert not (ink & (joined < 0.2)).any()
    assert not (~ink & (joined > 0.8)).any()
    assert ink.sum() == pytest.approx(joined.sum(), rel=1e-3)


def test_neighbours_show_the_same_in_their_overlap(tmp_path: Path) -> None:
    path = _poster(tmp_path)
    inset, step, width = (round(v * PX) for v in (9, 154, 192))
    first, second = darkness(path, PX, 1), darkness(path, PX, 2)
    shared = width - step
    left = first[inset:-inset, inset + step : inset + width]
    right = second[inset:-inset, inset : inset + shared]
    assert left.any()
    assert np.abs(left - right).max() < 0.02


def test_marks_lie_in_their_band_and_the_margin_is_bare(tmp_path: Path) -> None:
    path = _poster(tmp_path)
    margin, inset = 5 * PX, 9 * PX
    for tile in plan_tiles(False, POSTER).tiles:
        sheet = darkness(path, PX, tile.number)
        ring = sheet.copy()
        ring[margin:-margin, margin:-margin] = 0
        assert not ring.any()
        window = sheet[inset : inset + 279 * PX, inset : inset + 192 * PX]
        ink = _whole(tile.window)
        assert not (~ink & (window > 0.8)).any(), "nothing but art in the window"


def test_marks_point_to_where_the_next_sheet_comes(tmp_path: Path) -> None:
    sheet = darkness(_poster(tmp_path), 20, 1)
    # upper band: cut mark at the window's left edge, triangle at the step to the next
    band = sheet[round(5.05 * 20) : round(8.95 * 20)]
    near_tip = sheet[round(8.1 * 20)]
    across = np.flatnonzero(near_tip[(150 * 20) :] > 0.5) + (150 * 20) + 0.5
    assert across.mean() / 20 == pytest.approx(9 + 154, abs=0.05)
    cut = np.flatnonzero((band > 0.3).mean(0) > 0.7) + 0.5
    assert cut.mean() / 20 == pytest.approx(9, abs=0.08)


def _text(path: Path, page: int) -> str:
    document = pypdfium2.PdfDocument(path)
    said = document[page].get_textpage().get_text_bounded()
    document.close()
    return str(said)


def test_every_sheet_tells_its_number_and_what_joins_it(tmp_path: Path) -> None:
    path = _poster(tmp_path)
    for tile in plan_tiles(False, POSTER).tiles:
        said = _text(path, tile.number)
        assert f"sheet {tile.number} of 9" in said
        assert f"row {tile.row}, column {tile.column}" in said
        joins = {int(n) for n in re.findall(r"lay sheet (\d+) over", said)}
        wanted = {tile.number + 1} if tile.column < 3 else set()
        assert joins == wanted | ({tile.number + 3} if tile.row < 3 else set())


def test_the_key_sheet_shows_layout_size_and_a_true_rule(tmp_path: Path) -> None:
    path = _poster(tmp_path)
    said = _text(path, 0)
    for words in ("Lantern, page 3", "500 × 768 mm", "9 sheets of A4", "3 across and 3 down"):
        assert words in said
    assert "38.0 mm across and 34.5 mm down" in said
    assert set(map(str, range(1, 10))) <= set(re.findall(r"\d+", said))
    sheet = darkness(path, 10, 0)
    # the rule is the lowest long line
    dark = sheet > 0.3
    row = dark[np.flatnonzero(dark.sum(1) > 800)[-1]]
    gaps = np.flatnonzero(np.diff(np.concatenate([[0], row, [0]]).astype(int)))
    assert np.diff(gaps)[::2].max() / 10 == pytest.approx(100, abs=0.3)
    with pikepdf.open(path) as document:
        assert len(document.pages) == 10
        for page in document.pages:
            assert box_mm(page, "MediaBox") == pytest.approx([0, 0, 210, 297], abs=0.01)
        assert str(document.docinfo["/Title"]) == "Lantern, page 3"


def test_colour_runs_over_the_joins(tmp_path: Path) -> None:
    pixels = np.full((768, 500, 3), (255, 220, 0), np.uint8)
    path = _poster(tmp_path, UnderColour(pixels))
    document = pypdfium2.PdfDocument(path)
    shown = document[5].render(scale=0.5).to_numpy()
    document.close()
    height, width = shown.shape[:2]
    middle = shown[height // 2 - 20 : height // 2 + 20, width // 2 - 40 : width // 2 + 40]
    assert (np.median(middle[..., :3], (0, 1)) == [0, 220, 255]).all()
    with pikepdf.open(path) as held:
        pictures = {p.obj.Resources.XObject.Colour.objgen for p in held.pages}
    assert len(pictures) == 1, "the picture is held once"


@pytest.mark.slow
def test_only_the_shapes_of_a_sheet_are_written_on_it(tmp_path: Path) -> None:
    places = [(x, y) for x in range(1, 50) for y in range(1, 77)]
    dots = drawn.curves([[drawn.ring(x, y, 0.2)] for x, y in places], 50, 76.8)
    path = tmp_path / "dots.pdf"
    write_tiles(dots, POSTER, path)
    with pikepdf.open(path) as document:
        shapes = [p.obj.Contents[0].read_bytes().count(b"f\n") for p in document.pages]
    assert shapes[0] == len(places)
    assert max(shapes[1:]) < 0.2 * len(places)
    assert sum(shapes[1:]) >= len(places)


sides = st.floats(150, 3000)


@given(sides, sides, st.sampled_from(["A5", "A4", "A3", "letter"]), st.floats(0, 25), st.booleans())
def test_any_poster_is_covered_with_the_overlap_asked_for(
    width: float, height: float, on: str, overlap: float, wide: bool
) -> None:
    settings = PosterSettings(Paper("p", width, height), PAPERS[on], overlap, 4.0)
    try:
        plan = plan_tiles(wide, settings)
    except UsageError:
        assert width * height > 1000 * 100 * 100
        return
    assert (plan.poster.width_mm > plan.poster.height_mm) == wide or width == height
    inset = 4.0 + BAND_MM
    tiles = plan.tiles
    assert [tile.number for tile in tiles] == list(range(1, plan.columns * plan.rows + 1))
    area = sum(tile.seen.width_mm * tile.seen.height_mm for tile in tiles)
    assert area == pytest.approx(width * height)
    last = tiles[-1].window
    assert last.x_mm + last.width_mm == pytest.approx(plan.poster.width_mm)
    assert last.y_mm + last.height_mm == pytest.approx(plan.poster.height_mm)
    for count, shared in zip((plan.columns, plan.rows), plan.overlap_mm, strict=True):
        assert count == 1 or shared >= overlap - 1e-6
    assert plan.window_mm[0] <= plan.sheet.width_mm - 2 * inset + 1e-9
    assert plan.window_mm[1] <= plan.sheet.height_mm - 2 * inset + 1e-9


def test_the_poster_turns_as_the_art_lies() -> None:
    settings = PosterSettings(parse_trim("A1"), parse_trim("A4"))
    assert plan_tiles(True, settings).poster.width_mm == 841
    assert plan_tiles(False, settings).poster.width_mm == 594


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        (PosterSettings(PAPERS["A1"], PAPERS["A6"]), "too small"),
        (PosterSettings(PAPERS["A1"], PAPERS["A4"], overlap_mm=185), "leave too little"),
        (PosterSettings(PAPERS["A1"], PAPERS["A4"], margin_mm=100), "leave too little"),
        (PosterSettings(Paper("x", 5000, 5000), PAPERS["A5"], 60), "larger --on"),
    ],
)
def test_layouts_that_cannot_be_are_refused(settings: PosterSettings, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        plan_tiles(False, settings)


def test_names_of_any_script_do_not_stop_the_print(tmp_path: Path) -> None:
    path = tmp_path / "x.pdf"
    write_tiles(drawn.page(50, 76.8), POSTER, path, title="灯台 " + "long " * 40)
    assert "sheet 1 of 9" in _text(path, 1)
    with pikepdf.open(path) as document:
        assert str(document.docinfo["/Title"]).startswith("灯台")
