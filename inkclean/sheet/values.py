"""What passes between the stages of the sheet."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from inkclean.base.arrays import F32, F64, U8, Bool
from inkclean.sheet.lit import Tone, shape_of, whole

Framed = Literal["found", "whole", "given"]


@dataclass(frozen=True)
class Differing:
    """A place where photos of one page disagree: middle and diameter in px, what was decided.

    ``chance`` (0..1) is how likely that is wrong.
    """

    x_px: float
    y_px: float
    size_px: float
    why: str
    chance: float = 0.5


@dataclass(frozen=True)
class Photo:
    """One picture of a page, upright and colour-managed.

    ``pixels`` is (H, W, 3) uint8, sRGB-encoded (not linear); ``ppi`` the resolution that the
    file states in px per inch, None if it states none worth believing; ``name`` what to call
    it in a message or a file name, without folder and ending. ``differing`` are the places where
    the photos that it was joined of disagree.
    """

    pixels: U8
    ppi: float | None
    name: str
    differing: tuple[Differing, ...] = ()


@dataclass(frozen=True)
class Frame:
    """Where the paper lies in the photo, and how large it is.

    ``corners_px`` is (4, 2): top left, top right, bottom right, bottom left in continuous
    photo px (may lie outside the photo). ``edges_px`` is None for straight edges, else four
    (N, 2) polylines top, right, bottom, left, each from its first corner clockwise to its
    next. ``paper`` names the matched standard size; ``confidence`` is 0..1; ``doubt`` says in
    plain words what was guessed, or is empty; ``doubt_of`` is what it is about.
    """

    corners_px: F64
    edges_px: tuple[F64, F64, F64, F64] | None
    width_mm: float
    height_mm: float
    paper: str | None
    framed: Framed
    confidence: float
    doubt: str = ""
    doubt_of: Literal["size", "outline"] = "size"

    @property
    def scale_known(self) -> bool:
        """Tell whether the size was found or stated, not guessed from the picture's shape."""
        return self.confidence >= 0.9

    def scaled(self, scale: F64) -> Frame:
        """Return the frame in a photo of ``scale`` (x, y) times the px."""
        edges = self.edges_px
        return replace(
            self,
            corners_px=self.corners_px * scale,
            edges_px=None
            if edges is None
            else (edges[0] * scale, edges[1] * scale, edges[2] * scale, edges[3] * scale),
        )


@dataclass(frozen=True)
class Sheet:
    """The paper, squared up and evenly lit.

    ``tone`` is what the reflectance of its (H, W) px follows from, or that itself.
    ``px_per_mm`` is the scale, the same both ways.
    ``shading`` is (h, w, 3) float32, the light divided out, linear, on a coarse grid over the
    whole sheet. ``inside`` is (H, W) bool, False where the photo did not reach, or None if it
    reached everywhere. ``shade_edge`` is (H, W) bool, True along the edge of a cast shadow
    or a fold where the division is least sure, or None. ``noise`` is the standard deviation
    of the reflectance of bare paper.
    """

    tone: Tone
    px_per_mm: float
    frame: Frame
    shading: F32
    inside: Bool | None = None
    shade_edge: Bool | None = None
    noise: float = 0.01

    @property
    def reflectance(self) -> F32:
        """(H, W, 3) float32, linear light, R G B, relative to bare paper.

        1.0 is bare paper, which may exceed it slightly. Worked out anew at each call.
        """
        return whole(self.tone)

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width in px."""
        return shape_of(self.tone)

    @property
    def width_mm(self) -> float:
        """Width of the sheet in mm."""
        return self.shape[1] / self.px_per_mm

    @property
    def height_mm(self) -> float:
        """Height of the sheet in mm."""
        return self.shape[0] / self.px_per_mm


@dataclass(frozen=True)
class Capture:
    """How well the page was photographed, in numbers and plain words.

    ``sharpness`` is 0..1 (1: edges as sharp as the pixels allow); ``blur_px`` the standard
    deviation of the lens's blur in sheet px; ``thinnest_mm`` the thinnest line that stays whole;
    ``light_ratio`` the brightest over the darkest light on the paper; ``clipped_share`` the
    share of pixels at either end of the scale.
    """

    sharpness: float
    blur_px: float
    thinnest_mm: float
    light_ratio: float
    clipped_share: float
    verdict: Literal["good", "fair", "poor"]
    advice: str
