"""The check before print: thinnest line, bleed, safe area, resolution."""

from __future__ import annotations

import numpy as np
import pytest

from inkclean.base.arrays import F64
from inkclean.curves.values import Curves
from inkclean.deliver.pictures.raster import moved
from inkclean.deliver.press.check import (
    check_lines,
    check_page,
    check_resolution,
    line_widths,
    thinnest_line,
)
from inkclean.deliver.press.trim import Margins, TrimmedPage
from tests.deliver import drawn

THREE, FIVE, NONE = Margins(3, 3, 3, 3), Margins(5, 5, 5, 5), Margins(0, 0, 0, 0)


def _turned(loop: F64, degrees: float, x: float, y: float) -> F64:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    out: F64 = loop @ np.array([[c, s], [-s, c]]) + np.array([x, y])
    return out


@pytest.mark.parametrize("angle", [0, 10, 30, 45, 60, 90, 133, 171])
@pytest.mark.parametrize("width", [0.05, 0.0882, 0.3])
def test_a_lines_width_is_measured_at_any_angle(angle: float, width: float) -> None:
    end = 30 + 20 * np.cos(np.radians(angle)), 30 + 20 * np.sin(np.radians(angle))
    page = drawn.curves([[drawn.line(30, 30, *end, width)]], 60, 60)
    widths = line_widths(page)
    found = thinnest_line(widths)
    assert found is not None
    assert found[0] == pytest.approx(width, rel=1e-6)
    # sweeps that leave through an end's square cut see no line: up to half a width each
    assert 20 - width - 0.15 <= widths.length_mm.sum() <= 20.15


def test_a_ring_is_a_line_all_round() -> None:
    page = drawn.curves([[drawn.ring(20, 20, 10.1), drawn.hole(drawn.ring(20, 20, 10))]], 40, 40)
    widths = line_widths(page)
    assert widths.length_mm.sum() == pytest.approx(2 * np.pi * 10.05, rel=0.01)
    assert np.median(widths.width_mm) == pytest.approx(0.1, rel=0.01)


@pytest.mark.parametrize("angle", [0, 33, 90, 120])
def test_the_tip_of_a_stroke_is_no_thin_line(angle: float) -> None:
    tip = drawn.polygon([(-0.2, 0), (0.2, 0), (0.0, 2.5)])
    page = drawn.curves([[_turned(tip, angle, 20, 20)]], 40, 40)
    assert check_lines(page, 0.25).verdict == "passes"
    # the same length of even line is one
    thin = drawn.line(0, 0, 0, 2.5, 0.05)
    page = drawn.curves([[_turned(thin, angle, 20, 20)]], 40, 40)
    assert check_lines(page, 0.25).verdict == "fails"


def test_a_long_hair_thin_end_counts() -> None:
    """A taper that is under a quarter point over more than 3 mm prints as a thin line."""
    tip = drawn.polygon([(-0.1, 0), (0.1, 0), (0.0, 12)])
    finding = check_lines(drawn.curves([[_turned(tip, 0, 20, 5)]], 40, 40), 0.25)
    assert finding.verdict == "fails"


def test_spot_blacks_have_no_thinnest_line() -> None:
    page = drawn.curves([[drawn.ring(20, 20, 9)]], 40, 40)
    assert check_lines(page, 0.25).verdict == "passes"
    assert check_lines(drawn.curves([], 40, 40), 0.25).verdict == "passes"


def test_the_cure_scales_to_the_limit() -> None:
    page = drawn.curves([[drawn.line(5, 5, 35, 12, 0.06)]], 40, 40)
    finding = check_lines(page, 0.25)
    assert finding.verdict == "fails"
    assert "0.17 pt (0.060 mm)" in finding.measured
    assert "1.5 times as large" in finding.cure
    assert check_lines(moved(page, 1.5, 0, 0), 0.25).verdict == "passes"


def _verdicts(art: Curves, page: TrimmedPage) -> dict[str, str]:
    return {f.name: f.verdict for f in check_page(art, page, thinnest_pt=0.25)}


def _bleeding(top: float) -> Curves:
    """Return a bar that runs from inside the page up to ``top`` mm (negative: over the trim)."""
    return drawn.curves([[drawn.box(40, top, 8, 30 - top)]], 100, 150)


@pytest.mark.parametrize(
    ("top", "bleed", "verdict"),
    [
        (-3.0, THREE, "passes"),
        (-5.0, THREE, "passes"),
        (-1.0, THREE, "fails"),
        (0.0, THREE, "fails"),
        (8.0, THREE, "passes"),
        (-3.0, NONE, "fails"),
        (8.0, NONE, "passes"),
    ],
)
def test_ink_at_the_trim_must_reach_the_bleeds_edge(
    top: float, bleed: Margins, verdict: str
) -> None:
    assert _verdicts(_bleeding(top), TrimmedPage(100, 150, bleed, FIVE))["bleed"] == verdict


@pytest.mark.parametrize("side", ["recto", "verso"])
def test_every_edge_is_looked_at(side: str) -> None:
    bars = {
        "top": drawn.box(40, -1, 5, 20),
        "bottom": drawn.box(40, 131, 5, 20),
        "left": drawn.box(-1, 60, 20, 5),
        "right": drawn.box(81, 60, 20, 5),
    }
    names = (
        {"left": "inner", "right": "outer"}
        if side == "recto"
        else {"left": "outer", "right": "inner"}
    )
    for place, bar in bars.items():
        page = TrimmedPage(100, 150, THREE, FIVE, "recto" if side == "recto" else "verso")
        found = check_page(drawn.curves([[bar]], 100, 150), page, thinnest_pt=0.25)
        said = next(f for f in found if f.name == "bleed")
        assert said.verdict == "fails"
        assert f"5.0 mm of the {names.get(place, place)} edge" in said.measured


def test_no_bleed_is_asked_for_at_the_gutter() -> None:
    page = TrimmedPage(100, 150, Margins(3, 3, 3, 0), FIVE)
    bar = drawn.curves([[drawn.box(-4, 60, 20, 5)]], 100, 150)
    assert _verdicts(bar, page)["bleed"] == "passes"


def test_ink_between_safe_area_and_trim_is_shown() -> None:
    page = TrimmedPage(100, 150, THREE, FIVE)
    lettering = drawn.box(97, 70, 1, 4)
    found = check_page(drawn.curves([[lettering]], 100, 150), page, thinnest_pt=0.25)
    said = next(f for f in found if f.name == "safe area")
    assert said.verdict == "look"
    assert "1 piece of ink" in said.measured
    assert "2.0 mm from the outer trim" in said.measured
    assert _verdicts(_bleeding(-3), page)["safe area"] == "passes"
    assert _verdicts(_bleeding(6), page)["safe area"] == "passes"


@pytest.mark.parametrize(("ppi", "verdict"), [(300, "passes"), (220, "look"), (150, "fails")])
def test_resolution(ppi: float, verdict: str) -> None:
    finding = check_resolution(ppi, 300)
    assert finding.verdict == verdict
    assert bool(finding.cure) == (verdict != "passes")
