"""The light over the photo: a near lamp, what the room adds, vignetting, a cast shadow."""

from __future__ import annotations

import numpy as np

from inkclean.base.arrays import F32, F64
from inkclean.demo.camera.conditions import Conditions
from inkclean.demo.camera.view import View
from inkclean.demo.sampling import look_up

_STEP = 4  # photo px per node of the light
_ROOM = 0.3  # the room's even light, the lamp's being 1 at the sheet's far edge
_BESIDE = 0.15  # how far beside the sheet the lamp stands, in sheet lengths


def over(c: Conditions, view: View) -> F32:
    """Return the light (H/4, W/4, 3) linear; the brightest bare paper gets ``exposure``."""
    height, width = view.photo_size
    shape = (height // _STEP, width // _STEP)
    y = (np.arange(shape[0]) + 0.5) / shape[0] * height
    x = (np.arange(shape[1]) + 0.5) / shape[1] * width
    # the sheet's own frame, flat enough for light: 0..1 across and down
    nodes = np.stack(np.meshgrid(x[::8], y[::8]), axis=-1)
    mm = view.to_page(nodes)
    size = np.array([view.width_mm, view.height_mm])
    place = _upsample(mm / size, shape)
    lamp = _falloff(place, c.light_from, c.light_ratio * (1 + _ROOM) - _ROOM, view)
    light = lamp[..., None] * colour(c.lamp_k) + _ROOM * colour(c.ambient_k)
    if c.bow_mm:
        light *= _bend_shade(place, c, view)[..., None]
    light /= _neutral(light, place) ** c.white_balance
    radius = np.hypot(*np.meshgrid(2 * x / width - 1, 2 * y / height - 1)) / np.sqrt(2)
    light *= (1.0 - c.vignette * radius**2)[..., None]
    on_sheet = ((place > 0) & (place < 1)).all(axis=-1)
    light *= c.exposure / np.quantile(light[on_sheet], 0.995)
    if c.shadow:
        light *= 1.0 - c.shadow * _shadow(place, c, view)[..., None] * np.array([1.0, 0.97, 0.92])
    return np.asarray(light, np.float32)


def colour(kelvin: float) -> F64:
    """Linear sRGB of a black body, green = 1.

    Source: Planck's law at 600, 540, 450 nm against 6500 K, a rough three-band eye.
    """
    nm = np.array([600.0, 540.0, 450.0])

    def radiance(t: float) -> F64:
        return np.asarray(nm**-5 / np.expm1(1.4388e7 / (nm * t)), np.float64)

    ratio = radiance(kelvin) / radiance(6500.0)
    return np.asarray(ratio / ratio[1], np.float64)


def _falloff(place: F64, from_deg: float, ratio: float, view: View) -> F64:
    """Light of a lamp above a place just off the sheet, 1 at the far edge, ratio at the near.

    Lambert's cosine and the inverse square give (h² + d²)^−1.5; the height h follows.
    """
    size = np.array([view.width_mm, view.height_mm]) / max(view.width_mm, view.height_mm)
    toward = np.array([np.cos(np.radians(from_deg)), np.sin(np.radians(from_deg))])
    reach = float(np.abs(toward) @ size) / 2
    near, far = _BESIDE, 2 * reach + _BESIDE
    power = max(ratio, 1.001) ** (2 / 3)
    square = max((far**2 - power * near**2) / (power - 1.0), 1e-4)
    off = (place - 0.5) * size - toward * (reach + _BESIDE)
    distance = np.sum(off * off, axis=-1)
    return np.asarray(((square + distance) / (square + far**2)) ** -1.5, np.float64)


def _neutral(light: F64, place: F64) -> F64:
    """What a camera takes for white: the mean colour over the sheet, green = 1."""
    on_sheet = ((place > 0) & (place < 1)).all(axis=-1)
    mean = light[on_sheet].mean(axis=0)
    return np.asarray(mean / mean[1], np.float64)


def _shadow(place: F64, c: Conditions, view: View) -> F64:
    """Depth 0..1 of a shadow with a wavering edge across the sheet."""
    a = np.radians(c.shadow_from)
    size = np.array([view.width_mm, view.height_mm])
    mm = (place - 0.5) * size
    along = mm @ np.array([np.cos(a), np.sin(a)])
    across = mm @ np.array([-np.sin(a), np.cos(a)])
    edge = (c.shadow_at - 0.5) * float(np.abs([np.cos(a), np.sin(a)]) @ size)
    bulge = 14 * np.sin(across / 41.0 + 0.6) + 5 * np.sin(across / 13.0)
    depth = (edge + bulge - along) / max(c.shadow_soft_mm, 0.3) + 0.5
    depth = np.clip(depth, 0.0, 1.0)
    return np.asarray(depth * depth * (3 - 2 * depth), np.float64)


def _bend_shade(place: F64, c: Conditions, view: View) -> F64:
    """Lambert's cosine on the bowed sheet, lit from 45° on the lamp's side."""
    s = (place[..., view.bend_axis] - 0.5) * (view.width_mm, view.height_mm)[view.bend_axis]
    half = (view.width_mm, view.height_mm)[view.bend_axis] / 2
    slope = np.clip(s, -half, half) * view.bend_per_mm
    a = np.radians(c.light_from)
    side = float(np.array([np.cos(a), np.sin(a)])[view.bend_axis])
    return np.asarray(np.cos(slope) + side * np.sin(slope), np.float64)


def _upsample(grid: F64, shape: tuple[int, int]) -> F64:
    # nodes stand at every eighth place: put them back where they were
    rows = np.arange(shape[0], dtype=np.float32) / 8
    cols = np.arange(shape[1], dtype=np.float32) / 8
    index = np.stack(np.meshgrid(cols, rows), axis=-1).astype(np.float32)
    fine = look_up(grid.astype(np.float32), index, black_outside=False)
    return np.asarray(fine, np.float64)
