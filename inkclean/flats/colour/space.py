"""Colour as it is seen: CIELAB, the CIEDE2000 difference, and colour-blind eyes.

Colours are sRGB (IEC 61966-2-1), 8 bit; CIELAB is for the white D65, 2° observer.
"""

from __future__ import annotations

from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from inkclean.base.arrays import F64, U8
from inkclean.base.colour import decode, encode

Eyes: TypeAlias = Literal["usual", "protan", "deutan", "tritan"]
EYES: tuple[Eyes, ...] = ("usual", "protan", "deutan", "tritan")

# linear sRGB to XYZ, D65 (IEC 61966-2-1)
_TO_XYZ = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)
_WHITE = _TO_XYZ.sum(axis=1)

# Machado, Oliveira, Fernandes, "A physiologically-based model for simulation of color vision
# deficiency", IEEE TVCG 15(6), 2009, DOI 10.1109/TVCG.2009.113: the matrices of severity 1,
# on linear RGB; checked by their rows (each sums to 1, so greys stay grey)
_SEEN: dict[Eyes, F64] = {
    "usual": np.eye(3),
    "protan": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deutan": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "tritan": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}


def _linear(srgb: ArrayLike) -> F64:
    """Return linear light 0..1 of sRGB values 0..255, any shape."""
    return decode(np.asarray(srgb, np.float64) / 255.0)


def _srgb(linear: ArrayLike) -> U8:
    """Return sRGB 0..255, uint8, of linear light 0..1; what lies outside is clipped."""
    value = encode(np.clip(np.asarray(linear, np.float64), 0.0, 1.0))
    return np.rint(value * 255.0).astype(np.uint8)


def to_lab(srgb: ArrayLike) -> F64:
    """Return CIELAB (..., 3) of sRGB values 0..255 (..., 3)."""
    xyz = _linear(srgb) @ _TO_XYZ.T / _WHITE
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz * (29 / 6) ** 2 / 3 + 4 / 29)
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def lab_to_linear(lab: ArrayLike) -> F64:
    """Return linear sRGB (..., 3) of CIELAB (..., 3), unclipped."""
    lab = np.asarray(lab, np.float64)
    y = (lab[..., 0] + 16) / 116
    f = np.stack([y + lab[..., 1] / 500, y, y - lab[..., 2] / 200], axis=-1)
    xyz = np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29)) * _WHITE
    return np.asarray(xyz @ np.linalg.inv(_TO_XYZ).T)


def lab_to_srgb(lab: ArrayLike) -> U8:
    """Return sRGB 0..255, uint8, of CIELAB (..., 3); what no screen shows is clipped."""
    return _srgb(lab_to_linear(lab))


def seen_by(srgb: ArrayLike, eyes: Eyes) -> U8:
    """Return what the colours (..., 3) look like to these eyes (Machado et al. 2009)."""
    return _srgb(_linear(srgb) @ _SEEN[eyes].T)


def difference(one: ArrayLike, other: ArrayLike) -> F64:
    """Return the CIEDE2000 difference of CIELAB colours (..., 3), which broadcast.

    Sharma, Wu, Dalal, "The CIEDE2000 color-difference formula: implementation notes,
    supplementary test data, and mathematical observations", Color Research & Application
    30(1), 2005, DOI 10.1002/col.20070; weights kL = kC = kH = 1.
    """
    one, other = np.broadcast_arrays(np.asarray(one, np.float64), np.asarray(other, np.float64))
    c_mean = (np.hypot(one[..., 1], one[..., 2]) + np.hypot(other[..., 1], other[..., 2])) / 2
    stretch = 1.5 - 0.5 * np.sqrt(c_mean**7 / (c_mean**7 + 25.0**7))
    c1, h1 = _polar(one[..., 1] * stretch, one[..., 2])
    c2, h2 = _polar(other[..., 1] * stretch, other[..., 2])

    turn = h2 - h1
    turn = np.where(turn > 180, turn - 360, np.where(turn < -180, turn + 360, turn))
    grey = c1 * c2 == 0
    turn = np.where(grey, 0.0, turn)
    delta_l = other[..., 0] - one[..., 0]
    delta_c = c2 - c1
    delta_h = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn) / 2)

    light, chroma = (one[..., 0] + other[..., 0]) / 2, (c1 + c2) / 2
    both = h1 + h2
    far = np.abs(h1 - h2) > 180
    hue = np.where(far, np.where(both < 360, both + 360, both - 360), both) / 2
    hue = np.where(grey, both, hue)
    t = (
        1
        - 0.17 * _cos(hue - 30)
        + 0.24 * _cos(2 * hue)
        + 0.32 * _cos(3 * hue + 6)
        - 0.20 * _cos(4 * hue - 63)
    )
    s_l = 1 + 0.015 * (light - 50) ** 2 / np.sqrt(20 + (light - 50) ** 2)
    s_c = 1 + 0.045 * chroma
    s_h = 1 + 0.015 * chroma * t
    r_c = 2 * np.sqrt(chroma**7 / (chroma**7 + 25.0**7))
    r_t = -np.sin(np.radians(60 * np.exp(-(((hue - 275) / 25) ** 2)))) * r_c
    l_part, c_part, h_part = delta_l / s_l, delta_c / s_c, delta_h / s_h
    return np.asarray(np.sqrt(l_part**2 + c_part**2 + h_part**2 + r_t * c_part * h_part))


def least_difference(one: ArrayLike, other: ArrayLike, eyes: tuple[Eyes, ...] = EYES) -> F64:
    """Return the smallest CIEDE2000 difference of sRGB colours (..., 3) to any of these eyes."""
    each = [difference(to_lab(seen_by(one, who)), to_lab(seen_by(other, who))) for who in eyes]
    return np.asarray(np.minimum.reduce(each))


def _polar(a: F64, b: F64) -> tuple[F64, F64]:
    return np.hypot(a, b), np.asarray(np.degrees(np.arctan2(b, a)) % 360.0)


def _cos(degrees: F64) -> F64:
    return np.asarray(np.cos(np.radians(degrees)))
