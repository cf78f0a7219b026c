"""What tells coloured ink from coloured pencil.

Hue alone can't: red ink and red pencil share one. Ink is saturated to its core where pencil
lets paper shine through; a wash or flat colour is broad, and the lines on it are what is
wanted; underdrawing keeps the company of the black lines drawn over it, which coloured pen
has no reason to do.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, U8, Bool, median
from inkclean.base.tiles import ROWS, pixel_by_pixel, side_by_side, strips
from inkclean.ink.pencil.pigments import (
    AXES,
    DARK,
    LEAST_CHROMA,
    LEAST_SHARE,
    OVERLIT,
    REACH_DEGREES,
    Colours,
    Pigment,
    log_density,
)

INKED_CHROMA = 0.25  # chroma in the centre of a dark stroke that black ink doesn't reach
INKED_RISE = 0.04  # and how far its channels lie apart: black under a red lamp stays below
COLOURED_PAGE = 0.4  # share of dark stroke centres so tinted that makes a page of coloured ink
LAMPLIT_PAGE = 0.7  # the same for inks within ``LAMP_HUE`` of a coloured light
LAMP_HUE = 60.0  # degrees between such inks and the light
LAMP_CHROMA = 0.25  # least chroma of such a light
NEUTRAL = 0.2  # chroma over density; greyer than that is black ink, graphite or a fringe
BARELY = 0.2  # the same, for the ink of a page whose every stroke has the hue
SATURATED = 0.05  # strongest channel in the core of what can only be ink
PALE = 0.30  # the same, of what is pencil but for the signs of a pale ink
PALE_INK = 0.48  # the same, paler than any ink that is told from pencil
EVEN = 0.17  # how much a pale ink's cores vary along a stroke; pencil shows the paper's tooth
NEAR_MM = 3.0  # over which they are compared
PRINTED_MM, PRINTED = 8.0, 0.5  # level or upright lines so long, over so much of it, are print
PALE_COMPANY = 1.5  # a pale ink is no underdrawing
ENOUGH = 4  # cores near each other from which on they are compared
BROAD = 0.5  # share left after paring off a line's half width: flat colour or wash
COMPANY = 2.5  # times as often beside black lines as anywhere
LINE_MM = 1.6  # drawn lines, their blur included, are narrower
LEAST_APART = 0.05  # share of a fringe's px that lie apart from black lines
FAINT, CLINGS = 0.6, 12.0  # a colour so pale, so many times oftener beside black, is its fringe
PURE = 0.5  # a pixel of a pigment is at least so saturated beside the pigment
FRINGE_MM = 0.35  # nearer to a black line lies what lens and JPEG smear out of it
# On a page whose darkest part of this share is paler than dark ink, that part is its ink,
INK_SHARE = 0.002
PALEST = 0.4  # and what is within this share of the way from there to paper.
NEAR_DARKEST = 0.15  # ink is the darkest on the page in its lightest channel; pencil is not
FEW_STROKES = 0.05  # of all dark places; fewer strokes than that tell nothing
BESIDE_MM = 1.0


@dataclass(frozen=True)
class Evidence:
    """Signs of one pigment.

    ``core`` is the reflectance in its strongest channel at the centres of its strokes;
    ``broad`` the share of its area that is no line; ``company`` how many times as often it
    lies beside black lines as elsewhere; ``uneven`` the deviation of its cores' density from
    those near them, as a share; ``printed`` the share of it that is long level or upright lines;
    ``apart`` the share of the sheet that it marks clearly, and further from black lines than
    their fringes, ``all`` the share it marks at all.
    """

    core: float
    broad: float
    company: float
    uneven: float = 1.0
    printed: float = 0.0
    apart: float = 1.0
    all: float = 1.0

    def is_fringe(self, strongest: float) -> bool:
        """Whether a pigment that reflects ``strongest`` is what lens, sharpening and JPEG leave.

        Nobody sees it as a colour: it lies nowhere but beside black lines, or is lighter than
        the paper there.
        """
        if self.apart < max(LEAST_SHARE, LEAST_APART * self.all):
            return True
        return strongest > FAINT and self.company > CLINGS

    @property
    def is_ink(self) -> bool:
        """Whether these are the signs of ink beside black ink."""
        if self.broad > BROAD or self.core > PALE_INK:
            return False
        if self.core > PALE:
            even = self.uneven < EVEN and self.printed < PRINTED
            return even and self.company < PALE_COMPANY
        return self.core < SATURATED or self.company < COMPANY


def ink_hue(
    colours: Colours, pigments: Sequence[Pigment], lamp: F64 | None = None
) -> Pigment | None:
    """Return the ink of a page drawn in one colour, None if there is black ink.

    Judged in the centres of the darkest strokes, where black is neutral whatever lies under
    it; in broad areas, which may be washes, only where there are no strokes. The pigment
    returned has the density found there.

    ``lamp`` is (2,) the chroma of the light, as if it were white light behind a filter. JPEG
    keeps colour at half the sharpness of brightness (ITU-T T.81 as cameras use it, common
    practice), so black lines take on the hue of the lit paper beside them: more is asked of an
    ink of that hue.
    """
    dim, bright = colours.dim, colours.bright
    least, paleness = _dark_of(dim)
    dark = dim < least
    centre = dark & (dim <= cv2.erode(dim, np.ones((5, 5), np.uint8)))
    strokes = centre & ~_broad(dark, colours.per_mm)
    if strokes.sum() > FEW_STROKES * centre.sum():
        centre = strokes
    if not centre.any() or not pigments:
        return None
    centre &= bright < float(np.percentile(bright[centre], 10)) + NEAR_DARKEST
    found = colours.density[centre]
    risen = bright[centre] - dim[centre] > INKED_RISE * paleness
    chroma = found @ AXES.T
    best, most = None, COLOURED_PAGE
    coloured = lamp is not None and float(np.hypot(*lamp)) > LAMP_CHROMA
    for pigment in pigments:
        lit = lamp is not None and coloured and pigment.away(lamp) < LAMP_HUE
        along = chroma @ (pigment.chroma / np.hypot(*pigment.chroma)).astype(np.float32)
        tinted = (along > INKED_CHROMA * paleness) & risen
        share = float(tinted.mean())
        if share >= max(most, LAMPLIT_PAGE if lit else 0.0) and saturation(pigment) > BARELY:
            ink = np.median(found[tinted], axis=0).astype(np.float64)
            best, most = Pigment(ink, pigment.share), share
    return best


def _dark_of(dim: F32) -> tuple[float, float]:
    """Return how dark ink is at least where the lowest channel is ``dim``, and its density as a
    share of dark ink's."""
    count = np.bincount((np.clip(dim, 0, 1) * 255).astype(np.uint8).ravel(), minlength=256)
    darkest = float(np.searchsorted(np.cumsum(count), INK_SHARE * dim.size)) / 255
    if darkest <= DARK:
        return DARK, 1.0
    return darkest + PALEST * (1 - darkest), float(np.log(darkest) / np.log(DARK))


