"""The colour space of a spot ink in a PDF, and how programs without its plate show it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from inkclean.base.arrays import F64, U8
from inkclean.deliver.plates.inks import PlateInk, as_srgb, printed

if TYPE_CHECKING:
    import pikepdf

# linear sRGB to XYZ for the white of print, D50 (sRGB's primaries after Bradford's adaptation, as
# in the ICC's sRGB profile; from memory, checked by a colour engine in the tests)
_TO_XYZ_D50 = np.array(
    [
        [0.4360747, 0.3850649, 0.1430804],
        [0.2225045, 0.7168786, 0.0606169],
        [0.0139322, 0.0971045, 0.7141733],
    ]
)
_D50 = _TO_XYZ_D50.sum(axis=1)
# samples of an ink's way from bare paper to solid, in the PDF's tint transform
_SAMPLES = 33


def lab_d50(linear: F64) -> F64:
    """Return CIELAB (..., 3) for the white D50 of linear sRGB (..., 3), 0..1."""
    xyz = linear @ _TO_XYZ_D50.T / _D50
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz * (29 / 6) ** 2 / 3 + 4 / 29)
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


_Shown = tuple[str, F64, list[float]]


def _in_lab(light: F64) -> _Shown:
    """Return the samples (N, 3) of a way through colour for a tint transform, and their range."""
    return "Lab", lab_d50(light), [0, 100, -128, 127, -128, 127]


def rough_cmyk(srgb: U8) -> U8:
    """Return the inks (N, 4) of a press for colours (N, 3) where nobody knows which: no black."""
    return np.concatenate([255 - srgb, np.zeros((len(srgb), 1), np.uint8)], axis=1)


def _in_cmyk(light: F64, inks_of: Callable[[U8], U8]) -> _Shown:
    inks = inks_of(as_srgb(light)) / 255.0
    inks[0] = 0.0  # bare paper takes none
    return "DeviceCMYK", inks, [0, 1] * 4


def ink_space(
    document: pikepdf.Pdf,
    ink: PlateInk,
    gain: float,
    inks_of: Callable[[U8], U8] | None = None,
) -> Any:
    """Return a Separation colour space (ISO 32000-1, 8.6.6.4), shown elsewhere by way of another.

    A tint's colour is that of the ink it covers the paper with, gain and all, sampled (7.10.2).
    ``inks_of`` turns colours (N, 3) uint8 sRGB to the inks (N, 4) of a press, by way of which it is
    shown then, in place of Lab.
    """
    import pikepdf

    light = printed(np.linspace(0, 1, _SAMPLES)[:, None], (ink,), gain)
    kind, colours, limits = _in_lab(light) if inks_of is None else _in_cmyk(light, inks_of)
    low, high = np.array(limits[::2]), np.array(limits[1::2])
    samples = np.rint(np.clip((colours - low) / (high - low), 0, 1) * 65535).astype(">u2")
    transform = document.make_stream(
        samples.tobytes(),
        FunctionType=0,
        Domain=[0, 1],
        Range=limits,
        Decode=limits,
        Size=[_SAMPLES],
        BitsPerSample=16,
    )
    shown: Any = pikepdf.Name("/" + kind)
    if kind == "Lab":
        white = [round(float(value), 4) for value in _D50]
        shown = pikepdf.Array(
            [shown, pikepdf.Dictionary(WhitePoint=white, Range=[-128, 127, -128, 127])]
        )
    name = pikepdf.Name("/" + ink.name)
    space = pikepdf.Array([pikepdf.Name.Separation, name, shown, transform])
    return document.make_indirect(space)
