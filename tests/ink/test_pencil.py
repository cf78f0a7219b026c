"""Underdrawing: known mixtures come apart, ink over pencil stays ink, coloured pages are kept."""

from __future__ import annotations

import re

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inkclean.base.arrays import F32, Bool
from inkclean.base.errors import UsageError
from inkclean.ink.pencil.separate import separate
from inkclean.ink.values import Grey
from inkclean.sheet.values import Sheet
from tests.sheet.patches import BLACK, FRAME, PX_PER_MM, Drawn, draw, even, linear

PENCILS = {
    "non-photo blue": "#A4DDED",
    "blue": "#6FA8E0",
    "deep blue": "#4A78CC",
    "red": "#E06060",
    "green": "#7FC48F",
    "violet": "#A088C8",
    "orange": "#F5A860",
    "pink": "#F0A0C0",
}
BLUE_INK = linear("#2B3F9E")


def _wrong(drawn: Drawn, grey: Grey) -> dict[str, float]:
    """Shares gone wrong after a cut at half, and the F-measure."""
    cut, truth = grey.ink < 0.5, drawn.ink >= 0.5
    near = cv2.dilate(drawn.ink, np.ones((9, 9), np.uint8))
    under = cv2.dilate(drawn.pencil, np.ones((5, 5), np.uint8)) > 0.2
    core = cv2.erode(truth.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    alone = (near < 0.01) & (drawn.pencil > 0.15)
    both = int((cut & truth).sum())
    return {
        "f": 2 * both / (int(cut.sum()) + int(truth.sum())),
        "marked": float(cut[alone].mean()) if alone.any() else 0.0,
        "lost": float((~cut)[core & under].mean()) if (core & under).any() else 0.0,
    }


@pytest.mark.parametrize("name", PENCILS)
def test_pencil_goes_and_ink_over_it_stays(name: str) -> None:
    drawn = draw(PENCILS[name])
    grey, pencil = separate(even(drawn))
    assert pencil.found
    assert len(pencil.colours) == 1
    assert 0.03 < pencil.share < 0.3
    wrong = _wrong(drawn, grey)
    assert wrong["marked"] <= 2e-4
    assert wrong["lost"] <= 3e-3
    assert wrong["f"] > 0.985


def test_the_pencils_colour_is_told_as_it_is_on_white() -> None:
    sheet = even(draw("#6FA8E0"))
    colour = separate(sheet)[1].colours[0]
    # Pencil of some 95 % strength on tooth: near the pigment, a little paler.
    assert linear(colour) == pytest.approx(linear("#6FA8E0"), abs=0.1)


def _edge_position(grey: Grey, row: int, column: int) -> float:
    """Where the profile along a row first falls through one half, in px."""
    profile = grey.ink[row, column - 30 : column + 30]
    below = int(np.argmax(profile < 0.5))
    high, low = float(profile[below - 1]), float(profile[below])
    return below - 1 + (high - 0.5) / (high - low)


def _bar(pencil: str, amount: float, ink: tuple[float, float, float] = BLACK) -> Sheet:
    """Bars of ink on paper above, on a broad band of pencil below; other pencil strokes."""
    shape = (900, 900)
    cover = np.zeros(shape, np.float32)
    cover[:, 100::100] = 1.0
    for at in range(7):
        cover[:, 100 + at :: 100] = 1.0
    pigment = np.zeros(shape, np.float32)
    pigment[450:] = amount
    under = np.exp(pigment[..., None] * np.log(linear(pencil)))
    page = (1 - cover[..., None]) * under + cover[..., None] * np.array(ink)
    image = cv2.GaussianBlur(page.astype(np.float32), (0, 0), 1.2)
    light = np.ones((2, 2, 3), np.float32)
    return Sheet(image.astype(np.float32), PX_PER_MM, FRAME, light)


@settings(max_examples=12, deadline=None)
@given(name=st.sampled_from(sorted(PENCILS)), amount=st.floats(0.3, 0.9))
def test_an_inks_edge_reads_the_same_over_pencil_as_over_paper(name: str, amount: float) -> None:
    grey, _ = separate(_bar(PENCILS[name], amount), (name.rsplit(maxsplit=1)[-1], PENCILS[name]))
    on_paper = _edge_position(grey, 200, 400)
    on_pencil = _edge_position(grey, 700, 400)
    assert on_pencil == pytest.approx(on_paper, abs=0.25)


@settings(max_examples=15, deadline=None)
@given(share=st.floats(0.0, 1.0), amount=st.floats(0.0, 1.0))
def test_a_known_mixture_gives_back_its_share_of_ink(share: float, amount: float) -> None:
    """Dyes add in density (Ruifrok & Johnston 2001), ink covers by area."""
    under = np.exp(amount * np.log(linear("#A4DDED")))
    page = np.ones((400, 240, 3), np.float32)
    page[210:380, 20:220] = np.exp(0.9 * np.log(linear("#A4DDED")))
    page[100:200, 20:220] = share * np.array(BLACK) + (1 - share) * under
    sheet = Sheet(page, PX_PER_MM, FRAME, np.ones((2, 2, 3), np.float32))
    grey, _ = separate(sheet, ("blue",))
    expected = 1 - share * (1 - min(BLACK))
    assert float(grey.ink[130:170, 60:180].mean()) == pytest.approx(expected, abs=0.07)


def test_a_page_without_pencil_is_left_as_it_is() -> None:
    drawn = draw()
    sheet = even(drawn)
    grey, pencil = separate(sheet)
    assert not pencil.found
    assert pencil.colours == ()
    assert "no coloured pencil" in pencil.note
    mean = sheet.reflectance.mean(axis=2)
    assert np.abs(grey.ink - mean).mean() < 0.01


def test_a_page_in_blue_ink_is_kept_and_said_to_be() -> None:
    drawn = draw(ink=BLUE_INK)
    grey, pencil = separate(even(drawn))
    assert not pencil.found
    assert "drawn in blue ink" in pencil.note
    assert _wrong(drawn, grey)["f"] > 0.985


def test_blue_ink_on_a_blue_grid_keeps_the_ink_and_cuts_no_grid() -> None:
    drawn = draw(ink=BLUE_INK, grid="#B8D0EC")
    grey, pencil = separate(even(drawn))
    assert "drawn in blue ink" in pencil.note
    assert _wrong(drawn, grey)["f"] > 0.98


def test_blue_ink_over_red_pencil_loses_the_pencil_only() -> None:
    drawn = draw("#E58080", ink=BLUE_INK)
    grey, pencil = separate(even(drawn))
    assert pencil.found
    assert "drawn in blue ink" in pencil.note
    wrong = _wrong(drawn, grey)
    assert wrong["marked"] <= 2e-4
    assert wrong["lost"] <= 3e-3


def test_a_printed_grid_goes() -> None:
    drawn = draw(grid="#9CC4EA")
    grey, pencil = separate(even(drawn))
    assert pencil.found
    bare = cv2.dilate(drawn.ink, np.ones((9, 9), np.uint8)) < 0.01
    assert grey.ink[bare].min() > 0.6
    assert _wrong(drawn, grey)["f"] > 0.985


def _red_strokes() -> tuple[Sheet, Bool]:
    """Black drawing, and saturated red pen strokes that don't follow it."""
    drawn = draw()
    red = draw(seed=41, solid=False).ink * (drawn.ink < 0.01)
    colour = np.array([0.62, 0.02, 0.03], np.float32)
    page = drawn.reflectance * (1 - red[..., None]) + red[..., None] * colour
    core = cv2.erode(red, np.ones((5, 5), np.uint8)) > 0.9
    return even(Drawn(drawn.ink, drawn.pencil, page.astype(np.float32))), core


def test_red_ink_that_belongs_to_the_drawing_is_kept() -> None:
    sheet, red = _red_strokes()
    grey, pencil = separate(sheet)
    assert not pencil.found
    assert "red" in pencil.note
    assert (grey.ink[red] < 0.5).mean() > 0.99


def test_a_broad_wash_goes_and_the_lines_on_it_stay() -> None:
    drawn = draw(solid=False)
    page = drawn.reflectance.copy()
    area = slice(300, 800)
    page[area, area] *= linear("#5FBF6A").astype(np.float32)
    grey, pencil = separate(even(Drawn(drawn.ink, drawn.pencil, page)))
    assert pencil.found
    assert _wrong(drawn, grey)["f"] > 0.985


def test_named_colours_drop_what_is_named_and_nothing_else() -> None:
    sheet, red = _red_strokes()
    kept, _ = separate(sheet, ("blue",))
    gone, pencil = separate(sheet, ("red",))
    by_code, _ = separate(sheet, ("#D04050",))
    assert (kept.ink[red] < 0.5).mean() > 0.99
    assert (gone.ink[red] < 0.5).mean() < 0.05
    assert (by_code.ink[red] < 0.5).mean() < 0.05
    assert pencil.note == "removed, as asked: red (from 8 % of the sheet)"


def _two_pencils(first: str, second: str) -> tuple[Drawn, Bool]:
    """Ink over pencils of two colours, and where those cross."""
    one, other = draw(first), draw(second, seed=9)
    page = one.reflectance * np.exp(other.pencil[..., None] * np.log(linear(second)))
    both = (one.pencil > 0.05) & (other.pencil > 0.05)
    pencil = np.maximum(one.pencil, other.pencil)
    return Drawn(one.ink, pencil, page.astype(np.float32)), both


def test_several_names_drop_all_of_them_and_where_they_cross() -> None:
    drawn, _ = _two_pencils("#A4DDED", "#B090D8")
    grey, found = separate(even(drawn), ("blue", "violet"))
    assert len(found.colours) == 2
    assert _wrong(drawn, grey)["marked"] <= 2e-4


def test_blue_and_red_pencil_go_together() -> None:
    """Save where they cross: blue over red is grey there, which no hue tells from thin ink."""
    drawn, both = _two_pencils("#A4DDED", "#F0A0A0")
    pencil = drawn.pencil * ~cv2.dilate(both.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(
        np.bool_
    )
    grey, found = separate(even(drawn))
    assert len(found.colours) == 2
    assert _wrong(Drawn(drawn.ink, pencil, drawn.reflectance), grey)["marked"] <= 2e-4


def test_none_drops_nothing() -> None:
    drawn = draw("#4A78CC")
    grey, pencil = separate(even(drawn), ("none",))
    assert not pencil.found
    assert pencil.layer is None
    strong = (drawn.pencil > 0.7) & (cv2.dilate(drawn.ink, np.ones((9, 9), np.uint8)) < 0.01)
    assert grey.ink[strong].mean() < 0.75


@pytest.mark.parametrize("drop", [("mauvish",), ("#12",), ("none", "blue"), ("",)])
def test_unknown_words_are_refused_in_one_line(drop: tuple[str, ...]) -> None:
    with pytest.raises(UsageError) as caught:
        separate(even(draw(size_mm=20.0)), drop)
    assert "\n" not in str(caught.value)


def test_fringes_of_the_lens_shave_nothing_off_the_inks_edges() -> None:
    drawn = draw("#A4DDED")
    plain = even(drawn)
    shifted = plain.reflectance.copy()
    for channel, move in ((0, 0.5), (2, -0.5)):
        matrix = np.array([[1.0, 0.0, move], [0.0, 1.0, 0.0]])
        shifted[..., channel] = cv2.warpAffine(
            plain.reflectance[..., channel],
            matrix,
            (drawn.ink.shape[1], drawn.ink.shape[0]),
            borderMode=cv2.BORDER_REPLICATE,
        )
    fringed, _ = separate(Sheet(shifted, PX_PER_MM, FRAME, plain.shading))
    clean, _ = separate(plain)
    wide = float((fringed.ink < 0.5).sum()) / float((clean.ink < 0.5).sum())
    assert wide == pytest.approx(1.0, abs=0.02)  # 0.06 px a side


@pytest.mark.parametrize("channels", [(0.4, 0.15, 0.1), (0.0, -0.03, -0.3)])
def test_what_a_camera_leaves_beside_black_lines_is_not_named(
    channels: tuple[float, float, float],
) -> None:
    drawn = draw()
    near = cv2.dilate(drawn.ink, np.ones((15, 15), np.uint8))
    ring = cv2.GaussianBlur(near, (0, 0), 2.0) * (1 - drawn.ink)
    page = drawn.reflectance + ring[..., None] * np.array(channels, np.float32)
    _, pencil = separate(even(Drawn(drawn.ink, drawn.pencil, page.astype(np.float32))))
    assert not pencil.found
    assert pencil.note == "no coloured pencil found"


@pytest.mark.parametrize("colour", ["#D2EEF6", "#FFF3B0", "#FFE9E0"])
def test_truly_pale_pencil_is_named_and_goes(colour: str) -> None:
    drawn = draw(colour)
    grey, pencil = separate(even(drawn))
    assert len(pencil.colours) == 1
    assert re.fullmatch(
        rf"\w+ {pencil.colours[0]}: pencil, printed lines or wash, removed "
        r"\(from \d+ % of the sheet\)",
        pencil.note,
    )
    alone = (drawn.pencil > 0.6) & (cv2.dilate(drawn.ink, np.ones((15, 15), np.uint8)) == 0)
    assert float(grey.ink[alone].mean()) > 0.97


def test_what_was_asked_to_go_and_is_not_there_is_said() -> None:
    _, pencil = separate(even(draw()), ["green"])
    assert pencil.note == "removed, as asked: green (none was found)"


def test_the_layer_shows_the_pencil_without_the_ink() -> None:
    drawn = draw("#6FA8E0")
    layer = separate(even(drawn), keep_layer=True)[1].layer
    assert layer is not None
    assert layer.shape == (*drawn.ink.shape, 3)
    under = np.exp(drawn.pencil[..., None] * np.log(linear("#6FA8E0")))
    line = (drawn.ink > 0.99) & (cv2.erode(drawn.ink, np.ones((25, 25), np.uint8)) < 0.5)
    # Nothing is known under ink, but it is no longer dark, and its colour is the neighbours'.
    assert layer[line].min(axis=1).mean() > 0.3
    black = cv2.erode(drawn.ink, np.ones((41, 41), np.uint8)) > 0.99
    assert layer[black].min() > 0.9
    assert np.abs(layer[drawn.ink < 0.01] - under[drawn.ink < 0.01]).mean() < 0.05


@pytest.mark.parametrize("shape", [(1, 1), (2, 9), (30, 1), (12, 12)])
@pytest.mark.parametrize("value", [0.0, 0.02, 0.5, 1.0])
def test_any_sheet_gives_a_finite_grey_of_its_shape(shape: tuple[int, int], value: float) -> None:
    page: F32 = np.full((*shape, 3), value, np.float32)
    grey, pencil = separate(Sheet(page, PX_PER_MM, FRAME, page), keep_layer=True)
    assert grey.ink.shape == shape
    assert grey.ink.dtype == np.float32
    assert np.isfinite(grey.ink).all()
    assert not pencil.found


def test_the_sheet_is_not_written_to() -> None:
    sheet = even(draw("#A4DDED"))
    before = sheet.reflectance.copy()
    separate(sheet, keep_layer=True)
    assert (sheet.reflectance == before).all()


def _brown_strokes(amount: float) -> tuple[Sheet, Bool]:
    """Black drawing, and strokes of a brown ink, thinned with water, beside it."""
    drawn = draw()
    near = cv2.dilate(drawn.ink, np.ones((41, 41), np.uint8))
    brown = draw(seed=41, solid=False).ink * (near < 0.01)
    colour = np.exp(amount * np.log(linear("#7A5230"))).astype(np.float32)
    page = drawn.reflectance * (1 - brown[..., None]) + brown[..., None] * colour
    core = cv2.erode(brown, np.ones((5, 5), np.uint8)) > 0.9
    return even(Drawn(drawn.ink, drawn.pencil, page.astype(np.float32))), core


@pytest.mark.parametrize("amount", [0.6, 0.33])
def test_brown_ink_beside_black_is_kept_and_said(amount: float) -> None:
    sheet, brown = _brown_strokes(amount)
    grey, pencil = separate(sheet)
    assert brown.sum() > 200
    assert not pencil.found
    assert "another ink beside the black, kept" in pencil.note
    assert (grey.ink[brown] < 0.8).mean() > 0.98


@pytest.mark.parametrize("amount", [0.25, 0.5, 1.0])
def test_a_page_in_one_pale_ink_is_kept(amount: float) -> None:
    drawn = draw(solid=False)
    colour = np.exp(amount * np.log(linear("#7A5230"))).astype(np.float32)
    share = drawn.ink[..., None]
    page = np.asarray((1 - share) + share * colour, np.float32)
    grey, pencil = separate(even(Drawn(drawn.ink, drawn.pencil, page)))
    core = cv2.erode(drawn.ink, np.ones((5, 5), np.uint8)) > 0.9
    assert not pencil.found
    # dark brown is hardly told from black
    assert amount == 1.0 or "ink, which was kept" in re.sub(" #[0-9A-F]{6}", "", pencil.note)
    assert float(np.quantile(grey.ink[core], 0.98)) < 0.5 + colour.max() / 2
