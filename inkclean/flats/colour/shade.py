"""A first shade and light from one direction, made to be painted over."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, I32, U8, Bool
from inkclean.flats.colour.relief import inflate, normals
from inkclean.flats.colour.space import lab_to_srgb, to_lab
from inkclean.flats.values import FIGURE, Flats
from inkclean.ink.values import Ink

# Resolution of the relief: finer than a line is broad, so its steps lie under the ink.
_PX_PER_MM = 4.0
# How far an area's surface goes on under a spot black: half a heavy line.
_INTO_BLACK_MM = 0.5
# A spot black is mostly what an area ends at, seldom a thing before it like a pupil: it must
# be this many times smaller than an area would have to be.
_BLACK_COUNTS = 5.0
# How high the light stands: low enough that the far side falls dark, high enough that flat
# middles stay as bright as their colour.
ELEVATION = np.radians(42.0)
# Brightness below and above that of a flat piece at which shade and light begin and are full.
SHADE_FROM, SHADE_FULL = 0.10, 0.95
LIGHT_FROM, LIGHT_FULL = 0.14, 0.34
# The most of a layer that covers its flat, of 255: gentle, a hint for the hand.
SHADE_MOST, LIGHT_MOST = 150, 95
# An area inside another and this small beside it lies on its surface: an eye on a face does
# not bulge by itself. A share of the surrounding area, and mm².
_ON_SURFACE_SHARE, _ON_SURFACE_MM2 = 0.06, 80.0
# Shade turns cooler and a little stronger in colour, light warmer and paler.
_SHADE_LIGHTNESS, _SHADE_COOLER = 0.60, np.array([0.0, 2.0, -9.0])
_LIGHT_LIFT, _LIGHT_WARMER = 0.60, np.array([0.0, 0.0, 6.0])


@dataclass(frozen=True)
class Shading:
    """How much shade and light lies on each pixel, (H, W) uint8, 255 = all."""

    shade: U8
    light: U8


@dataclass(frozen=True)
class Relief:
    """Which way the drawing's surface looks: unit normals (h, w) float32, x right, y down, z up.

    ``on`` is (h, w) bool, True where there is a figure to shade; the grid has ``px_per_mm``.
    """

    x: F32
    y: F32
    z: F32
    on: Bool
    px_per_mm: float


def relief_of(flats: Flats, ink: Ink) -> Relief:
    """Return the relief that the figures of the drawing swell into."""
    body, size_of, scale = _bodies(flats, ink)
    x, y, z = normals(inflate(body, size_of, scale), body, size_of, scale)
    return Relief(x, y, z, (body > 0) & (body <= len(flats.areas)), scale)


def shade_areas(flats: Flats, ink: Ink, direction: float) -> Shading:
    """Return a soft shade and light for light from ``direction``.

    ``direction`` is in degrees clockwise from the top of the sheet, as on a compass: 0 light
    from above, 90 from the right, 315 from the upper left. Only areas of the drawing are
    shaded, not background or gutter. Brightness is the cosine between the relief's normal and
    the light (Lambert).
    """
    height, width = flats.labels.shape
    relief = relief_of(flats, ink)
    angle = np.radians(direction)
    flat = np.float32(np.sin(ELEVATION))
    bright = relief.x * np.float32(np.sin(angle) * np.cos(ELEVATION))
    bright -= relief.y * np.float32(np.cos(angle) * np.cos(ELEVATION))
    bright += relief.z * flat - flat
    bright[~relief.on] = 0
    size = (width, height)
    shade = _eased(-bright, SHADE_FROM, SHADE_FULL, SHADE_MOST)
    light = _eased(bright, LIGHT_FROM, LIGHT_FULL, LIGHT_MOST)
    return Shading(
        np.asarray(cv2.resize(shade, size, interpolation=cv2.INTER_LINEAR), np.uint8),
        np.asarray(cv2.resize(light, size, interpolation=cv2.INTER_LINEAR), np.uint8),
    )


def shaded(srgb: U8) -> U8:
    """Return the colour to shade a flat with."""
    lab = to_lab(srgb) * np.array([_SHADE_LIGHTNESS, 1.0, 1.0]) + _SHADE_COOLER
    return lab_to_srgb(lab)


def lit(srgb: U8) -> U8:
    """Return the colour to light a flat with."""
    lab = to_lab(srgb)
    lab[0] += _LIGHT_LIFT * (100.0 - lab[0])
    return lab_to_srgb(lab + _LIGHT_WARMER)


def _bodies(flats: Flats, ink: Ink) -> tuple[I32, F32, float]:
    """Return the bodies (h, w) int32 on the relief's grid, 0 = none; sizes in mm²; px/mm.

    Areas end a line's breadth inside spot blacks, which are bodies of their own, numbered
    after the areas: else the rim of an area would be lost beneath the black beside it.
    """
    scale = min(_PX_PER_MM, flats.px_per_mm)
    height, width = flats.labels.shape
    h = max(round(height * scale / flats.px_per_mm), 1)
    w = max(round(width * scale / flats.px_per_mm), 1)
    rows = ((np.arange(h) + 0.5) * height / h).astype(np.intp)
    columns = ((np.arange(w) + 0.5) * width / w).astype(np.intp)
    body_of = _body_of(flats)
    size = np.bincount(body_of[1:], flats.areas["size_mm2"], minlength=len(body_of))
    size[0] = np.inf  # nothing goes on behind bare paper
    body = body_of[flats.labels[rows[:, None], columns[None]]]
    cover = cv2.resize(ink.coverage, (w, h), interpolation=cv2.INTER_AREA)
    reach = np.ones((2 * round(_INTO_BLACK_MM * scale) + 1,) * 2, np.uint8)
    black = cv2.dilate((cover < 0.5).astype(np.uint8), reach) == 0
    _, blacks, stats, _ = cv2.connectedComponentsWithStats(black.astype(np.uint8))
    body = np.where(black, blacks + len(flats.areas), body).astype(np.int32)
    size = np.concatenate([size, stats[1:, cv2.CC_STAT_AREA] * (_BLACK_COUNTS / scale**2)])
    return body, size.astype(np.float32), scale


def _body_of(flats: Flats) -> I32:
    areas = flats.areas
    body = np.arange(len(areas) + 1, dtype=np.int32)
    figure = np.concatenate([[False], areas["kind"] == FIGURE])
    size = np.concatenate([[0.0], areas["size_mm2"]])
    around = np.concatenate([[0], areas["enclosing"]])
    on_it = (
        figure
        & figure[around]
        & (size <= _ON_SURFACE_SHARE * size[around])
        & (size <= _ON_SURFACE_MM2)
    )
    body[on_it] = around[on_it]
    for _ in range(4):  # an area on an area on an area
        body = body[body]
    body[~figure] = 0
    return body


def _eased(value: F32, start: float, full: float, most: int) -> U8:
    """Return ``most`` × a smooth step of ``value`` from 0 at ``start`` to 1 at ``full``."""
    t = np.clip((value - np.float32(start)) * np.float32(1 / (full - start)), 0, 1)
    return np.asarray(np.rint(most * t * t * (3 - 2 * t)), np.uint8)
