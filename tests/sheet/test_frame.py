"""Framing: the paper's outline, its size, and the sheet cut from the photo."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from inkclean.base.errors import UsageError
from inkclean.base.units import PAPERS
from inkclean.sheet.framing.frame import find_frame, given_frame, square_up, to_photo, whole_frame
from inkclean.sheet.framing.papers import aspects, framed_size
from inkclean.sheet.read import read_photos
from inkclean.sheet.values import Frame, Photo
from tests.alike import some_like
from tests.data import data
from tests.sheet.desks import Scene, corners, jaccard, photograph
from tests.sheet.icc import encode_srgb

A4 = (210.0, 297.0)
LETTER = (215.9, 279.4)
TABLOID = (279.4, 431.8)


def blank(width: int, height: int, ppi: float | None = None) -> Photo:
    return Photo(np.full((height, width, 3), 240, np.uint8), ppi, "blank")


# --- the outline

SCENES = {
    "brown desk": Scene(),
    "black desk": Scene(desk=(14, 14, 16), turn=-6, tilt=(14, -8)),
    "white desk": Scene(desk=(247, 248, 250), paper=(232, 228, 218), texture=1),
    "cream paper on a grey desk": Scene(desk=(150, 150, 150), paper=(228, 214, 180)),
    "small and turned": Scene(fill=0.55, turn=24, tilt=(10, 10), shift=(0.05, -0.04)),
    "cast shadow": Scene(shadow=0.5, seed=4),
    "a shadow on a white desk": Scene(
        desk=(205, 208, 214), paper=(240, 238, 232), shadow=0.45, texture=1
    ),
    "landscape": Scene(size=(1200, 900), page_mm=(297, 210), turn=-3),
    "noisy": Scene(noise=9, seed=3),
    "blank page": Scene(drawing=False),
    "letter": Scene(page_mm=LETTER, tilt=(-10, 4)),
    "tabloid": Scene(page_mm=TABLOID, tilt=(6, 9)),
    "a corner outside": Scene(fill=0.97, turn=5, shift=(0.06, 0.03), desk=(20, 22, 25)),
}


@pytest.mark.parametrize("name", some_like(3, *SCENES))
def test_outline_on_many_desks(name: str) -> None:
    scene = SCENES[name]
    photo, truth = photograph(scene)
    frame = find_frame(photo)
    assert frame.framed == "found"
    assert jaccard(frame, truth, scene.page_mm) > 0.99
    assert (frame.width_mm, frame.height_mm) == scene.page_mm
    assert 0.3 < frame.confidence <= 1.0


@pytest.mark.slow
@settings(max_examples=8, deadline=None, derandomize=True)
@given(
    turn=st.floats(-20, 20),
    tilt=st.tuples(st.floats(-15, 15), st.floats(-15, 15)),
    fill=st.floats(0.55, 0.9),
    dark=st.integers(10, 140),
    seed=st.integers(0, 99),
)
def test_outline_however_the_camera_is_held(
    turn: float, tilt: tuple[float, float], fill: float, dark: int, seed: int
) -> None:
    scene = Scene(turn=turn, tilt=tilt, fill=fill, desk=(dark, dark, dark // 2), seed=seed)
    photo, truth = photograph(scene)
    frame = find_frame(photo)
    assert jaccard(frame, truth, A4) > 0.99
    assert np.abs(frame.corners_px - truth).max() < 1.0
    assert frame.paper == "A4"


def test_edges_are_found_to_a_fraction_of_a_pixel() -> None:
    photo, truth = photograph(Scene(noise=3))
    assert np.abs(find_frame(photo).corners_px - truth).max() < 0.3


def test_a_side_outside_ends_the_page_at_the_picture() -> None:
    scene = Scene(fill=0.9, shift=(0.0, 0.18), turn=1, desk=(30, 25, 20))
    photo, truth = photograph(scene)
    assert truth[2, 1] > photo.pixels.shape[0]
    frame = find_frame(photo)
    height, width = photo.pixels.shape[:2]
    shown, _ = cv2.intersectConvexConvex(
        truth.astype(np.float32),
        np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32),
    )
    found = cv2.contourArea(frame.corners_px.astype(np.float32))
    assert shown * 0.99 < found < shown * 1.06  # a wedge is left, since the page lies askew
    np.testing.assert_allclose(frame.corners_px[:2], truth[:2], atol=2.0)
    # no blank paper is made up for what the picture does not show at all
    assert frame.corners_px[2:, 1].min() < height + 0.5
    inside = square_up(photo, frame).inside
    assert inside is None or inside.mean() > 0.94
    # and what is shown has its true scale
    page = np.array([[0, 0], [210, 0], [210, 297], [0, 297]], np.float32)
    place = cv2.getPerspectiveTransform(truth.astype(np.float32), page)
    lowest = cv2.perspectiveTransform(frame.corners_px[None, 2:].astype(np.float32), place)[0]
    assert frame.width_mm == 210.0
    assert frame.height_mm == pytest.approx(float(lowest[:, 1].mean()), rel=0.03)
    assert frame.paper == "A4"
    assert frame.confidence < 0.6
    assert "outside the picture" in frame.doubt


@pytest.mark.parametrize("ink", [(30, 30, 32), (170, 150, 135)])
@pytest.mark.parametrize("turn", [-2.0, 0.0, 3.0])
def test_a_panel_under_a_cut_margin_does_not_end_the_page(
    turn: float, ink: tuple[int, int, int]
) -> None:
    height, width, margin = 1500, 1100, 60
    pixels = np.full((height, width, 3), (96, 70, 48), np.uint8)
    page = np.array([[120, -200], [980, -200], [980, 1380], [120, 1380]], np.float64)
    panel = np.array([[240, margin], [860, margin], [860, 560], [240, 560]], np.float64)
    turned = cv2.getRotationMatrix2D((550, 700), turn, 1.0)
    for outline, colour in ((page, (232, 230, 224)), (panel, ink)):
        points = outline @ turned[:, :2].T + turned[:, 2]
        cv2.fillPoly(pixels, [np.round(points).astype(np.int32)], colour)
    noise = np.random.default_rng(5).normal(0, 3, pixels.shape)
    frame = find_frame(Photo(np.clip(pixels + noise, 0, 255).astype(np.uint8), None, "cut"))
    top = panel[:2] @ turned[:, :2].T + turned[:, 2]
    at = to_photo(frame, np.array([[frame.width_mm / 2, 0.0]]))[0]
    assert at[1] < top[:, 1].mean() - margin / 2


def test_a_page_without_a_desk_is_taken_whole() -> None:
    """The drawing's own panels, however straight, are no paper."""
    photo, truth = photograph(Scene(fill=0.6, tilt=(0, 0), turn=0, noise=1))
    low, high = np.ceil(truth.min(axis=0)).astype(int) + 4, truth.max(axis=0).astype(int) - 4
    page = np.ascontiguousarray(photo.pixels[low[1] : high[1], low[0] : high[0]])
    frame = find_frame(Photo(page, None, "page"))
    assert frame.framed == "whole"
    assert frame.paper == "A4"
    assert frame.confidence < 0.6