def saturation(pigment: Pigment) -> float:
    """Chroma over density: 0 grey, 0.8 the purest hue."""
    return float(np.hypot(*pigment.chroma) / max(float(np.linalg.norm(pigment.density)), 1e-9))


def gather(
    colours: Colours, pigments: Sequence[Pigment], main: Pigment | None = None
) -> list[Evidence]:
    """Return the signs of each pigment on the reduced sheet.

    ``main`` is the ink of a page drawn in one colour, which stands for black there.
    """
    across, along, strength = colours.across, colours.along, colours.strength
    per_mm = colours.per_mm
    strongest = log_density(colours.dim)
    black = (colours.bright < 0.6 * DARK) & (strength < 2 * INKED_CHROMA)
    if main is not None:
        black = _along(across, along, strength, main) & (strongest > 0.7 * main.density.max())
    fringe = _grow(black, FRINGE_MM * per_mm)
    beside = _grow(black, BESIDE_MM * per_mm)
    coloured = (strength > 1.3 * LEAST_CHROMA) & ~black
    clear = (colours.bright < OVERLIT) & ~fringe
    peaks = strongest >= cv2.dilate(strongest, np.ones((5, 5), np.uint8))
    peaks &= ~fringe
    (total,) = pixel_by_pixel(_lengths, (colours.density,), 1)
    around = _Around(fringe, beside)

    def signs(pigment: Pigment) -> Evidence:
        mask = coloured & _along(across, along, strength, pigment)
        # thin black lines and soft edges are grey with hardly a tint
        pure = clear & (strength > PURE * saturation(pigment) * total)
        pure &= mask
        found = _signs(mask, strongest, peaks, around, per_mm)
        return replace(found, apart=_share(pure), all=_share(mask))

    return side_by_side(signs, pigments)


