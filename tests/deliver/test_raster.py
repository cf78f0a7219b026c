"""One-bit pixels from curves: exact at pixel centres, unbiased in area, the same by bands."""

from __future__ import annotations

import numpy as np
import pytest
import resvg_py
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from scipy.spatial import cKDTree

from inkclean.base.arrays import F64, Bool
from inkclean.base.errors import UsageError
from inkclean.curves.values import Curves
from inkclean.deliver.pictures.raster import (
    Region,
    crossings,
    flatten,
    moved,
    packed_bands,
    render,
    size_px,
)
from tests.deliver import drawn

# one px per mm, so that coordinates in mm are px
UNIT_DPI = 25.4


def _winding(points: list[tuple[float, float]], size: int) -> Bool:
    """Tell inside from outside by the sum of angles at each pixel's centre."""
    y, x = np.mgrid[:size, :size] + 0.5
    total = np.zeros((size, size))
    for (x0, y0), (x1, y1) in zip(points, points[1:] + points[:1], strict=True):
        a, b = np.stack([x0 - x, y0 - y]), np.stack([x1 - x, y1 - y])
        total += np.arctan2(a[0] * b[1] - a[1] * b[0], a[0] * b[0] + a[1] * b[1])
    return np.asarray(np.abs(total) > np.pi)


# irrational shifts: no side runs through a pixel's centre, where inside and outside are a choice
across = st.integers(-30, 150).map(lambda n: n / 5 + np.pi / 100)
down = st.integers(-30, 150).map(lambda n: n / 5 + np.e / 100)


@given(st.lists(st.tuples(across, down), min_size=3, max_size=9, unique=True))
@settings(max_examples=150, deadline=None)
def test_any_polygon_agrees_with_the_angle_sum(points: list[tuple[float, float]]) -> None:
    loop = drawn.polygon(points)
    page = drawn.curves([[loop]], 24, 24)
    corners = [(float(x), float(y)) for x, y in loop[:, 0]]
    assert (render(page, UNIT_DPI) == _winding(corners, 24)).all()


@pytest.mark.parametrize("dpi", [600, 1200])
def test_area_of_a_disc_is_neither_grown_nor_shrunk(dpi: int) -> None:
    r = 9.0
    px = dpi / 25.4
    ink = render(drawn.curves([[drawn.ring(10.13, 10.27, r)]], 20, 20), dpi).sum()
    # four cubics enclose up to 5e-4 more; a rim of half a pixel would add 0.5 % and more
    assert ink == pytest.approx(np.pi * (r * px) ** 2, rel=1e-3)


@pytest.mark.parametrize("angle", [0, 7, 31, 45, 76, 90])
def test_lines_keep_their_weight_at_any_angle(angle: float) -> None:
    dx, dy = 4 * np.cos(np.radians(angle)), 4 * np.sin(np.radians(angle))
    width, length, px = 0.2, 8.0, 600 / 25.4
    # a line at 200 places in a pixel, for one alone falls on the grid as it falls
    place = 6 + np.stack([np.arange(200) / 200, np.arange(200) * 0.6180339887 % 1], 1) / px
    ink = sum(
        int(render(drawn.curves([[_line(x, y, dx, dy, width)]], 12, 12), 600).sum())
        for x, y in place.tolist()
    )
    assert ink / len(place) == pytest.approx(width * length * px**2, rel=3e-3)


def _line(x: float, y: float, dx: float, dy: float, width: float) -> F64:
    return drawn.line(x - dx, y - dy, x + dx, y + dy, width)


def test_holes_islands_and_shapes_that_touch() -> None:
    page = drawn.curves(
        [
            [drawn.box(1, 1, 10, 10), drawn.hole(drawn.box(3, 3, 6, 6))],
            [drawn.box(5, 5, 2, 2)],
            [drawn.box(10, 10, 4, 4)],  # over the corner of the first
        ],
        16,
        16,
    )
    truth = np.zeros((16, 16), np.bool_)
    truth[1:11, 1:11] = True
    truth[3:9, 3:9] = False
    truth[5:7, 5:7] = True
    truth[10:14, 10:14] = True
    assert (render(page, UNIT_DPI) == truth).all()