@pytest.mark.parametrize("size", [(1, 1), (1, 300), (300, 2), (40, 30), (900, 700)])
def test_pictures_of_nothing_are_taken_whole(size: tuple[int, int]) -> None:
    for value in (0, 128, 255):
        photo = Photo(np.full((size[1], size[0], 3), value, np.uint8), None, "nothing")
        frame = find_frame(photo)
        assert frame.framed == "whole"
        assert square_up(photo, frame).pixels.shape == photo.pixels.shape


def test_noise_alone_is_taken_whole() -> None:
    noise = np.random.default_rng(2).integers(0, 255, (700, 500, 3), dtype=np.uint8)
    assert find_frame(Photo(noise, None, "noise")).framed == "whole"


# --- size

PAPER_NAMES = ["A4", "letter", "tabloid"]


@pytest.mark.parametrize("name", PAPER_NAMES)
@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("tilt", [(0.0, 0.0), (15.0, 0.0), (-12.0, 18.0), (25.0, -20.0)])
def test_paper_told_by_its_shape(name: str, turned: bool, tilt: tuple[float, float]) -> None:
    paper = PAPERS[name]
    page = (paper.width_mm, paper.height_mm)
    scene = Scene(page_mm=page[::-1] if turned else page, tilt=tilt, turn=3)
    size = framed_size(corners(scene), scene.size, None)
    assert size.name == name
    assert (size.width_mm, size.height_mm) == scene.page_mm
    assert size.trust > 0.7


def test_true_aspect_from_perspective() -> None:
    """Zhang & He 2007: exact at the true focal length, where the corner is square."""
    scene = Scene(page_mm=(200, 300), tilt=(20, 25), turn=10)
    focal = 0.62 * np.hypot(*scene.size)
    aspect, cosine = aspects(corners(scene), scene.size, np.array([focal, 2 * focal]))
    assert aspect[0] == pytest.approx(200 / 300, abs=1e-6)
    assert cosine[0] == pytest.approx(0.0, abs=1e-6)
    assert abs(cosine[1]) > 0.01


def test_no_standard_size_is_said_so() -> None:
    scene = Scene(page_mm=(200, 200), tilt=(0, 0))
    size = framed_size(corners(scene), scene.size, None)
    assert size.name is None
    assert size.trust < 0.5
    assert size.width_mm == pytest.approx(size.height_mm, rel=0.01)
    assert size.doubt


