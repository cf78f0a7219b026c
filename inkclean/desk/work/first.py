"""A first look: the ink of a reduced photo, by the same stages, seconds before the real one."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from inkclean.base.arrays import F32, U8
from inkclean.ink.cut import cut
from inkclean.ink.pencil.separate import separate
from inkclean.ink.specks import clean_specks
from inkclean.ink.weight import weigh
from inkclean.settings import Settings
from inkclean.sheet.check import edge_blur_px
from inkclean.sheet.framing.squaring import square_up
from inkclean.sheet.light import even_light
from inkclean.sheet.values import Frame, Photo

# A photo is reduced to so many megapixels: as many as a tablet shows of a page. Below the
# other number the page itself is there as soon.
FIRST_MP, LEAST_MP = 1.2, 6.0


@dataclass(frozen=True)
class First:
    """Ink (H, W) as coverage and the sheet (H, W, 3) uint8 beneath, at ``px_per_mm``."""

    coverage: F32
    flat: U8
    px_per_mm: float


def worth_it(photo: Photo) -> bool:
    """Tell whether a first look comes noticeably sooner than the page itself."""
    return photo.pixels[..., 0].size > LEAST_MP * 1e6


def first_look(photo: Photo, frame: Frame, settings: Settings) -> First:
    """Return the ink of the photo at the size of a screen, no edits in it."""
    height, width = photo.pixels.shape[:2]
    factor = (FIRST_MP * 1e6 / (height * width)) ** 0.5
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    scale = np.array([size[0] / width, size[1] / height])
    less = cv2.resize(photo.pixels, size, interpolation=cv2.INTER_AREA)
    small = Photo(np.asarray(less, np.uint8), None, photo.name)
    edges = frame.edges_px
    framed = replace(
        frame,
        corners_px=frame.corners_px * scale,
        edges_px=None
        if edges is None
        else (edges[0] * scale, edges[1] * scale, edges[2] * scale, edges[3] * scale),
    )
    squared = square_up(small, framed)
    sheet = even_light(squared.pixels, squared.px_per_mm, framed, squared.inside)
    grey, _ = separate(sheet, settings.drop)
    raw = cut(
        grey,
        noise=sheet.noise,
        blur_px=edge_blur_px(grey.ink),
        scale_known=frame.scale_known,
    )
    coverage, _, _ = clean_specks(raw, grey, speck_mm=settings.speck_mm, unsure=sheet.shade_edge)
    coverage = weigh(coverage, settings.weight, squared.px_per_mm)
    return First(coverage, squared.pixels, squared.px_per_mm)
