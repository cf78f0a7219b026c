"""The camera that photographs the demo page, in the order light takes.

Reflectance, light, lens, sampling by area, noise, encoding, sharpening, JPEG. Each condition is
a parameter. The page's layers are shares of area, so that they may be blurred and sampled one
by one and the colours put in afterwards, exactly.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from inkclean.base.arrays import F32, F64, U8
from inkclean.base.colour import ENCODED, STEPS
from inkclean.base.tiles import strips
from inkclean.base.units import MM_PER_INCH, Paper
from inkclean.demo.camera import lamp, paper
from inkclean.demo.camera import table as desks
from inkclean.demo.camera.conditions import Conditions
from inkclean.demo.camera.view import View, aim, flatbed
from inkclean.demo.drawing.page import DrawnPage
from inkclean.demo.sampling import enlarge, look_up, noise

_ROWS = 32  # rows developed at once: what fits in the cache
_BAND = 256


@dataclass(frozen=True)
class Shot:
    """A photo and the truth about it.

    ``pixels`` (H, W, 3) uint8 sRGB, R G B, as decoded from ``jpeg``. ``corners_px`` (4, 2): top
    left, top right, bottom right, bottom left of the paper in continuous photo px (the outer
    corner of the first pixel is (0, 0)); they may lie outside the photo. ``view`` maps places
    on the paper (mm) to photo px and back, exactly. ``dust`` is (N, 3): x, y, diameter in mm.
    ``light`` is (h, w, 3) float32: the light over the photo on a coarse grid, exposure included.
    """

    pixels: U8
    jpeg: bytes
    corners_px: F64
    view: View
    dust: F32
    light: F32
    conditions: Conditions

    def to_photo(self, xy_mm: F64) -> F64:
        """Photo px (…, 2) of places (…, 2) on the paper in mm."""
        return self.view.to_photo(xy_mm)

    def to_page(self, px: F64) -> F64:
        """Places on the paper in mm (…, 2) of photo px (…, 2)."""
        return self.view.to_page(px)


def photograph(page: DrawnPage, conditions: Conditions | None = None) -> Shot:
    """Photograph the page with a hand-held camera; the same arguments give the same photo."""
    c = conditions or Conditions()
    view = photo_view(page.paper, c)
    return _expose(page, c, view, lamp.over(c, view))


SCANNER = Conditions(
    grain=0.01,
    dust=60,
    exposure=0.92,
    gloss=0.0,
    blur_px=0.55,
    shot=2e-5,
    read=0.0015,
    chroma_soft_px=0.0,
    contrast=0.0,
    sharpen=0.2,
    jpeg_quality=95,
)


def scan(
    page: DrawnPage, dpi: float = 300.0, *, grey: bool = False, conditions: Conditions = SCANNER
) -> Shot:
    """Scan the page on a flatbed: no desk, even light; ``grey`` makes the channels equal."""
    light = np.full((2, 2, 3), conditions.exposure, np.float32)
    return _expose(page, conditions, scan_view(page.paper, dpi), light, grey=grey)


def photo_view(size: Paper, c: Conditions) -> View:
    """Return the mapping of a photo of such a paper."""
    return aim(
        size.width_mm,
        size.height_mm,
        (c.height_px, c.width_px),
        tilt_deg=c.tilt,
        tilt_toward_deg=c.tilt_toward,
        turn_deg=c.turn,
        distance=c.distance,
        fill=c.fill,
        shift=c.shift,
        bow_mm=c.bow_mm,
        bow_axis=c.bow_axis,
        radial=c.radial,
    )


def scan_view(size: Paper, dpi: float) -> View:
    """Return the mapping of a scan of such a paper."""
    return flatbed(size.width_mm, size.height_mm, dpi / MM_PER_INCH)


def decode(jpeg: bytes) -> U8:
    """Return the pixels (H, W, 3) uint8, R G B, of an encoded picture."""
    pixels = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR)
    if pixels is None:
        raise ValueError("no picture")
    return np.asarray(pixels[..., ::-1], np.uint8).copy()


def _expose(page: DrawnPage, c: Conditions, view: View, light: F32, *, grey: bool = False) -> Shot:
    rng = np.random.default_rng(c.seed)
    height, width = view.photo_size
    layers, dust = paper.layers(page, c.dust, c.grid_mm, c.show_through, rng)
    shares = _sample(layers, page, c, view)
    lit = enlarge(light, (height, width))
    image = paper.colour(shares, page, c, view, rng)
    _lay_desk(image, np.ascontiguousarray(shares[..., 3]), c, view, rng)
    image *= lit
    encoded = _develop(image, c, rng, grey=grey)
    ok, jpeg = cv2.imencode(".jpg", encoded[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, c.jpeg_quality])
    if not ok:
        raise RuntimeError("JPEG encoding failed")
    data = jpeg.tobytes()
    return Shot(decode(data), data, view.corners_px(), view, dust, light, c)


def _sample(layers: list[U8], page: DrawnPage, c: Conditions, view: View) -> F32:
    """Return the layers' shares (H, W, L) float32 under lens blur, sampled by pixel area."""
    height, width = view.photo_size
    scale = view.px_per_mm()
    times = max(2, int(np.ceil(0.85 * page.px_per_mm / scale)))
    texel = times * scale / page.px_per_mm
    # the page's own pixels and bilinear sampling blur too: leave that out of the lens's part
    sigma = np.sqrt(max((c.blur_px * times) ** 2 - texel**2 * (1 / 12 + 1 / 6), 0.01))
    halo = int(np.ceil(4 * sigma)) // times + 1
    count = sum(layer.shape[2] for layer in layers)
    out = np.empty((height, width, count), np.float32)
    for top in range(0, height, _BAND):
        bottom = min(top + _BAND, height)
        grid = _page_grid(view, page, top - halo, bottom + halo, width, times)
        at = 0
        for layer in layers:
            part = look_up(layer, grid)
            part = cv2.GaussianBlur(part, (0, 0), sigma)
            part = part.reshape(*grid.shape[:2], -1)[halo * times : -halo * times]
            small = cv2.resize(
                part.astype(np.float32), (width, bottom - top), interpolation=cv2.INTER_AREA
            ).reshape(bottom - top, width, -1)
            out[top:bottom, :, at : at + small.shape[2]] = small
            at += small.shape[2]
    out *= 1.0 / 255.0
    return out