def test_the_paper_named_wins() -> None:
    photo, _ = photograph(Scene())
    frame = find_frame(photo, PAPERS["A3"])
    assert (frame.paper, frame.width_mm, frame.height_mm) == ("A3", 297, 420)
    assert not frame.doubt


def test_sizes_of_one_shape_are_a_doubt() -> None:
    photo, _ = photograph(Scene())
    frame = find_frame(photo)
    assert frame.paper == "A4"
    assert "A3" in frame.doubt
    assert "--" not in frame.doubt  # the desk shows it too, and has no options


@pytest.mark.parametrize(
    ("size", "ppi", "page", "name"),
    [
        ((2480, 3508), 300.0, (209.97, 297.01), "A4"),
        ((2480, 3508), None, (209.97, 297.01), "A4"),
        ((5100, 3300), None, (431.8, 279.4), "tabloid"),
        ((1000, 1000), 100.0, (254.0, 254.0), None),
        ((1050, 1485), None, (210.0, 297.0), "A4"),
        ((1000, 1900), None, (156.3, 297.0), None),
    ],
)
def test_size_of_whole_pictures(
    size: tuple[int, int], ppi: float | None, page: tuple[float, float], name: str | None
) -> None:
    frame = whole_frame(blank(*size, ppi))
    assert (frame.width_mm, frame.height_mm) == pytest.approx(page, abs=0.06)
    assert frame.paper == name
    assert frame.width_mm / frame.height_mm == pytest.approx(size[0] / size[1])


# --- the sheet


def test_a_scan_comes_through_untouched() -> None:
    rng = np.random.default_rng(1)
    pixels = rng.integers(0, 255, (351, 248, 3), dtype=np.uint8)
    photo = Photo(pixels, 30.0, "scan")
    squared = square_up(photo, whole_frame(photo))
    np.testing.assert_array_equal(squared.pixels, pixels)
    assert squared.px_per_mm == pytest.approx(30.0 / 25.4)
    assert squared.inside is None


def test_corners_and_middle_go_where_they_belong() -> None:
    quad = np.array([[100.0, 80.0], [820.0, 110.0], [790.0, 1100.0], [60.0, 1050.0]])
    frame = given_frame(blank(900, 1200), quad, PAPERS["A4"])
    page = np.array([[0, 0], [210, 0], [210, 297], [0, 297.0]])
    np.testing.assert_allclose(to_photo(frame, page), quad, atol=1e-9)
    # A projectivity keeps straight lines: the middle lies where the diagonals cross.
    place = cv2.getPerspectiveTransform(page.astype(np.float32), quad.astype(np.float32))
    wanted = cv2.perspectiveTransform(np.array([[[105, 148.5]]], np.float32), place)[0]
    np.testing.assert_allclose(to_photo(frame, np.array([[105, 148.5]])), wanted, atol=1e-2)


def test_squaring_agrees_with_the_mapping() -> None:
    """Marks set in the photo by ``to_photo`` come out at their place on the sheet."""
    quad = np.array([[100.0, 80.0], [820.0, 110.0], [790.0, 1100.0], [60.0, 1050.0]])
    photo = blank(900, 1200)
    frame = given_frame(photo, quad, PAPERS["A4"])
    y, x = np.mgrid[:1200, :900] + 0.5
    marks = np.array([[30, 40], [180, 60], [105, 150], [40, 270], [190, 250.0]])
    spots = np.zeros((1200, 900))
    for px, py in to_photo(frame, marks):
        spots += np.exp(-((x - px) ** 2 + (y - py) ** 2) / (2 * 4.0**2))
    pixels = np.repeat((spots * 255)[..., None], 3, axis=2).astype(np.uint8)
    squared = square_up(replace(photo, pixels=pixels), frame, 5.0)
    assert squared.pixels.shape == (1485, 1050, 3)
    sy, sx = np.mgrid[:1485, :1050] + 0.5
    for mark in marks:
        near = np.hypot(sx - mark[0] * 5, sy - mark[1] * 5) < 22
        weight = squared.pixels[..., 0][near].astype(float)
        centre = np.array([(sx[near] * weight).sum(), (sy[near] * weight).sum()]) / weight.sum()
        np.testing.assert_allclose(centre, mark * 5, atol=0.15)


def test_native_scale_neither_loses_nor_invents() -> None:
    photo, truth = photograph(Scene(tilt=(0, 0), turn=7))
    squared = square_up(photo, find_frame(photo))
    leg = np.hypot(*(truth[1] - truth[0]))
    assert squared.px_per_mm == pytest.approx(leg / 210.0, rel=0.01)