def _lengths(density: F32) -> list[F32]:
    return [np.asarray(np.sqrt(sum(p * p for p in cv2.split(density))), np.float32)]


def _along(across: F32, along: F32, strength: F32, pigment: Pigment) -> Bool:
    """Where the chroma has the pigment's hue."""
    ray = (pigment.chroma / np.hypot(*pigment.chroma)).astype(np.float32)
    least = np.cos(np.radians(REACH_DEGREES))
    found = np.empty(strength.shape, np.bool_)
    for rows in strips(len(found), ROWS):  # so that what is made on the way stays in the cache
        way = across[rows] * ray[0] + along[rows] * ray[1]
        np.greater(way, least * strength[rows], out=found[rows])
    return found


def _grow(mask: Bool, radius: float) -> Bool:
    return np.asarray(cv2.dilate(mask.astype(np.uint8), _disc(2 * radius)), np.bool_)


def _broad(mask: Bool, per_mm: float) -> Bool:
    """What is left of a mask without its lines."""
    opened = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, _disc(LINE_MM * per_mm))
    return np.asarray(opened, np.bool_)


def _disc(diameter: float) -> U8:
    size = max(3, round(diameter) | 1)
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)


class _Around:
    """Where black lines are near: within ``beside`` (h, w), but not within their ``fringe``; and
    beyond both."""

    def __init__(self, fringe: Bool, beside: Bool) -> None:
        self.ring = beside & ~fringe
        self.away = ~beside
        self._sizes = [max(1, int(np.count_nonzero(part))) for part in (self.ring, self.away)]

    def shares(self, mask: Bool) -> tuple[float, float]:
        """Return which share of either a mask takes."""
        inside, outside = (
            int(np.count_nonzero(mask & part)) / size
            for part, size in zip((self.ring, self.away), self._sizes, strict=True)
        )
        return inside, outside


def _signs(mask: Bool, strongest: F32, peaks: Bool, around: _Around, per_mm: float) -> Evidence:
    count = int(np.count_nonzero(mask))
    if count == 0:
        return Evidence(1.0, 0.0, 1.0)
    core = mask & peaks
    chosen = strongest[core] if np.count_nonzero(core) >= 20 else strongest[mask]
    inside, outside = around.shares(mask)
    signs: list[Callable[[], float]] = [
        lambda: int(np.count_nonzero(_broad(mask, per_mm))) / count,
        lambda: _unevenness(strongest, core, per_mm),
        lambda: _printed(mask, per_mm),
    ]
    broad, uneven, printed = side_by_side(lambda sign: sign(), signs)
    return Evidence(
        core=float(np.exp(-median(chosen))),
        broad=broad,
        company=inside / max(outside, 1e-6),
        uneven=uneven,
        printed=printed,
    )


def _unevenness(density: F32, core: Bool, per_mm: float) -> float:
    """Return the deviation of ``density`` at ``core`` from what it is there around, as a share."""
    size = (round(NEAR_MM * per_mm) | 1,) * 2

    def around(values: F32) -> F32:
        return np.asarray(cv2.boxFilter(values, -1, size, normalize=False), np.float32)

    weight = core.astype(np.float32)
    count = around(weight)
    told = core & (count >= ENOUGH)
    if not told.any():
        return 1.0
    count = count[told]
    mean = around(weight * density)[told] / count
    square = around(weight * density * density)[told] / count
    deviation = np.sqrt(np.maximum(square - mean * mean, 0))
    return float(median(deviation / np.maximum(mean, np.float32(1e-3))))


def _printed(mask: Bool, per_mm: float) -> float:
    """Return the share of a mask that is long level or upright lines."""
    long = max(3, round(PRINTED_MM * per_mm))
    codes = cv2.dilate(mask.view(np.uint8), np.ones((2, 2), np.uint8))
    lines = np.zeros_like(mask)
    for shape in ((1, long), (long, 1)):
        opened = cv2.morphologyEx(codes, cv2.MORPH_OPEN, np.ones(shape, np.uint8))
        lines |= np.asarray(opened, np.bool_)
    return int(np.count_nonzero(lines & mask)) / int(np.count_nonzero(mask))


def _share(mask: Bool) -> float:
    return int(np.count_nonzero(mask)) / mask.size
