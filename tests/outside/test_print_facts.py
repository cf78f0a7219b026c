"""Facts of the print trade, against what the print files hold.

Sizes, weights and inks that are common among printers (common practice, no source), and those
of standards, named beside each.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pikepdf
import pytest
from PIL import Image

from inkclean.base.units import MM_PER_INCH, MM_PER_PT, PAPERS, Paper
from inkclean.deliver.layers.under import UnderColour
from inkclean.deliver.pictures.raster import render
from inkclean.deliver.press.check import check_lines
from inkclean.deliver.press.colour import check_total_ink
from inkclean.deliver.press.files import PressSettings, lay_out_page, press_page
from inkclean.deliver.press.tiles import sharp_from_m
from inkclean.deliver.press.trim import Margins, fitted, make_page, parse_edges, parse_trim
from tests.deliver import drawn
from tests.deliver.pdf_reading import box_mm

# name, trim, bleed an edge, page with bleed, safe area; inches
# common among printers of comics
PAGES = [
    ("comic", (6.625, 10.25), "0.125in", (6.875, 10.5), (6.0, 9.0)),
    ("comic-short", (6.625, 10.187), "0.125in", (6.875, 10.438), (6.0, 9.5)),
    ("digest", (6.0, 9.0), "0.125in", (6.25, 9.25), (5.375, 8.0)),
]


@pytest.mark.parametrize(("name", "trim", "bleed", "bled", "safe_area"), PAGES)
def test_pages_of_us_printers(
    tmp_path: Path,
    name: str,
    trim: tuple[float, float],
    bleed: str,
    bled: tuple[float, float],
    safe_area: tuple[float, float],
) -> None:
    path = tmp_path / "page.pdf"
    spare = [(t - v) / 2 * MM_PER_INCH for t, v in zip(trim, safe_area, strict=True)]
    safe = Margins(spare[1], spare[0], spare[1], spare[0])
    settings = PressSettings(trim=parse_trim(name), bleed=parse_edges(bleed), safe=safe)
    press_page(drawn.page(), settings, {"pdf": path}, name, False)
    with pikepdf.open(path) as document:
        boxes = {
            key: np.array(box_mm(document.pages[0], f"{key}Box")) / MM_PER_INCH
            for key in ("Trim", "Bleed", "Media")
        }
    # the tables round to a thousandth of an inch
    assert boxes["Trim"][2:] - boxes["Trim"][:2] == pytest.approx(trim, abs=1e-4)
    assert boxes["Bleed"][2:] - boxes["Bleed"][:2] == pytest.approx(bled, abs=1.1e-3)
    assert boxes["Media"] == pytest.approx(boxes["Bleed"])
    page = make_page(parse_trim(name), parse_edges(bleed), safe)
    assert page.safe_area.width_mm / MM_PER_INCH == pytest.approx(safe_area[0])
    assert page.safe_area.height_mm / MM_PER_INCH == pytest.approx(safe_area[1])


def test_iso_sizes_halve() -> None:
    """ISO 216: A0 is 841 × 1189 mm, each size half the one before, rounded down."""
    width, height = 841, 1189
    for number in range(7):
        paper = parse_trim(f"A{number}")
        assert (paper.width_mm, paper.height_mm) == (width, height)
        width, height = height // 2, width


def test_a_board_drawn_at_one_and_a_half_times() -> None:
    """A board of 11 × 17 in with 10 × 15 in of art (common practice, no source).

    A safe area of 6 × 9 in takes it at exactly 60 per cent.
    """
    inch = MM_PER_INCH
    art = drawn.box(0.5 * inch, inch, 10 * inch, 15 * inch)
    board = drawn.curves([[art]], 11 * inch, 17 * inch)
    safe = Margins(0.625 * inch, 0.3125 * inch, 0.625 * inch, 0.3125 * inch)
    page = make_page(parse_trim("comic"), parse_edges("0.125in"), safe)
    assert fitted(board, page, "safe").scale == pytest.approx(0.6)


def test_3_mm_and_an_eighth_of_an_inch_are_not_the_same_bleed() -> None:
    """Common practice, no source: metric printers ask for 3 mm, US ones for 0.125 in."""
    assert parse_edges("0.125in").top - parse_edges("3mm").top == pytest.approx(0.175)


@pytest.mark.parametrize(("dpi", "px"), [(600, 2.0833), (1200, 4.1667), (2400, 8.3333)])
def test_a_quarter_point_in_pixels(dpi: int, px: float) -> None:
    """0.25 pt = 0.088 mm = 2.08 px at 600 dpi, computed; a common limit for black lines."""
    assert pytest.approx(0.0882, abs=5e-5) == 0.25 * MM_PER_PT
    # a line is two or three px wide as the grid falls; many show the mean
    width, gap = 0.25 * MM_PER_PT, 1.0 + 0.618 * MM_PER_INCH / dpi
    lines = [drawn.line(1, 1 + gap * n, 9, 1.0 + gap * n, width) for n in range(60)]
    page = drawn.curves([[line] for line in lines], 10, 70)
    ink = render(page, dpi)
    heights = ink[:, ink.shape[1] // 2].sum() / len(lines)
    assert heights == pytest.approx(px, abs=0.05)


@pytest.mark.parametrize("points", [0.2, 0.25, 0.5])
def test_lines_at_the_thinnest_that_printers_print(points: float) -> None:
    """0.2, 0.25 and 0.5 pt are common limits; a line is measured to 2 % of them."""
    for share, verdict in ((1.02, "passes"), (0.98, "fails")):
        line = drawn.line(5, 5, 40, 18, points * share * MM_PER_PT)
        finding = check_lines(drawn.curves([[line]], 50, 30), points)
        assert finding.verdict == verdict
        assert float(finding.measured.split(" pt")[0]) == pytest.approx(points * share, abs=0.011)


@pytest.mark.parametrize(
    ("inks", "limit", "said"),
    [
        ((60, 60, 60, 100), 280, None),  # 280 % is common on coated paper
        ((80, 60, 60, 100), 280, "300 %"),
        ((40, 60, 60, 40), 200, None),  # 200 % on newsprint
        ((60, 60, 60, 40), 200, "220 %"),
    ],
)
def test_ink_over_the_limit_of_a_paper_is_told_with_its_share(
    inks: tuple[int, int, int, int], limit: float, said: str | None
) -> None:
    pixels = np.zeros((10, 10, 4), np.uint8)
    pixels[:3] = np.array(inks) * 2.55 + 0.5
    finding = check_total_ink(UnderColour(pixels), None, limit)
    assert finding.verdict == ("fails" if said else "passes")
    assert said is None or finding.measured.startswith(f"{said} at most")
    assert said is None or "30.00% of the page" in finding.measured


@pytest.mark.parametrize("dpi", [600, 800, 1200])
def test_one_bit_line_art_at_the_resolutions_printers_ask_for(tmp_path: Path, dpi: int) -> None:
    """600 dpi on newsprint, 800 to 1200 in books (common practice, no source)."""
    path = tmp_path / "page.tiff"
    settings = PressSettings(trim=PAPERS["A6"], bleed=Margins(0, 0, 0, 0))
    press_page(drawn.page(), settings, {f"tiff{dpi}": path}, "page", False)
    with Image.open(path) as picture:
        assert picture.mode == "1"
        assert picture.info["dpi"] == (dpi, dpi)
        assert picture.size == (round(105 / 25.4 * dpi), round(148 / 25.4 * dpi))
    assert cv2.imread(str(path), cv2.IMREAD_UNCHANGED) is not None


@pytest.mark.parametrize(
    ("size", "scale", "ppi", "verdict"),
    [
        ((709, 945), 1.0, 300, "passes"),
        ((591, 788), 1.0, 250, "look"),
        ((709, 945), 2.0, 150, "fails"),
    ],
)
def test_colour_is_held_at_300_px_per_inch(
    tmp_path: Path, size: tuple[int, int], scale: float, ppi: int, verdict: str
) -> None:
    """Common practice, no source: colour under line art at 300 to 400 px per inch, as printed.

    The sheet is 60 × 80 mm, 2.362 × 3.150 in.
    """
    path = tmp_path / "colour.png"
    Image.new("RGB", size, (200, 120, 80)).save(path)
    found = lay_out_page(drawn.page(), PressSettings(under=path, scale=scale)).findings
    finding = next(f for f in found if f.name == "colour resolution")
    assert finding.verdict == verdict
    assert finding.measured.startswith(f"{ppi} px per inch")


@pytest.mark.parametrize(("metres", "ppi"), [(0.3, 291), (1.0, 87.3), (2.0, 43.7)])
def test_viewing_distance(metres: float, ppi: float) -> None:
    """One arc-minute: px per inch times inches of distance is 3438 (computed)."""
    assert sharp_from_m(ppi) == pytest.approx(metres, rel=2e-3)


def test_boxes_lie_in_the_order_pdf_x_asks_for(tmp_path: Path) -> None:
    """CGATS Application Notes v4, 2.10: trim or art box, not both; bleed holds trim; media all."""
    path = tmp_path / "page.pdf"
    settings = PressSettings(
        trim=Paper("t", 120, 170), marks=True, standard="x1a", intent="CGATS TR 001"
    )
    press_page(drawn.page(), settings, {"pdf": path}, "page", False)
    with pikepdf.open(path) as document:
        for page in document.pages:
            assert ("/TrimBox" in page.obj) != ("/ArtBox" in page.obj)
            assert "/CropBox" not in page.obj or page.obj.CropBox == page.obj.MediaBox
            trim, bleed, media = (box_mm(page, f"{n}Box") for n in ("Trim", "Bleed", "Media"))
            for inner, outer in ((trim, bleed), (bleed, media)):
                assert outer[0] <= inner[0] < inner[2] <= outer[2]
                assert outer[1] <= inner[1] < inner[3] <= outer[3]
