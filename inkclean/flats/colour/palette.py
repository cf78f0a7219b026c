"""The colours that areas get when nobody asked for others, and words for any colour."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from inkclean.base.arrays import U8
from inkclean.flats.colour.space import to_lab

# Two neighbours closer than this are not told apart at a glance (CIEDE2000).
APART = 20.0

# Bare paper: nearly white, a little warm, so that it reads as paper and tires nobody.
PAPER: U8 = np.array([249, 244, 238], np.uint8)

# Five colours, palest first, found by annealing in CIELAB: every pair, and each with the
# paper, at least APART + 0.5 for usual, protan, deutan and tritan eyes (a sixth would have to
# be nearly black); under that condition as light as possible, so that ink stands on them, of
# low chroma, and far apart in hue. tests/flats/palette_search.py repeats the search. Five
# are enough for any map in the plane.
MUTED: U8 = np.array(
    [
        [233, 190, 124],
        [150, 199, 235],
        [153, 156, 150],
        [130, 98, 133],
        [81, 113, 78],
    ],
    np.uint8,
)

# Below this chroma in CIELAB a colour has no hue that a person would name.
_GREY_CHROMA = 7.0
_GREYS = ((93.0, "paper"), (78.0, "ash"), (45.0, "stone"), (22.0, "slate"), (-1.0, "soot"))
# hue angle in CIELAB, degrees, from which the word holds
_HUES = (
    (0.0, "rose"),
    (22.0, "brick"),
    (44.0, "clay"),
    (66.0, "sand"),
    (88.0, "straw"),
    (103.0, "olive"),
    (122.0, "moss"),
    (155.0, "fern"),
    (182.0, "sea"),
    (212.0, "ice"),
    (240.0, "sky"),
    (268.0, "dusk"),
    (296.0, "heather"),
    (318.0, "plum"),
    (344.0, "rose"),
)
_LIGHTNESS = ((85.0, "pale "), (70.0, "light "), (50.0, ""), (32.0, "deep "), (-1.0, "dark "))
_BRIGHT_CHROMA = 55.0


def colour_name(srgb: ArrayLike) -> str:
    """Return a plain name of our own for one sRGB colour, such as ``light sky``."""
    red, green, blue = np.asarray(srgb).tolist()
    return _name(red, green, blue)


@lru_cache(4096)
def _name(*srgb: float) -> str:
    light, a, b = (float(part) for part in to_lab(srgb))
    chroma, hue = np.hypot(a, b), np.degrees(np.arctan2(b, a)) % 360.0
    if chroma < _GREY_CHROMA:
        return next(word for least, word in _GREYS if light >= least)
    word = next(word for least, word in reversed(_HUES) if hue >= least)
    if chroma > _BRIGHT_CHROMA:
        return f"bright {word}"
    return next(shade for least, shade in _LIGHTNESS if light >= least) + word


def unlike(names: Sequence[str]) -> tuple[str, ...]:
    """Return the names made unlike one another: a second ``sand`` becomes ``sand 2``."""
    taken: set[str] = set()
    result = []
    for name in names:
        tried, number = name, 1
        while tried.casefold() in taken:
            number += 1
            tried = f"{name} {number}"
        taken.add(tried.casefold())
        result.append(tried)
    return tuple(result)