def _page_grid(view: View, page: DrawnPage, top: int, bottom: int, width: int, times: int) -> F32:
    """Return page array coordinates for every sub-pixel of rows top..bottom, (h, w, 2)."""
    block = 8  # photo px; a smooth map is straight over so short a way
    rows = np.arange(top - block, bottom + 2 * block, block) + block / 2
    cols = np.arange(-block, width + 2 * block, block) + block / 2
    nodes = np.stack(np.meshgrid(cols, rows), axis=-1)
    at = (view.to_page(nodes) * page.px_per_mm - 0.5).astype(np.float32)
    k = block * times
    fine = enlarge(at, (len(rows) * k, len(cols) * k))
    high = (bottom - top) * times
    return np.asarray(fine[k : k + high, k : k + width * times], np.float32)


def _lay_desk(image: F32, sheet: F32, c: Conditions, view: View, rng: np.random.Generator) -> None:
    """Fill in the desk where the sheet leaves it free, with the sheet's soft shadow on it."""
    if sheet.min() > 0.999:
        return
    height, width = view.photo_size
    top = desks.paint(c.desk, view.photo_size, view.corners_px(), rng)
    small = cv2.resize(sheet, (top.shape[1], top.shape[0]), interpolation=cv2.INTER_AREA)
    fall = np.radians(c.light_from + 180.0)
    lift = 2.0 + 2.0 * c.bow_mm
    move = np.array([[1, 0, lift * np.cos(fall)], [0, 1, lift * np.sin(fall)]], np.float32)
    shade = cv2.GaussianBlur(cv2.warpAffine(small, move, small.shape[::-1]), (0, 0), 2.5 + lift)
    top *= (1.0 - 0.4 * shade)[..., None]
    free = 1.0 - sheet
    big = cv2.resize(top, (width, height), interpolation=cv2.INTER_LINEAR)
    if c.blur_px > 1.0:
        big = cv2.GaussianBlur(big, (0, 0), c.blur_px)
    for rows in strips(height, _ROWS):
        image[rows] += big[rows] * free[rows, :, None]


def _develop(image: F32, c: Conditions, rng: np.random.Generator, *, grey: bool) -> U8:
    """Noise, colour filter softness, tone curve, sharpening; ``image`` is used up."""
    for rows in strips(image.shape[0], _ROWS):
        part = image[rows]
        level = np.maximum(part, 0.0)
        level *= c.shot
        level += c.read**2
        np.sqrt(level, out=level)
        level *= noise(part.shape, rng)
        part += level
    if grey:
        image[:] = (image @ np.array([0.2126, 0.7152, 0.0722], np.float32))[..., None]
    elif c.chroma_soft_px > 0:
        red, green, blue = cv2.split(image)
        for channel in (red, blue):
            np.subtract(channel, green, out=channel)
            np.add(cv2.GaussianBlur(channel, (0, 0), c.chroma_soft_px), green, out=channel)
        cv2.merge((red, green, blue), image)
    curve, encoded = _curve(c.contrast), np.empty(image.shape, np.uint8)
    for rows in strips(image.shape[0], _ROWS):
        part = np.clip(image[rows], 0.0, 1.0)
        part *= STEPS - 1.0
        part += 0.5
        np.take(curve, part.astype(np.uint16), out=encoded[rows], mode="clip")
    if c.sharpen <= 0:
        return encoded
    soft = cv2.GaussianBlur(encoded, (0, 0), 1.2)
    return np.asarray(cv2.addWeighted(encoded, 1.0 + c.sharpen, soft, -c.sharpen, 0.0), np.uint8)


def _curve(contrast: float) -> U8:
    """Encoding of linear levels in even steps: sRGB, then an S curve of some strength."""
    y = ENCODED + contrast * (ENCODED * ENCODED * (3 - 2 * ENCODED) - ENCODED)
    return np.asarray(np.round(255.0 * y), np.uint8)
