"""Where the edge of a blurred line runs: the level to cut at, from the height of its ridge.

Under a Gaussian blur σ a bar of width w reaches no further than erf(w / 2√2σ) of full ink,
and its true edge lies at ½·erf(w / √2σ): both depend on w/σ alone, so the level follows from
the height of the ridge. A cut half-way instead loses lines under 1.349 σ and thins those under
3 σ. The same holds upside down for the paper between two close lines.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, U8

# Share of the blur that one step f − gain·σ²/2·∇²f takes back; found on shapes of known size.
DEBLUR_GAIN = 0.5
# Above this blur the step is weakened: its noise grows with σ² while edges get flatter.
DEBLUR_FULL_BLUR_PX = 1.2
# Ridges lower than this share of full ink are lost in noise: their level is held here.
LOWEST_RIDGE = 0.15
CODES = 200.0  # steps that heights are told in, a full ink: under the noise
LOWEST_CODE = -0.06  # share of full ink from which on they are told
# Reach, in σ, within which a pixel beside the ridge sees it.
REACH_IN_BLURS = 1.2

# Up to this share of the greatest height a shape is surely narrow; a wide one is cut at half.
NARROW = 0.9
# Depth of dips in ink, share of full: up to the first sheen or noise, from the second on paper.
SHEEN = (0.35, 0.55)
# Paper between close lines is cut into cells by hatching across: how much like discs it is.
CELL = 0.25

_LAPLACIAN = np.array([[1, 2, 1], [2, -12, 2], [1, 2, 1]], np.float32) / 4


@lru_cache(maxsize=32)
def disc(radius_px: float) -> U8:
    """Return a round structuring element, the same under quarter turns and mirroring."""
    reach = max(1, math.ceil(radius_px))
    steps = np.arange(-reach, reach + 1)
    return (steps[:, None] ** 2 + steps**2 <= (reach + 0.3) ** 2).astype(np.uint8)


def deblur_gain(blur_px: float) -> float:
    """Return the share of the blur to take back."""
    return DEBLUR_GAIN * min(1.0, (DEBLUR_FULL_BLUR_PX / max(blur_px, 1e-6)) ** 2)


def laplacian(share: F32) -> F32:
    """Return ∇² of ``share`` (H, W), per px², the same in all directions to fourth order."""
    return cv2.filter2D(share, cv2.CV_32F, _LAPLACIAN, borderType=cv2.BORDER_REFLECT)  # type: ignore[return-value]


def deblur(share: F32, blur_px: float, gain: float) -> F32:
    """Return ``share`` (H, W) after one step of reverse diffusion, taking back ``gain`` of σ²."""
    kernel = (-gain * blur_px**2 / 2) * _LAPLACIAN
    kernel[1, 1] += 1
    return cv2.filter2D(share, cv2.CV_32F, kernel, borderType=cv2.BORDER_REFLECT)  # type: ignore[return-value]


@lru_cache(maxsize=16)
def ridge_table(gain: float, blur_px: float = math.inf, steps: int = 256) -> tuple[F64, F64]:
    """Return (ridge height, level of the true edge), rising, for bars after :func:`deblur`.

    Pixels miss the top of a ridge by up to half a px, by 1/24 of its bend on average: counted
    in for a finite ``blur_px``.
    """
    u = np.linspace(0.01, 8.0, 2000)  # w / σ
    cdf = np.array([math.erf(v / math.sqrt(2)) for v in u])  # over ±u
    half = np.array([math.erf(v / 2 / math.sqrt(2)) for v in u])

    def density(x: F64) -> F64:
        return np.exp(-(x**2) / 2) / math.sqrt(2 * math.pi)

    ridge = half + (gain - 1 / (12 * blur_px**2)) * (u / 2) * density(u / 2)
    level = cdf / 2 + gain / 2 * u * density(u)
    return _rising(ridge, level, steps)


@lru_cache(maxsize=16)
def cell_table(gain: float, steps: int = 256) -> tuple[F64, F64]:
    """Return (height at the centre, level of the true edge), rising, for discs.

    Under a Gaussian blur a disc of radius ρσ has 1 − exp(−ρ²/2) at its centre and
    (1 − exp(−ρ²)·I₀(ρ²)) / 2 on its rim. The Laplacian follows as 2·∂/∂σ²: times σ² it is
    −ρ²·exp(−ρ²/2) at the centre and −ρ²·exp(−ρ²)·(I₀(ρ²) − I₁(ρ²)) on the rim.
    """
    rho = np.linspace(0.05, 5.0, 1500)
    bessel, bessel1 = _bessel_scaled(0, rho * rho), _bessel_scaled(1, rho * rho)
    centre = 1 - np.exp(-(rho**2) / 2)
    rim = (1 - bessel) / 2
    centre = centre + gain / 2 * rho**2 * np.exp(-(rho**2) / 2)
    rim = rim + gain / 2 * rho**2 * (bessel - bessel1)
    return _rising(centre, rim, steps)


def _bessel_scaled(order: int, x: F64) -> F64:
    """Return exp(−x)·I_order(x), from its integral (Abramowitz & Stegun 9.6.19)."""
    angle = (np.arange(64) + 0.5) * (math.pi / 64)
    each = np.exp(x[:, None] * (np.cos(angle) - 1)) * np.cos(order * angle)
    return np.asarray(each.mean(axis=1))


def _rising(height: F64, level: F64, steps: int) -> tuple[F64, F64]:
    top = int(np.argmax(height))  # beyond it the step overshoots and shapes are wide anyway
    grid = np.linspace(0.0, height[top], steps)
    wide = np.clip((grid / height[top] - NARROW) / (1 - NARROW), 0, 1)
    return grid, (1 - wide) * np.interp(grid, height[: top + 1], level[: top + 1]) + wide / 2


def _gap_table(ridges: tuple[F64, F64], cells: tuple[F64, F64]) -> tuple[F64, F64]:
    """Return the table for paper between lines; shallow dips in ink are sheen, not paper."""
    grid = np.linspace(0.0, 1.2, 512)
    level = CELL * np.interp(grid, *cells) + (1 - CELL) * np.interp(grid, *ridges)
    sheen, paper = SHEEN
    believed = np.clip((grid - sheen) / (paper - sheen), 0, 1)
    return grid, 0.5 + believed * (level - 0.5)


@dataclass(frozen=True)
class EdgeLevels:
    """At which level of a share of ink, deblurred by ``gain``, the ink ends.

    Made once for a page; ``reach`` is how many px around a pixel its level depends on.
    """

    blur_px: float
    gain: float

    @property
    def reach(self) -> int:
        """Px around a pixel that its level depends on."""
        return self._near + math.ceil(4 * max(self.blur_px, 0.5)) + 1

    @property
    def _near(self) -> int:
        return max(1, math.ceil(REACH_IN_BLURS * self.blur_px + 0.5))

    def of(self, share: F32) -> F32:
        """Return (H, W): the level at each pixel of ``share``, 0 on paper and 1 in full ink."""
        around = disc(self._near)
        codes = share * np.float32(CODES)
        codes += np.float32(CODES * -LOWEST_CODE)
        np.clip(codes, 0, 255, out=codes)
        steps = codes.astype(np.uint8)
        ridges, gaps = self._tables()
        level = np.asarray(cv2.LUT(cv2.dilate(steps, around), ridges), np.float32)
        level -= np.asarray(cv2.LUT(cv2.erode(steps, around), gaps), np.float32)
        level += np.float32(0.5)
        return cv2.GaussianBlur(level, (0, 0), max(self.blur_px, 0.5))  # type: ignore[return-value]

    def _tables(self) -> tuple[F32, F32]:
        """Return the level by the code of the ridge and by that of the gap, (256,) each."""
        return _edge_tables(round(self.gain, 3), round(max(self.blur_px, 0.5), 2))


@lru_cache(maxsize=16)
def _edge_tables(gain: float, blur_px: float) -> tuple[F32, F32]:
    share = np.arange(256) / CODES + LOWEST_CODE
    ridges = ridge_table(gain, blur_px)
    gaps = _gap_table(ridges, cell_table(gain))
    ridge = np.interp(np.maximum(share, LOWEST_RIDGE), *ridges)
    return ridge.astype(np.float32), np.interp(1 - share, *gaps).astype(np.float32)