def test_bands_of_any_height_make_the_same_picture() -> None:
    page = drawn.page()
    whole = render(page, 300)
    height, width = size_px(Region(0, 0, 60, 80), 300)
    for rows in (1, 37, 5000):
        bands = np.concatenate(list(packed_bands(page, 300, rows=rows)))
        assert bands.shape == (height, -(-width // 8))
        assert (np.unpackbits(bands, axis=1, count=width).view(np.bool_) == whole).all()


def test_a_region_is_a_cut_out_of_the_whole() -> None:
    page = drawn.page()
    dpi = 254  # ten px per mm
    whole = render(page, dpi)
    part = render(page, dpi, region=Region(11, 20, 30, 41.5))
    assert (part == whole[200:615, 110:410]).all()
    beyond = render(page, dpi, region=Region(-5, -5, 70, 90))
    assert (beyond[50:850, 50:650] == whole).all()
    assert beyond.sum() == whole.sum()


def test_a_scaled_and_moved_sheet_covers_the_same_pixels() -> None:
    page = drawn.page()
    large = moved(page, 2.0, 3.0, 4.0)
    assert (large.width_mm, large.height_mm) == (120, 160)
    cut = render(large, 150, region=Region(3.0, 4.0, 120, 160))
    assert (cut == render(page, 300)).all()


def test_an_empty_page_is_paper() -> None:
    assert not render(drawn.curves([], 10, 12), 100).any()


def test_sizes_that_no_file_could_hold_are_refused() -> None:
    with pytest.raises(UsageError, match="cannot be drawn"):
        size_px(Region(0, 0, 5000, 5000), 2400)
    with pytest.raises(UsageError, match="cannot be drawn"):
        size_px(Region(0, 0, 0.001, 10), 600)


def test_chords_stay_within_the_tolerance_and_closed() -> None:
    cubics = np.concatenate([drawn.ring(0, 0, 400), drawn.box(1, 1, 9, 9)])
    starts, ends = flatten(cubics, 0.02)
    assert sorted(map(tuple, starts.tolist())) == sorted(map(tuple, ends.tolist()))
    assert len(starts) < 500
    middle = (starts + ends)[: len(starts) - 4] / 2
    t = np.linspace(0, 1, 200_001)[:, None]
    s = 1 - t
    c = cubics[:4, None]
    fine = s**3 * c[:, :, 0] + 3 * s * s * t * c[:, :, 1] + 3 * s * t * t * c[:, :, 2]
    fine = (fine + t**3 * c[:, :, 3]).reshape(-1, 2)
    assert cKDTree(fine).query(middle)[0].max() <= 0.02


def test_crossings_tell_place_and_slope() -> None:
    found = crossings(drawn.polygon([(0, 0), (8, 0), (0, 4)]), 0, 4)
    slanted = found.slope != 0
    assert sorted(found.row[slanted].tolist()) == [0, 1, 2, 3]
    assert np.allclose(found.x[slanted], 8 - 2 * (found.row[slanted] + 0.5))
    assert np.allclose(found.slope[slanted], -2)


def _svg(page: Curves, px: int) -> str:
    def loop(c: F64) -> str:
        head = "M{} {}".format(*c[0, 0])
        return head + "".join("C" + " ".join(map(str, seg[1:].ravel())) for seg in c) + "Z"

    loops = [page.cubics[a:b] for a, b in zip(page.loops[:-1], page.loops[1:], strict=True)]
    path = "".join(loop(c) for c in loops)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{page.width_mm * px}" '
        f'height="{page.height_mm * px}" viewBox="0 0 {page.width_mm} {page.height_mm}">'
        f'<rect width="100%" height="100%" fill="#fff"/><path d="{path}"/></svg>'
    )


def test_another_renderer_sees_the_same() -> None:
    """Against resvg's area coverage of the same outlines at 20 px per mm."""
    import io

    page = drawn.page()
    png = bytes(resvg_py.svg_to_bytes(svg_string=_svg(page, 20)))
    with Image.open(io.BytesIO(png)) as picture:
        cover = 1 - np.asarray(picture.convert("L"), np.float64) / 255
    ink = render(page, 20 * 25.4)
    assert not (ink & (cover < 0.2)).any()
    assert not (~ink & (cover > 0.8)).any()
    assert ink.sum() == pytest.approx(cover.sum(), rel=1e-3)
