"""A hand-lettered alphabet of our own: each letter a few strokes of a round pen."""

from __future__ import annotations

import numpy as np

from inkclean.base.arrays import F64

# strokes apart by ";", points by blanks, x,y in letter heights (y 0: top, 1: foot); "~": curved
_GLYPHS = {
    "A": "0,1 .2,.5 .38,.02;.38,.02 .56,.5 .74,1;.1,.66 .66,.63",
    "B": "0,0 .02,1;~0,.02 .34,.04 .46,.2 .34,.42 .04,.46;~.04,.46 .44,.5 .58,.72 .42,.95 .02,.99",
    "C": "~.62,.18 .4,.0 .12,.16 0,.52 .12,.86 .38,1 .64,.84",
    "D": "0,0 .02,1;~-.04,.02 .34,.04 .62,.26 .64,.62 .42,.92 .0,1",
    "E": "0,0 .02,1;-.02,.01 .5,0;0,.48 .42,.46;0,1 .54,.98",
    "F": "0,0 .02,1;-.02,.01 .52,0;0,.48 .42,.46",
    "G": "~.62,.16 .4,.0 .12,.16 0,.52 .12,.86 .4,1 .64,.86;.4,.58 .68,.57;.64,.57 .65,.98",
    "H": "0,0 .02,1;.58,0 .6,1;.0,.5 .6,.47",
    "I": "0,0 .02,1",
    "J": "~.4,0 .42,.5 .4,.84 .22,1 0,.86",
    "K": "0,0 .02,1;.54,0 .04,.56;.2,.4 .58,1",
    "L": "0,0 .02,1;0,.99 .5,.97",
    "M": "0,1 .1,.02;.1,.02 .4,.72;.4,.72 .7,.0;.7,.0 .82,1",
    "N": "0,1 .02,0;.02,0 .56,.98;.56,1 .58,0",
    "O": "~.36,.0 .1,.16 0,.52 .12,.88 .38,1 .62,.86 .72,.48 .6,.12 .36,.0",
    "P": "0,0 .02,1;~-.02,.03 .4,.04 .54,.26 .36,.5 .02,.53",
    "Q": "~.36,.0 .1,.16 0,.52 .12,.88 .38,1 .62,.86 .72,.48 .6,.12 .36,.0;.44,.74 .76,1.08",
    "R": "0,0 .02,1;~-.02,.03 .4,.04 .54,.25 .36,.47 .02,.5;.22,.5 .6,1",
    "S": "~.5,.14 .3,.0 .06,.12 .08,.36 .34,.5 .54,.68 .46,.92 .22,1 0,.86",
    "T": "0,.02 .64,0;.32,.01 .33,1",
    "U": "~0,0 .01,.5 .08,.86 .3,1 .52,.86 .58,.5 .58,0",
    "V": "0,0 .34,1;.34,1 .66,0",
    "W": "0,0 .2,1;.2,1 .44,.3;.44,.3 .66,1;.66,1 .88,0",
    "X": "0,0 .6,1;.6,0 .0,1",
    "Y": "0,0 .32,.5;.64,0 .32,.5;.32,.5 .31,1",
    "Z": "0,.02 .56,0;.56,0 .0,1;.0,.99 .58,.97",
    ".": ".06,.95 .09,.99",
    ",": ".08,.92 .02,1.14",
    "!": ".08,0 .06,.68;.05,.95 .08,.99",
    "?": "~0,.16 .2,0 .46,.12 .42,.36 .22,.5 .2,.7;.2,.95 .23,.99",
    "'": ".06,0 .02,.24",
    "-": ".02,.54 .32,.52",
    "…": ".06,.95 .09,.99;.32,.95 .35,.99;.58,.95 .61,.99",
}
_SPACE = 0.50
_GAP = 0.24
# open shapes leave room at their foot or head: what follows moves closer
_TIGHT = {"F": 0.13, "T": 0.08, "P": 0.08, "L": 0.10, "Y": 0.08, "V": 0.06, "A": 0.05, "R": 0.03}


def _parse(text: str) -> list[tuple[bool, F64]]:
    strokes = []
    for part in text.split(";"):
        points = [[float(v) for v in p.split(",")] for p in part.lstrip("~").split()]
        strokes.append((part.startswith("~"), np.array(points)))
    return strokes


_STROKES = {letter: _parse(text) for letter, text in _GLYPHS.items()}


def _advance(letter: str) -> float:
    if letter == " ":
        return _SPACE
    reach = max(float(points[:, 0].max()) for _, points in _STROKES[letter])
    return reach + _GAP - _TIGHT.get(letter, 0.0)


def width(text: str, height: float) -> float:
    """Return how wide a line of capitals of that height runs."""
    return (sum(_advance(letter) for letter in text) - _GAP) * height


def strokes(
    text: str, x: float, y: float, height: float, rng: np.random.Generator
) -> list[tuple[bool, F64]]:
    """Return the strokes of a line with its left foot at (x, y): curved or not, points (N, 2).

    Letters lean, bounce and vary a little, as a hand's do.
    """
    out = []
    for letter in text:
        if letter != " ":
            lean = rng.normal(0.01, 0.015)
            size = height * rng.normal(1.0, 0.025)
            bounce = rng.normal(0.0, 0.02) * height
            for curved, points in _STROKES[letter]:
                moved = points + rng.normal(0, 0.012, points.shape)
                px = x + (moved[:, 0] + lean * (1 - moved[:, 1]) * 2) * size
                out.append((curved, np.stack([px, y + bounce + (moved[:, 1] - 1) * size], 1)))
        x += _advance(letter) * height
    return out
