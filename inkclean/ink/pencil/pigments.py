"""The pigments on a sheet: which colours there are, and which of them are ink.

In density (minus the log of reflectance) the amounts of pigments add (Beer–Lambert; Ruifrok
and Johnston, Anal. Quant. Cytol. Histol. 23, 2001), and black ink that covers part of a pixel
adds a neutral amount. So the part of the density that is not neutral, its chroma, points in a
pigment's direction wherever that pigment lies, under a black line's soft edge too. Pencil is
scattering pigment on rough paper, for which the law is a soft cue: directions are taken from
the page itself, as medians.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, Bool, length, median
from inkclean.base.colour import as_hex, decode, encode
from inkclean.base.tiles import pixel_by_pixel

BLACK = 0.03  # what black ink still reflects; subtracted before logs
FLOOR = 0.012  # keeps the log of a dark, noisy pixel finite
BINS = 72  # hue bins of 5 degrees
REACH_DEGREES = 32.0  # hues this near the peak are one pigment
LEAST_CHROMA = 0.09  # fainter tints are paper
LEAST_SHARE = 2e-4  # of the sheet; less is a stain or a coloured fringe
OVERLIT = 1.08  # a channel lighter than this is no pigment's: what sharpening leaves beside ink
DARK = 0.30  # a pixel all of whose channels lie under this is dark ink
LEAST_NEUTRAL = 0.35  # quantile of the grey that goes with a pigment's chroma
MOST_MIXED = 3  # pigments whose mixtures are looked for
OPPOSITE = 150.0  # degrees; hues further apart mix to grey, which has no hue of its own

NAMED = {
    "blue": ("#A4DDED", "#4A8FD8", "#2F55C8"),
    "red": ("#E05050", "#F08080"),
    "green": ("#60B070", "#90D0A0"),
    "violet": ("#8060B8", "#B090D8"),
    "orange": ("#F09040",),
    "yellow": ("#F0D040",),
    "pink": ("#F0A0C0",),
    "brown": ("#9A6A40",),
}
"""Colours of pencils as people name them; the nearest hue gives a pigment its name."""

# Two axes at right angles to the neutral one, of unit length: rows act on (R, G, B) densities.
AXES: F32 = np.array(
    [[2**-0.5, -(2**-0.5), 0.0], [6**-0.5, 6**-0.5, -2 * 6**-0.5]], dtype=np.float32
)


@dataclass(frozen=True)
class Pigment:
    """One colour on the sheet.

    ``density`` is (3,) float64: minus the natural log of the reflectance R, G, B where the
    pigment is laid on strongly (the 95th percentile). ``share`` is the share of the sheet it
    marks away from dark ink.
    """

    density: F64
    share: float

    @property
    def chroma(self) -> F64:
        """(2,) float64: the part of the density that is not neutral."""
        return np.asarray(AXES.astype(np.float64) @ self.density)

    @property
    def strongest(self) -> float:
        """Reflectance in the channel where the pigment is darkest."""
        return float(np.exp(-self.density.max()))

    @property
    def hex(self) -> str:
        """The pigment on white paper as ``#RRGGBB``, sRGB."""
        linear = np.exp(-np.maximum(self.density, 0.0))
        return as_hex(np.rint(255 * encode(linear)).astype(np.uint8)).upper()

    @property
    def name(self) -> str:
        """What people would call the colour."""
        return min(NAMED, key=lambda name: min(self.away(hue_of(code)) for code in NAMED[name]))

    def away(self, chroma: F64) -> float:
        """Angle in degrees between the pigment's chroma and another."""
        norm = float(np.hypot(*self.chroma) * np.hypot(*chroma))
        if norm <= 1e-12:
            return 180.0
        return float(np.degrees(np.arccos(np.clip(self.chroma @ chroma / norm, -1.0, 1.0))))


@dataclass(frozen=True)
class Colours:
    """The reduced sheet, and what its colours are told by.

    ``reflectance`` and ``density`` (by ``log_density``) are (h, w, 3) float32; ``across`` and
    ``along`` (h, w) the chroma of density by ``AXES``, ``strength`` its length; ``bright`` and
    ``dim`` (h, w) the highest and the lowest channel; ``per_mm`` the scale in px/mm.
    """

    reflectance: F32
    density: F32
    across: F32
    along: F32
    strength: F32
    bright: F32
    dim: F32
    per_mm: float


