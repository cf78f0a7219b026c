"""Everything about one shot: geometry, paper, desk, light, ink, lens and sensor."""

from __future__ import annotations

from dataclasses import dataclass, replace

from inkclean.demo.camera.table import Desk


@dataclass(frozen=True)
class Conditions:
    """Everything about one shot. Lengths on paper in mm, in the photo in px, angles in degrees.

    Geometry: ``width_px``, ``height_px``; ``tilt`` towards ``tilt_toward`` (0 right, 90 down),
    ``turn`` in the plane, ``distance`` in paper diagonals, ``fill`` of the tighter side,
    ``shift`` of the sheet's middle (shares of the photo; large ones push a corner out),
    ``radial`` lens distortion, ``bow_mm`` curl across ``bow_axis`` (0: left to right).
    Paper: ``tint`` (``white``, ``cream``, ``grey``), ``grain`` (relative deviation), ``dust``
    (number of specks), ``grid_mm`` (blue squared paper; 0: none), ``show_through`` (0..1).
    Desk: ``dark``, ``wood``, ``white``, ``clutter``.
    Light: ``light_ratio`` brightest to darkest over the sheet, coming from ``light_from``;
    ``lamp_k`` and ``ambient_k`` colour temperatures, ``white_balance`` how much of the cast the
    camera takes out; ``vignette`` loss at the corners; ``shadow`` share of light lost in a cast
    shadow, its edge ``shadow_soft_mm`` wide, at ``shadow_at`` (share of the sheet along
    ``shadow_from``); ``exposure`` linear value of the brightest bare paper.
    Ink: ``gloss`` sheen on blacks, ``ink_texture`` unevenness of brushed blacks.
    Lens and sensor: ``blur_px`` standard deviation, ``shot`` variance per unit of light,
    ``read`` deviation, ``chroma_soft_px``, ``contrast`` (0: plain sRGB), ``sharpen``,
    ``jpeg_quality``.
    """

    width_px: int = 3000
    height_px: int = 4000
    tilt: float = 6.0
    tilt_toward: float = 70.0
    turn: float = 1.5
    distance: float = 1.5
    fill: float = 0.92
    shift: tuple[float, float] = (0.0, 0.0)
    radial: float = 0.0
    bow_mm: float = 0.0
    bow_axis: int = 0
    tint: str = "white"
    grain: float = 0.012
    dust: int = 120
    grid_mm: float = 0.0
    show_through: float = 0.0
    desk: Desk = "wood"
    light_ratio: float = 1.5
    light_from: float = 215.0
    lamp_k: float = 3800.0
    ambient_k: float = 6000.0
    white_balance: float = 0.7
    vignette: float = 0.15
    shadow: float = 0.0
    shadow_soft_mm: float = 6.0
    shadow_at: float = 0.3
    shadow_from: float = 20.0
    exposure: float = 0.85
    gloss: float = 0.012
    ink_texture: float = 0.015
    blur_px: float = 0.7
    shot: float = 1.5e-4
    read: float = 0.002
    chroma_soft_px: float = 0.8
    contrast: float = 0.15
    sharpen: float = 0.35
    jpeg_quality: int = 92
    seed: int = 1

    def but(self, **changes: object) -> Conditions:
        """Return these conditions with some changed."""
        return replace(self, **changes)  # type: ignore[arg-type]
