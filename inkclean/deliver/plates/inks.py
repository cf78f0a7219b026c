"""Spot inks, and which tints of them come nearest to a colour."""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from inkclean.base.arrays import F64, U8
from inkclean.base.colour import decode, encode
from inkclean.base.errors import UsageError
from inkclean.flats.colour.space import difference, to_lab

MOST_PLATES = 8
# tints in steps of a twentieth: finer ones drown in what a press varies by
_STEP = 0.05
# inks in one mixture at most: three cover what a few spot inks reach
_MOST_MIXED = 3
# a mixture of fewer inks is taken if it is as near as this to the nearest, CIEDE2000
_AS_NEAR = 0.5
# colours as near as this to white are bare paper, CIEDE2000
_AS_PAPER = 5.0
# by how much a tone of one half grows on the press: 15 to 25 % (common practice, no source)
GAIN = 0.2
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _-]{0,29}")
_HEX = re.compile(r"#[0-9a-fA-F]{6}")
# names that ISO 32000-1 (8.6.6.4) gives a meaning of their own; lines print in black
_TAKEN = frozenset(("All", "None", "Cyan", "Magenta", "Yellow", "Black"))
LINES = "black"


@dataclass(frozen=True)
class PlateInk:
    """A spot ink: its name, as the printer will read it, and its solid on paper, ``#rrggbb``."""

    name: str
    colour: str

    @property
    def srgb(self) -> U8:
        """The solid, (3,) uint8 sRGB."""
        return np.frombuffer(bytes.fromhex(self.colour[1:]), np.uint8)

    @property
    def file(self) -> str:
        """The name as a part of a file's name."""
        return re.sub(r"[ _]+", "-", self.name.strip().lower())


@dataclass(frozen=True)
class Mixtures:
    """How K colours print: tints (K, P) float64 0..1 of P plates, and how far off, CIEDE2000."""

    tints: F64
    off: F64


def parse_plates(text: str) -> tuple[PlateInk, ...]:
    """Return the inks that ``name=#rrggbb,name=#rrggbb…`` names.

    Raises:
        UsageError: it is not understood, or a name cannot be a plate's.
    """
    inks = []
    for part in text.split(","):
        name, _, colour = (side.strip() for side in part.partition("="))
        if not _NAME.fullmatch(name) or not _HEX.fullmatch(colour):
            raise UsageError(
                f"--plates '{part.strip()}' is not understood; write names and colours, such as "
                "blue=#2a5db0,red=#d03030"
            )
        if name in _TAKEN or name.lower() == LINES:
            raise UsageError(
                f"--plates: '{name}' means something else to a printer (lines print in black by "
                "themselves); give the ink another name"
            )
        inks.append(PlateInk(name, colour.lower()))
    if len(inks) > MOST_PLATES:
        raise UsageError(f"--plates takes at most {MOST_PLATES} inks beside the black lines")
    if len({ink.file for ink in inks}) < len(inks):
        raise UsageError("--plates: two inks have the same name; give each its own")
    return tuple(inks)


def printed(tints: F64, inks: tuple[PlateInk, ...], gain: float = GAIN) -> F64:
    """Return linear light (..., 3) of tints (..., P) printed over each other on white.

    A tint t covers t + 4 g t (1 − t) of the paper, g the press's gain at one half.

    Neugebauer's equation with Demichel's shares of the overprints, each of which is taken for the
    product of its inks' light (H. E. J. Neugebauer, "Die theoretischen Grundlagen des
    Mehrfarbenbuchdrucks", Zeitschrift für wissenschaftliche Photographie 36, 1937): then the sum
    over all overprints is the product over the inks of 1 − covered · (1 − solid).
    """
    solids = decode(np.array([ink.srgb for ink in inks], np.float64) / 255.0)
    covered = np.minimum(tints + 4 * gain * tints * (1 - tints), 1)
    return np.asarray(np.prod(1 - covered[..., None] * (1 - solids), axis=-2))


def as_srgb(linear: F64) -> U8:
    """Return sRGB bytes of linear light."""
    return np.rint(encode(np.clip(linear, 0.0, 1.0)) * 255).astype(np.uint8)


def mix(colours: U8, inks: tuple[PlateInk, ...], gain: float = GAIN) -> Mixtures:
    """Return for each colour (K, 3) uint8 sRGB the tints whose print is nearest by CIEDE2000.

    All mixtures of up to three inks in steps of 5 % are looked at; of those as near as the nearest
    the one of fewest inks and least ink is taken. What is nearly white is bare paper.
    """
    tints = _all_tints(len(inks))
    lab = to_lab(encode(np.clip(printed(tints, inks, gain), 0, 1)) * 255)
    # plain first: the first that is near enough wins
    order = np.lexsort((tints.sum(1), (tints > 0).sum(1)))
    tints, lab = tints[order], lab[order]
    chosen, off = [], []
    white = to_lab([255, 255, 255])
    for wanted in to_lab(colours):
        from_paper = float(difference(wanted, white))
        if from_paper <= _AS_PAPER:
            chosen.append(np.zeros(len(inks)))
            off.append(from_paper)
            continue
        away = difference(lab, wanted)
        first = int(np.flatnonzero(away <= away.min() + _AS_NEAR)[0])
        # among as many inks, the nearest
        same = (tints > 0).sum(1) == (tints[first] > 0).sum()
        best = int(np.flatnonzero(same)[away[same].argmin()])
        chosen.append(tints[best])
        off.append(away[best])
    return Mixtures(np.array(chosen).reshape(-1, len(inks)), np.array(off))


def _all_tints(count: int) -> F64:
    steps = np.linspace(0, 1, round(1 / _STEP) + 1)
    parts = []
    for chosen in combinations(range(count), min(count, _MOST_MIXED)):
        grid = np.stack(np.meshgrid(*[steps] * len(chosen), indexing="ij"), -1)
        part = np.zeros((grid[..., 0].size, count))
        part[:, chosen] = grid.reshape(-1, len(chosen))
        parts.append(part)
    return np.asarray(np.unique(np.concatenate(parts), axis=0))
