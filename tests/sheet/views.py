"""Several views of one drawn page, with glare and a finger; strips and cuts of scans."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, U8
from inkclean.base.colour import to_linear, to_srgb
from inkclean.base.units import MM_PER_INCH
from inkclean.demo.camera.conditions import Conditions
from inkclean.demo.camera.shot import SCANNER, Shot, _expose, photograph
from inkclean.demo.camera.view import View
from inkclean.demo.drawing.page import DrawnPage

# linear light of a lit finger, by eye (no source)
SKIN = (0.45, 0.24, 0.16)


@dataclass(frozen=True)
class Patch:
    """Something over a photo: its pixels, and where it lies, (H, W) bool."""

    pixels: U8
    where: F32


def with_glare(shot: Shot, page: DrawnPage, middle_mm: F64, radii_mm: F64) -> Patch:
    """Return the photo with the lamp mirrored in an ellipse: in full on ink, a third on paper."""
    place = _place(shot, middle_mm) / radii_mm
    square = (place**2).sum(axis=2)
    strength = np.clip(1.6 * np.exp(-0.5 * (square * 1.6) ** 2), 0, None).astype(np.float32)
    ink = _ink(shot, page)
    light = to_linear(shot.pixels)
    light += (strength * (0.33 + 0.67 * ink))[..., None]
    return Patch(to_srgb(light), (square < 1).astype(np.float32))


def with_finger(shot: Shot, tip_mm: F64, root_mm: F64, wide_mm: float) -> Patch:
    """Return the photo with a finger over it, its tip round, its rim darker."""
    at = _place(shot, np.zeros(2))
    along = root_mm - tip_mm
    share = np.clip((at - tip_mm) @ along / (along @ along), 0, 1)
    off = np.hypot(*np.moveaxis(at - tip_mm - share[..., None] * along, 2, 0)) / (wide_mm / 2)
    over = np.clip((1.0 - off) * wide_mm / 2 / 0.4, 0, 1).astype(np.float32)[..., None]
    shade = (0.55 + 0.45 * np.sqrt(np.clip(1 - off**2, 0, 1)))[..., None] * np.array(SKIN)
    light = to_linear(shot.pixels) * (1 - over) + over * shade.astype(np.float32)
    return Patch(to_srgb(light.astype(np.float32)), over[..., 0])


def part_scan(
    page: DrawnPage,
    from_mm: F64,
    size_mm: F64,
    *,
    dpi: float,
    turn: float,
    stretch: float,
    seed: int,
) -> Shot:
    """Return a scan of a part of a page, laid askew by ``turn`` degrees on the bed.

    ``stretch`` is how much longer the carriage's pixels are than those across.
    """
    scale = dpi / MM_PER_INCH
    size = (round(float(size_mm[1]) * scale), round(float(size_mm[0]) * scale))
    a = np.radians(turn)
    turned = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    matrix = np.diag([scale, scale * stretch]) @ turned
    middle = np.asarray(from_mm) + np.asarray(size_mm) / 2
    shift = np.array(size[::-1]) / 2 - matrix @ middle
    homography = np.eye(3)
    homography[:2, :2], homography[:2, 2] = matrix, shift
    view = View(
        page.paper.width_mm, page.paper.height_mm, size, homography, np.eye(3), 1.0, 1.0, (0.0, 0.0)
    )
    light = np.full((2, 2, 3), SCANNER.exposure, np.float32)
    return _expose(page, replace(SCANNER, seed=seed, desk="white"), view, light)


def whole_views(page: DrawnPage, count: int, size: tuple[int, int] = (3000, 4000)) -> list[Shot]:
    """Return photos of the whole page from a hand's breadth apart, each lit a little otherwise."""
    asked = (
        {"seed": 1},
        {"seed": 2, "tilt": 9, "tilt_toward": 190, "turn": -3, "light_from": 160, "radial": 0.012},
        {"seed": 3, "tilt": 7, "tilt_toward": 300, "turn": 4, "light_ratio": 2.0, "lamp_k": 3200},
        {"seed": 4, "tilt": 11, "tilt_toward": 20, "turn": 2, "light_from": 40, "exposure": 0.7},
    )
    width, height = size
    return [
        photograph(page, Conditions(width_px=width, height_px=height, **more))
        for more in asked[:count]
    ]


@dataclass(frozen=True)
class Cut:
    """A part of a picture, seen through a lens at a slant; it answers as a shot does."""

    pixels: U8
    view: View

    def to_page(self, px: F64) -> F64:
        """Return mm on the whole picture of (…, 2) px."""
        return self.view.to_page(px)


def cut_up(pixels: U8, dpi: float = 300.0) -> list[Cut]:
    """Return four overlapping parts of a scan, each distorted, lit and sized of its own."""
    scale = dpi / MM_PER_INCH
    high, wide = pixels.shape[:2]
    rng = np.random.default_rng(5)
    cuts = []
    for k, (x, y) in enumerate(((0, 0), (1, 0), (0, 1), (1, 1))):
        size = (round(0.62 * high), round(0.62 * wide))
        middle = np.array([wide * (0.31 + 0.38 * x), high * (0.31 + 0.38 * y)]) / scale
        turn = np.radians(rng.uniform(-4, 4) + 180 * (k == 2))
        grown = scale * rng.uniform(0.97, 1.03, 2)
        turned = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        matrix = np.eye(3)
        matrix[:2, :2] = np.diag(grown) @ turned
        matrix[:2, 2] = -matrix[:2, :2] @ middle
        slant = np.eye(3)
        slant[2, :2] = rng.uniform(-0.04, 0.04, 2) / max(size)
        shift = np.array([[1, 0, size[1] / 2], [0, 1, size[0] / 2], [0, 0, 1.0]])
        view = View(
            wide / scale,
            high / scale,
            size,
            shift @ slant @ matrix,
            np.eye(3),
            1.0,
            1.0,
            (0.0, 0.0),
            radial=0.01,
        )
        nodes = np.stack(np.meshgrid(np.arange(size[1]), np.arange(size[0])), axis=-1) + 0.5
        at = (view.to_page(nodes) * scale - 0.5).astype(np.float32)
        part = cv2.remap(
            pixels, at[..., 0], at[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
        ramp = nodes / np.array(size[::-1]) - 0.5
        light = 0.85 + ramp @ rng.uniform(-0.25, 0.25, 2)
        lit = to_linear(np.asarray(part, np.uint8)) * light[..., None] * rng.uniform(0.9, 1.0, 3)
        lit += rng.normal(0, 0.004, lit.shape)
        cuts.append(Cut(to_srgb(lit.astype(np.float32)), view))
    return cuts


def _place(shot: Shot, middle_mm: F64) -> F64:
    """Return where each px lies on the page, (H, W, 2) mm from ``middle_mm``."""
    height, width = shot.pixels.shape[:2]
    step = 16
    x, y = np.arange(0, width + step, step), np.arange(0, height + step, step)
    nodes = shot.to_page(np.stack(np.meshgrid(x, y), axis=-1) + 0.5)
    grid = np.stack(np.meshgrid(np.arange(width), np.arange(height)), axis=-1).astype(np.float32)
    grid /= step
    found = cv2.remap(nodes.astype(np.float32), grid[..., 0], grid[..., 1], cv2.INTER_LINEAR)
    return np.asarray(found - middle_mm, np.float64)


def _ink(shot: Shot, page: DrawnPage) -> F32:
    at = (_place(shot, np.zeros(2)) * page.px_per_mm - 0.5).astype(np.float32)
    return np.asarray(cv2.remap(page.ink, at[..., 0], at[..., 1], cv2.INTER_LINEAR), np.float32)
