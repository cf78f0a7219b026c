"""Ink told from what lies under it, pixel by pixel.

A pixel at an ink's edge is a mixture of two colours by area (the compositing equation of
Porter and Duff, 1984): R = (1 − a)·under + a·ink, with ``under`` the paper and pencil there.
The share of ink ``a`` follows by weighted least squares over the channels once ``under`` is
known, and ``under`` follows from the chroma of density near by: soft edges of black ink are
neutral, so they don't disturb it, and pixels deep in ink are dark and so count for little.
All of that is smooth, so it is done on the reduced sheet; ink is linear in the sheet's values
with coefficients from there, which keeps the sheet's own sharpness.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from inkclean.base.arrays import F32
from inkclean.base.tiles import pixel_by_pixel, side_by_side, strips
from inkclean.ink.pencil.pigments import BLACK, Colours, Pigment, away_from_ink
from inkclean.sheet.lit import STRIP, Lit, Tone, channels, shape_of, stretched

SPREAD_MM = 0.10  # smoothing of the pencil: less than a pencil line, more than a pen's fringe
# Chroma not to be taken for pencil: what ink's edges have beside them, and least away from ink;
# there it is so many times the paper's median. JPEG smears what a thin pencil line has.
SLACK, SLACK_AWAY, OF_PAPERS = 0.06, 0.02, 2.5
UNSURE = 0.35  # share of a pencil's amount that is guesswork
CHANNEL_NOISE = (0.055, 0.035, 0.07)  # relative; green is sampled densest and weighs most in JPEG
SURE_TINT = 0.16  # from this chroma on a pixel of kept coloured ink is wholly so
MOST_PENCIL = 1.6  # times a pigment's usual full strength: beyond is noise
LIGHTEST_INK = 0.75  # of a channel of coloured ink, so that a depth is left to measure
OTHER_HUE = 40.0  # degrees; nearer to the page's coloured ink, a pigment is that ink
DEEP = 0.002  # weight of "no pencil": deep inside blacks chroma is noise


def under_ink(
    colours: Colours,
    pigments: Sequence[Pigment],
    dropped: Sequence[bool],
    main: Pigment | None = None,
) -> tuple[list[F32], list[F32]]:
    """Return what lies under the ink, and the ink's own colour, on the reduced sheet.

    Args:
        colours: the reduced sheet.
        pigments: the K pigments on the page.
        dropped: which of them are pencil; the others are ink.
        main: the ink of a page drawn in one colour; None where that is black.

    Returns:
        ``under`` and ``ink``, each red, green and blue, (h, w) float32 reflectance.
    """
    shape = colours.dim.shape
    base = np.full(3, BLACK, np.float32)
    if main is not None:
        base = np.exp(-main.density).astype(np.float32)
    if not pigments:
        ink = [np.full(shape, part, np.float32) for part in base]
        return [np.ones(shape, np.float32) for _ in range(3)], ink
    full = np.array([np.hypot(*p.chroma) for p in pigments], np.float32)
    rays = np.array([p.chroma for p in pigments], np.float32) / full[:, None]

    def told(across: F32, along: F32, slack: F32) -> list[F32]:
        """Return the densities of what lies under the ink, and the ink, of some rows."""
        own = [np.full(across.shape, part, np.float32) for part in base]
        spent = [np.zeros(across.shape, np.float32) for _ in range(3)]
        lengths = [ray[0] * across + ray[1] * along for ray in rays]
        longest = lengths[0]
        for length in lengths[1:]:
            longest = np.maximum(longest, length)
        for number, pigment in enumerate(pigments):
            # Nothing below the slack, the whole from twice the slack on.
            here = np.minimum(2.0 * (lengths[number] - slack), lengths[number])
            np.maximum(here, 0.0, out=here)
            if len(lengths) > 1:
                here *= lengths[number] == longest
            if dropped[number]:
                np.minimum(here, np.float32(MOST_PENCIL * full[number]), out=here)
                for plane, part in zip(spent, pigment.density / full[number], strict=True):
                    np.add(plane, here * np.float32(part), out=plane)
            elif main is None or pigment.away(main.chroma) > OTHER_HUE:
                here *= np.float32(1.0 / SURE_TINT)
                np.minimum(here, 1.0, out=here)
                shift = np.exp(-pigment.density).astype(np.float32) - base
                for plane, part in zip(own, shift, strict=True):
                    np.add(plane, here * part, out=plane)
        for plane in own:
            np.clip(plane, BLACK, LIGHTEST_INK, out=plane)
        return [*(np.exp(-plane) for plane in spent), *own]

    planes = pixel_by_pixel(told, [*_smooth_chroma(colours), _slack(colours)], 6)
    return planes[:3], planes[3:]


def _smooth_chroma(colours: Colours) -> list[F32]:
    """Chroma of density, averaged near by with bright pixels counting most."""
    weight = colours.bright - np.float32(2 * BLACK)
    np.maximum(weight, 1e-3, out=weight)
    sigma = max(0.6, SPREAD_MM * colours.per_mm)
    sums = [weight, colours.across * weight, colours.along * weight]
    mean, *chroma = side_by_side(
        lambda plane: np.asarray(cv2.GaussianBlur(plane, (0, 0), sigma), np.float32), sums
    )
    mean += np.float32(DEEP)
    return [plane / mean for plane in chroma]


def _slack(colours: Colours) -> F32:
    """Return (h, w) what chroma is not to be taken for pencil."""
    clear = away_from_ink(colours)
    few = colours.strength[::3, ::3][clear[::3, ::3]]
    least = OF_PAPERS * float(np.median(few)) if few.size else SLACK
    away = np.asarray(cv2.blur(clear.astype(np.float32), (3, 3)), np.float32)
    return np.float32(SLACK) + np.float32(np.clip(least, SLACK_AWAY, SLACK) - SLACK) * away


def coefficients(under: list[F32], ink: list[F32]) -> list[F32]:
    """Return four (h, w) planes: ink's reflectance is R, G, B times the first three, plus the last.

    The weights of the channels fall with their noise and with what is unsure of the pencil.
    """
    return pixel_by_pixel(lambda *rows: _coefficients(rows[:3], rows[3:]), (*under, *ink), 4)


def _coefficients(under: Sequence[F32], ink: Sequence[F32]) -> list[F32]:
    weights: list[F32] = []
    total = np.zeros_like(under[0])
    for back, front, noise in zip(under, ink, CHANNEL_NOISE, strict=True):
        doubt = back * (1.0 - back)
        doubt *= doubt
        doubt *= np.float32(UNSURE * UNSURE)
        doubt += np.float32(noise * noise)
        depth = np.maximum(back - front, np.float32(0.02))
        weight = depth / doubt
        weights.append(weight)
        total += weight * depth
    scale = (1.0 - np.minimum(np.minimum(ink[0], ink[1]), ink[2])) / total
    constant = np.ones_like(total)
    planes = [np.asarray(weight * scale, np.float32) for weight in weights]
    for plane, back in zip(planes, under, strict=True):
        constant -= plane * back
    return [*planes, constant]


def apply(tone: Tone, factors: list[F32], factor: int, gain: F32 | None) -> F32:
    """Return ink's reflectance, (H, W) float32.

    ``factors`` are four planes by ``coefficients``, a value for ``factor``² px of the sheet,
    stretched bilinearly over it; ``gain`` is that of the sheet by ``gain_on``.
    """
    high, wide = shape_of(tone)
    ink = np.empty((high, wide), np.float32)
    if gain is not None:
        lamps = cv2.split(gain)
        factors = [*(f * lamp for f, lamp in zip(factors[:3], lamps, strict=True)), factors[3]]

    def fill(rows: slice) -> None:
        target = stretched(factors[3], factor, rows, wide)
        for channel, plane in zip(channels(tone, rows), factors[:3], strict=True):
            cv2.accumulateProduct(channel, stretched(plane, factor, rows, wide), target)
        np.clip(target, 0.0, 1.2, out=ink[rows])
        if isinstance(tone, Lit) and tone.blank is not None:
            ink[rows][tone.blank[rows]] = 1.0

    side_by_side(fill, strips(high, factor * max(1, STRIP // factor)))
    return ink