def _bowed(depth: float) -> tuple[Photo, NDArray[np.float64]]:
    """A page whose top and bottom edges sag by ``depth`` px, and its boundary."""
    t = np.linspace(0, 1, 101)[:, None]
    sag = np.array([0.0, 1.0]) * (4 * depth * t * (1 - t))
    top = np.array([80.0, 90.0]) + t * (740, 0) + sag
    bottom = np.array([80.0, 1100.0]) + t * (740, 0) + sag
    ring = np.concatenate([top, bottom[::-1]])
    fine = np.zeros((1200 * 4, 900 * 4), np.float32)
    cv2.fillPoly(fine, [np.round((ring * 4 - 0.5) * 256).astype(np.int32)], 1.0, cv2.LINE_8, 8)
    share = cv2.resize(fine, (900, 1200), interpolation=cv2.INTER_AREA)[..., None]
    noise = np.random.default_rng(0).normal(0, 2, (1200, 900, 3))
    image = encode_srgb(0.05 * (1 - share) + 0.83 * share) * 255 + noise
    return Photo(np.clip(image, 0, 255).astype(np.uint8), None, "bowed"), ring


@pytest.mark.parametrize("depth", [-18.0, 10.0, 25.0])
def test_bowed_edges_are_followed(depth: float) -> None:
    photo, _ = _bowed(depth)
    frame = find_frame(photo)
    assert frame.edges_px is not None
    top, bottom = frame.edges_px[0], frame.edges_px[2]
    for edge, level in ((top, 90.0), (bottom, 1100.0)):
        t = (edge[:, 0] - 80.0) / 740.0
        away = edge[:, 1] - (level + 4 * depth * t * (1 - t))
        assert np.abs(away[3:-3]).max() < 0.7
    squared = square_up(photo, frame)
    rim = squared.pixels[:, 60:-60]
    assert min(rim[:4].min(), rim[-4:].min()) > 190


def test_straight_edges_stay_straight() -> None:
    photo, _ = photograph(Scene())
    assert find_frame(photo).edges_px is None


def test_no_desk_is_left_at_the_rim() -> None:
    photo, _ = photograph(Scene(desk=(8, 8, 8), drawing=False, noise=1))
    pixels = square_up(photo, find_frame(photo)).pixels
    assert pixels.min() > 120


# --- corners given by hand


def test_given_corners_are_kept() -> None:
    quad = np.array([[-20.0, 10.0], [500.0, 0.0], [520.0, 700.0], [5.0, 720.0]])
    frame = given_frame(blank(510, 710), quad)
    np.testing.assert_array_equal(frame.corners_px, quad)
    assert frame.framed == "given"
    squared = square_up(blank(510, 710), frame)
    assert squared.inside is not None and not squared.inside.all()


@pytest.mark.parametrize(
    "quad",
    [
        [[0, 0], [0, 100], [100, 100], [100, 0]],
        [[0, 0], [100, 0], [0, 100], [100, 100]],
        [[0, 0], [100, 0], [20, 20], [0, 100]],
        [[0, 0], [50, 0], [100, 0], [200, 0]],
        [[0, 0], [1, 0], [1, 1], [0, 1]],
        [[0, 0], [100, 0], [100, float("nan")], [0, 100]],
    ],
)
def test_corners_that_enclose_no_page_are_refused(quad: list[list[float]]) -> None:
    with pytest.raises(UsageError) as caught:
        given_frame(blank(600, 800), np.array(quad))
    assert "corners" in str(caught.value)
    assert "\n" not in str(caught.value)


# --- real pictures


def _real(name: str) -> Frame:
    return find_frame(next(read_photos(data(name))))


@pytest.mark.parametrize("number", some_like(1, *range(1, 9)))
def test_real_scans_are_taken_whole(number: int) -> None:
    frame = _real(f"ink_scans/scan{number:02d}.jpg")
    assert frame.framed == "whole"
    assert frame.confidence > 0.9  # the files state 300 ppi


@pytest.mark.parametrize("number", some_like(1, 3, 4, 6, 8, 12))
def test_real_photos_without_an_outline_are_taken_whole(number: int) -> None:
    assert _real(f"phone_photos/photo{number:02d}.jpg").framed == "whole"


# Corners read off the photos by eye, to about a hundredth of the longer side.
SEEN = {
    "phone_photos/photo01.jpg": [(0.01, 0.415), (0.97, 0.415)],
    "phone_photos/photo11.jpg": [(0.022, 0.015), (0.99, 0.02), (0.978, 0.698), (0.02, 0.675)],
}


@pytest.mark.parametrize("name", SEEN)
def test_real_photos_with_an_outline(name: str) -> None:
    frame = _real(name)
    assert frame.framed == "found"
    with_size = next(read_photos(data(name))).pixels.shape
    found = frame.corners_px / max(with_size[:2])
    for x, y in SEEN[name]:
        assert np.hypot(*(found - (x, y)).T).min() < 0.02
