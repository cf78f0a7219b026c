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

from inkclean.arrays import F32, I32
from inkclean.ink.pigments import AXES, BLACK, Pigment, brightest, darkest

SPREAD_MM = 0.10  # smoothing of the pencil: less than a pencil line, more than a pen's fringe
SLACK = 0.06  # chroma that paper's noise makes, not to be taken for pencil
UNSURE = 0.35  # share of a pencil's amount that is guesswork
CHANNEL_NOISE = (0.055, 0.035, 0.07)  # relative; green is sampled densest and weighs most in JPEG
SURE_TINT = 0.16  # from this chroma on a pixel of kept coloured ink is wholly so
MOST_PENCIL = 1.6  # times a pigment's usual full strength: beyond is noise
LIGHTEST_INK = 0.75  # of a channel of coloured ink, so that a depth is left to measure
OTHER_HUE = 40.0  # degrees; nearer to the page's coloured ink, a pigment is that ink
DEEP = 0.002  # weight of "no pencil": deep inside blacks chroma is noise
STRIP = 64  # rows handled at once, so that their planes stay in the cache


def under_ink(
    reduced: F32,
    density: F32,
    pigments: Sequence[Pigment],
    dropped: Sequence[bool],
    per_mm: float,
    main: Pigment | None = None,
) -> tuple[F32, F32]:
    """Return what lies under the ink, and the ink's own colour, on the reduced sheet.

    Args:
        reduced: (h, w, 3) reflectance.
        density: its density by ``log_density``.
        pigments: the K pigments on the page.
        dropped: which of them are pencil; the others are ink.
        per_mm: scale of the reduced sheet.
        main: the ink of a page drawn in one colour; None where that is black.

    Returns:
        ``under`` and ``ink``, each (h, w, 3) float32 reflectance.
    """
    base = np.full(3, BLACK, np.float32)
    if main is not None:
        base = np.exp(-main.density).astype(np.float32)
    under, ink = np.ones_like(reduced), np.empty_like(reduced)
    ink[:] = base
    if not pigments:
        return under, ink
    chroma = _smooth_chroma(reduced, density, per_mm)
    full = np.array([np.hypot(*p.chroma) for p in pigments], np.float32)
    rays = np.array([p.chroma for p in pigments], np.float32) / full[:, None]
    lengths = [cv2.transform(chroma, ray[None]) for ray in rays]
    longest = lengths[0]
    for length in lengths[1:]:
        longest = cv2.max(longest, length)
    spent = np.zeros_like(reduced)
    for number, pigment in enumerate(pigments):
        here = np.where(lengths[number] == longest, lengths[number], np.float32(0.0))
        # Nothing below the slack, the whole from twice the slack on.
        here = np.clip(2.0 * (here - np.float32(SLACK)), 0.0, np.maximum(here, 0.0))
        if dropped[number]:
            amount = np.minimum(here, np.float32(MOST_PENCIL * full[number]))
            unit = (pigment.density / full[number]).astype(np.float32)
            spent += cv2.merge([amount * u for u in unit])
        elif main is None or pigment.away(main.chroma) > OTHER_HUE:
            sure = np.clip(here * np.float32(1.0 / SURE_TINT), 0.0, 1.0)
            shift = np.exp(-pigment.density).astype(np.float32) - base
            ink += cv2.merge([sure * u for u in shift])
    if any(dropped):
        under = np.exp(-spent)
    return under, np.clip(ink, BLACK, LIGHTEST_INK)


def _smooth_chroma(reduced: F32, density: F32, per_mm: float) -> F32:
    """Chroma of density, averaged near by with bright pixels counting most."""
    weight = brightest(reduced)
    weight -= np.float32(2 * BLACK)
    np.maximum(weight, 1e-3, out=weight)
    sigma = max(0.6, SPREAD_MM * per_mm)
    mean = cv2.GaussianBlur(weight, (0, 0), sigma) + np.float32(DEEP)
    planes = [
        cv2.divide(cv2.GaussianBlur(cv2.multiply(plane, weight), (0, 0), sigma), mean)
        for plane in cv2.split(cv2.transform(density, AXES))
    ]
    return np.asarray(cv2.merge(planes), np.float32)


def coefficients(under: F32, ink: F32) -> list[F32]:
    """Return four (h, w) planes: ink's reflectance is R, G, B times the first three, plus the last.

    The weights of the channels fall with their noise and with what is unsure of the pencil.
    """
    weights: list[F32] = []
    total = np.zeros(under.shape[:2], np.float32)
    backs, inks = cv2.split(under), cv2.split(ink)
    for back, front, noise in zip(backs, inks, CHANNEL_NOISE, strict=True):
        doubt = back * (1.0 - back)
        doubt *= doubt
        doubt *= np.float32(UNSURE * UNSURE)
        doubt += np.float32(noise * noise)
        depth = np.maximum(cv2.subtract(back, front), np.float32(0.02))
        weight = cv2.divide(depth, doubt)
        weights.append(np.asarray(weight, np.float32))
        total += cv2.multiply(weight, depth)
    scale = cv2.divide(1.0 - darkest(ink), total)
    planes = [np.asarray(cv2.multiply(weight, scale), np.float32) for weight in weights]
    constant = np.ones_like(total)
    for plane, back in zip(planes, backs, strict=True):
        constant -= cv2.multiply(plane, back)
    return [*planes, constant]


def apply(reflectance: F32, factors: list[F32]) -> tuple[F32, F32]:
    """Return ink and the darkest channel, each (H, W) float32.

    ``factors`` are four (h, w) planes by ``coefficients``, stretched bilinearly over the sheet.
    """
    high, wide = reflectance.shape[:2]
    ink = np.empty((high, wide), np.float32)
    dark = np.empty((high, wide), np.float32)
    coarse = factors[0].shape[0]
    rows = np.clip((np.arange(high) + 0.5) * (coarse / high) - 0.5, 0, coarse - 1)
    upper = np.minimum(rows.astype(np.int32), max(coarse - 2, 0))
    lower = np.minimum(upper + 1, coarse - 1)
    part = (rows - upper).astype(np.float32)[:, None]
    for top in range(0, high, STRIP):
        strip = slice(top, min(top + STRIP, high))
        channels = cv2.split(reflectance[strip])
        stretched = [_stretch(f, upper[strip], lower[strip], part[strip], wide) for f in factors]
        target = stretched[3]
        for channel, factor in zip(channels, stretched[:3], strict=True):
            cv2.accumulateProduct(channel, factor, target)
        np.clip(target, 0.0, 1.2, out=ink[strip])
        dark[strip] = cv2.min(cv2.min(channels[0], channels[1]), channels[2])
    return ink, dark


def _stretch(factor: F32, upper: I32, lower: I32, part: F32, wide: int) -> F32:
    above = factor[upper]
    above += part * (factor[lower] - above)
    return np.asarray(
        cv2.resize(above, (wide, above.shape[0]), interpolation=cv2.INTER_LINEAR), np.float32
    )