def colours_of(reflectance: F32, per_mm: float) -> Colours:
    """Return what tells the colours of a reduced sheet, (h, w, 3) float32, bare paper = 1."""
    density = np.empty_like(reflectance)

    def told(rows: F32, own: F32) -> list[F32]:
        own[:] = log_density(rows)
        planes = cv2.split(own)
        across, along = (
            np.asarray(sum(part * p for part, p in zip(axis, planes, strict=True)), np.float32)
            for axis in AXES
        )
        red, green, blue = cv2.split(rows)
        bright = np.asarray(cv2.max(cv2.max(red, green), blue), np.float32)
        dim = np.asarray(cv2.min(cv2.min(red, green), blue), np.float32)
        return [across, along, length(across, along), bright, dim]

    across, along, strength, bright, dim = pixel_by_pixel(told, (reflectance, density), 5)
    return Colours(reflectance, density, across, along, strength, bright, dim, per_mm)


def density_of(code: str) -> F64:
    """Return the (3,) density of ``#RRGGBB`` on white."""
    encoded = np.array([int(code[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    return np.asarray(-np.log(np.maximum(decode(encoded), 1e-3)), dtype=np.float64)


def hue_of(code: str) -> F64:
    """Return the (2,) chroma of ``#RRGGBB`` on white."""
    return np.asarray(AXES.astype(np.float64) @ density_of(code))


def lamp_chroma(light: F32) -> F64:
    """Return the (2,) chroma of the light (h, w, 3), as if it were white behind a filter."""
    mean = np.maximum(light.reshape(-1, 3).mean(axis=0, dtype=np.float64), 1e-3)
    return np.asarray(AXES.astype(np.float64) @ -np.log(mean))


def log_density(reflectance: F32) -> F32:
    """Density (..., 3) float32 of reflectance, black ink's own reflectance subtracted."""
    cleared = np.maximum(reflectance, np.float32(BLACK + FLOOR))
    cleared -= np.float32(BLACK)
    cleared *= np.float32(1.0 / (1.0 - BLACK))
    return -np.log(cleared)


def find_pigments(colours: Colours) -> list[Pigment]:
    """Return the pigments of a reduced sheet, the most plentiful first."""
    clear = away_from_ink(colours)
    total = float(clear.size)
    strength = colours.strength
    floor = max(LEAST_CHROMA, 5.0 * float(median(strength[::5, ::5])))
    tinted = np.flatnonzero(clear & (strength > floor))
    sample, strength = colours.density.reshape(-1, 3)[tinted], strength.ravel()[tinted]
    across, along = colours.across.ravel()[tinted], colours.along.ravel()[tinted]
    angle = np.degrees(np.arctan2(along, across))
    angle = (angle % 360.0).astype(np.float32)
    found: list[Pigment] = []
    free = np.ones(angle.size, np.bool_)
    while len(found) < 5:
        centre = _hue_peak(angle[free], strength[free])
        near = free & (np.abs((angle - centre + 180.0) % 360.0 - 180.0) < REACH_DEGREES)
        if near.sum() < LEAST_SHARE * total:
            break
        found.append(_measure(sample[near], strength[near], near.sum() / total))
        free &= ~near
        if free.sum() < LEAST_SHARE * total:
            break
    return found


def away_from_ink(colours: Colours) -> Bool:
    """Return (h, w) bool: no dark ink lies near by."""
    dark = (colours.bright < DARK).view(np.uint8)
    size = 2 * max(1, round(0.35 * colours.per_mm)) + 1
    return np.asarray(cv2.dilate(dark, np.ones((size, size), np.uint8)) == 0, np.bool_)


def _hue_peak(angle: F32, strength: F32) -> float:
    if angle.size == 0:
        return 0.0
    weights = np.minimum(strength, 0.5)
    counts = np.bincount((angle * (BINS / 360.0)).astype(int) % BINS, weights, minlength=BINS)
    kernel = np.exp(-0.5 * (np.arange(-6, 7) / 2.0) ** 2)
    padded = np.concatenate([counts[-6:], counts, counts[:6]])
    return (int(np.argmax(np.convolve(padded, kernel, "valid"))) + 0.5) * 360.0 / BINS


def _measure(sample: F32, strength: F32, share: float) -> Pigment:
    """Direction from the stronger half, length by the 95th percentile of chroma.

    The neutral part is a lower quantile of what goes with a unit of chroma: grey of ink's
    edges only ever adds to it.
    """
    strong = strength >= median(strength)
    rays = sample[strong] / strength[strong, None]
    neutral = rays.mean(axis=1)
    ray = np.median(rays - neutral[:, None], axis=0) + np.quantile(neutral, LEAST_NEUTRAL)
    density = ray.astype(np.float64) * float(np.percentile(strength, 95))
    return Pigment(density - min(float(density.min()), 0.0), float(share))


def mixtures(pigments: Sequence[Pigment]) -> list[Pigment]:
    """What pairs of pigments give where they cross: their densities add."""
    pairs = combinations(pigments[:MOST_MIXED], 2)
    return [Pigment(a.density + b.density, 0.0) for a, b in pairs if a.away(b.chroma) < OPPOSITE]
