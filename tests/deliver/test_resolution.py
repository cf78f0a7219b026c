"""Pictures of a page at the resolutions asked for, in whole-number ratio, over one another."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage.registration import phase_cross_correlation

from inkclean.base.arrays import F32, U16
from inkclean.base.errors import UsageError
from inkclean.deliver.pictures.bitmap import cut_at, own_alpha
from inkclean.deliver.resolution import at_dpi, colour_dpi, fitted, labels_at
from inkclean.flats.colour.shade import Shading
from inkclean.flats.find import find_flats
from inkclean.flats.values import AREA, NEIGHBOURS, Flats, no_rows
from inkclean.ink.values import Ink, Pencil

PX_PER_MM = 319.735 / 25.4


@pytest.mark.parametrize(
    ("ink", "colour"),
    [(600, 300), (1200, 300), (2400, 300), (300, 300), (150, 150), (450, 450), (800, 400)],
)
def test_colour_comes_at_300_dpi_or_the_next_above_that_divides_the_ink(
    ink: int, colour: int
) -> None:
    assert colour_dpi(ink) == colour
    assert ink % colour == 0


def test_other_resolutions_divide_the_ink_or_are_refused() -> None:
    assert colour_dpi(600, 600) == 600
    assert colour_dpi(600, 200) == 200
    # 600 dpi as PNG keeps it: 23 622 px per metre
    assert colour_dpi(23622 * 0.0254, 300) == pytest.approx(300, abs=0.001)
    assert colour_dpi(23622 * 0.0254) == pytest.approx(300, abs=0.001)
    for wrong in (400, 601, 1200):
        with pytest.raises(UsageError, match=f"--colour-dpi {wrong}") as said:
            colour_dpi(600, wrong)
        assert "\n" not in str(said.value)


@pytest.mark.parametrize("dpi", [300, 600, 1200])
@pytest.mark.parametrize("px_per_mm", [PX_PER_MM, 300 / 25.4, 5.91])
def test_every_size_of_ink_is_a_multiple_of_the_colour_files(dpi: int, px_per_mm: float) -> None:
    labels = np.ones((1, 1), np.uint16)
    for side in range(40, 400):
        scale = dpi / 25.4 / px_per_mm
        ink = np.zeros((4, round(side * scale)), np.bool_)
        there = fitted(ink, (4, side), px_per_mm, dpi)
        at_300 = 300 / 25.4 / px_per_mm
        bare = Flats(np.ones((4, side), np.uint16), px_per_mm, no_rows(AREA), no_rows(NEIGHBOURS))
        lines = Ink(np.zeros((4, side), np.float32), px_per_mm, Pencil(False, (), 0.0, None, ""))
        colour = at_dpi(bare, lines, None, 300)[0].labels
        assert there.shape[1] == colour.shape[1] * dpi // 300
        assert abs(there.shape[1] - side * scale) <= dpi / 600 + 1e-6
        assert abs(colour.shape[1] - side * at_300) <= 0.5 + 1e-6
    assert labels_at(labels, 3.0, (3, 3)).tolist() == [[1] * 3] * 3


def _discs(side: int, scale: float, discs: list[tuple[float, float, float]]) -> U16:
    """Return a label map of discs (x, y, radius) enlarged by ``scale``, cut at pixel centres."""
    at = (np.arange(round(side * scale)) + 0.5) / scale
    labels = np.ones((len(at), len(at)), np.uint16)
    for number, (x, y, radius) in enumerate(discs, 2):
        labels[(at[None, :] - x) ** 2 + (at[:, None] - y) ** 2 <= radius**2] = number
    return labels


@pytest.mark.parametrize("scale", [300 / 319.735, 0.5, 1.0, 1.37, 600 / 319.735, 3.0])
def test_borders_of_areas_stay_where_they_were(scale: float) -> None:
    discs = [(60.3, 71.8, 40.0), (150.7, 140.2, 33.3), (60.1, 150.4, 21.7)]
    labels = _discs(200, 1.0, discs)
    truth = _discs(200, scale, discs)
    found = labels_at(labels, scale, truth.shape)
    assert set(np.unique(found)) == set(np.unique(labels))
    # a border off by half a pixel, of the coarser map, leaves this much of its length wrong
    around = 2 * np.pi * sum(radius for *_, radius in discs) * scale
    assert np.count_nonzero(found != truth) < 0.5 * around * max(1.0, scale)
    near = 0.25 * max(1.0, 1 / scale)  # a quarter of a pixel of the coarser map
    for number, (x, y, radius) in enumerate(discs, 2):
        row, column = np.nonzero(found == number)
        assert (column.mean() + 0.5) / scale == pytest.approx(x, abs=near)
        assert (row.mean() + 0.5) / scale == pytest.approx(y, abs=near)
        assert np.sqrt(len(row) / np.pi) / scale == pytest.approx(radius, abs=near)
    if scale == 1.0:
        np.testing.assert_array_equal(found, labels)


def _drawn() -> F32:
    """Return the coverage of a page of 719 × 911 px: rings and a box, drawn 8 times as large."""
    fine = np.zeros((911 * 8, 719 * 8), np.uint8)
    for x, y, radius in ((200, 220, 150), (500, 640, 170), (220, 640, 90)):
        cv2.circle(fine, (x * 8 + 3, y * 8 + 5), radius * 8, 255, 64)
    cv2.rectangle(fine, (420 * 8, 80 * 8), (680 * 8, 400 * 8), 255, 64)
    small = cv2.resize(fine, (719, 911), interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.float32) / np.float32(255)


def _shift(one: F32, other: F32) -> float:
    """Return how far one picture lies from the other in px, to a fiftieth.

    Guizar-Sicairos, Thurman and Fienup, "Efficient subpixel image registration algorithms",
    Optics Letters 33(2), 2008; scikit-image's.
    """
    moved = phase_cross_correlation(one, other, upsample_factor=50)[0]
    return float(np.hypot(*moved))


@pytest.mark.parametrize(("ink_dpi", "dpi"), [(600, 300), (300, 300), (1200, 300)])
def test_ink_lines_and_areas_lie_over_each_other(ink_dpi: int, dpi: int) -> None:
    ink = Ink(_drawn(), PX_PER_MM, Pencil(False, (), 0.0, None, ""))
    flats = find_flats(ink)
    shade = np.zeros(ink.coverage.shape, np.uint8)
    shade[:, 300:] = 90
    ratio = ink_dpi // dpi
    fine = fitted(cut_at(ink.coverage, PX_PER_MM, ink_dpi), ink.coverage.shape, PX_PER_MM, ink_dpi)
    sized, lines, shading = at_dpi(flats, ink, Shading(shade, shade), dpi)
    assert shading is not None
    assert sized.px_per_mm == lines.px_per_mm == pytest.approx(dpi / 25.4)
    shape = sized.labels.shape
    assert lines.coverage.shape == shading.shade.shape == shading.light.shape == shape
    assert fine.shape == (shape[0] * ratio, shape[1] * ratio)
    assert set(np.unique(sized.labels)) == set(np.unique(flats.labels))
    coarse = own_alpha(lines).astype(np.float32) / np.float32(255)
    mean = cv2.resize(fine.astype(np.float32), shape[::-1], interpolation=cv2.INTER_AREA)
    assert _shift(np.asarray(mean, np.float32), coarse) < 0.1
    # lines of 7.5 px: a twentieth of a pixel on each side
    assert coarse.sum() == pytest.approx(mean.sum(), rel=0.1 / 7.5)
    # borders run under the ink of the finer picture, half a pixel beside it at most
    across = sized.labels[:, 1:] != sized.labels[:, :-1]
    row, column = np.nonzero(across)
    near = cv2.dilate(fine.astype(np.uint8), np.ones((2 * ratio + 1,) * 2, np.uint8))
    under = near[row * ratio + ratio // 2, (column + 1) * ratio]
    assert under.mean() > 0.999
    edge = float(np.nonzero(shading.shade[5] >= 45)[0][0]) / dpi * 25.4 * PX_PER_MM
    assert edge == pytest.approx(300, abs=1.1 * 319.735 / dpi)
