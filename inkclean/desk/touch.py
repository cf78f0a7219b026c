"""A tap on a pencil mark: which colour it is, and whether it is removed or kept from now on."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from inkclean.base.arrays import U8
from inkclean.base.colour import as_hex
from inkclean.base.errors import UsageError
from inkclean.flats.colour.space import to_lab
from inkclean.ink.pencil.pigments import Pigment, density_of

REACH_MM = 1.0  # around the touch within which the mark is looked for
SHARE = 0.12  # of what lies there, the most coloured, that counts
LEAST_CHROMA = 6.0  # CIELAB: less is paper or ink
SAME_HUE = 40.0  # degrees within which hues are one pencil


def colour_at(sheet: U8, x: float, y: float, px_per_mm: float) -> str:
    """Return the colour of the pencil mark at a place (mm) of the sheet's picture, ``#RRGGBB``.

    Raises:
        UsageError: the place is off the sheet, or nothing coloured is there.
    """
    height, width = sheet.shape[:2]
    reach = REACH_MM * px_per_mm
    left, right = (int(np.clip(x * px_per_mm + d, 0, width)) for d in (-reach, reach + 1))
    top, bottom = (int(np.clip(y * px_per_mm + d, 0, height)) for d in (-reach, reach + 1))
    part = np.array(sheet[top:bottom, left:right]).reshape(-1, 3)
    if not len(part):
        raise UsageError("this place is outside the sheet")
    lab = to_lab(part)
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    best = np.argsort(-chroma)[: max(3, int(SHARE * len(part)))]
    if float(np.median(chroma[best])) < LEAST_CHROMA:
        raise UsageError("no coloured mark here; tap the pencil line itself")
    colour = np.median(part[best], axis=0).astype(np.uint8)
    return as_hex(colour).upper()


def turned(drop: Sequence[str], dropped: Sequence[str], touched: str) -> tuple[list[str], str]:
    """Return the pencils to remove after a tap, and what happened in words.

    ``drop`` as it was, ``dropped`` the colours that went by it. A colour that went stays from
    now on; one that stayed goes.
    """
    name = Pigment(density_of(touched), 0.0).name
    near = [colour for colour in dropped if _hue_apart(colour, touched) < SAME_HUE]
    if near:
        rest = [colour for colour in dropped if colour not in near]
        return rest or ["none"], f"{name} pencil kept"
    explicit = [word for word in drop if word.startswith("#")]
    return list(dict.fromkeys([*dropped, *explicit, touched])), f"{name} pencil removed"


def _hue_apart(one: str, other: str) -> float:
    a, b = (to_lab(list(bytes.fromhex(colour[1:]))) for colour in (one, other))
    apart = np.degrees(np.arctan2(a[2], a[1]) - np.arctan2(b[2], b[1]))
    return float(abs((apart + 180) % 360 - 180))
