"""Bitmaps: one-bit ink, lines on transparent, grey and pencil as pictures."""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from inkclean.base.arrays import F32, U8, Bool, length
from inkclean.base.colour import to_srgb
from inkclean.base.units import MM_PER_INCH
from inkclean.deliver.pictures.png import one_bit_png
from inkclean.ink.values import Ink

# zlib's third level packs pictures of pages nearly as small as its last, many times faster
_PACK = 3
_FULL = 65535.0  # of 16 bits: light, linear


def cut_at(coverage: F32, px_per_mm: float, dpi: float) -> Bool:
    """Return ink (h, w) at ``dpi``, True = ink.

    The grey coverage (H, W) is brought to the new grid by cubic interpolation and cut at
    half, so that edges keep their sub-pixel place; a one-bit picture is never enlarged.
    """
    levels = levels_at(coverage, dpi / MM_PER_INCH / px_per_mm)
    cv2.threshold(levels, 127, 1, cv2.THRESH_BINARY, dst=levels)
    return levels.view(np.bool_)


def edge_alpha(coverage: F32, px_per_mm: float, dpi: float) -> U8:
    """Return the share of each pixel under ink at ``dpi``, (h, w) uint8, 255 = all ink.

    Beside the edge the share follows from the distance to the half level, taken from value
    and slope; further in and out it is all or nothing.
    """
    fine = levels_at(coverage, dpi / MM_PER_INCH / px_per_mm).astype(np.float32)
    across = cv2.Sobel(fine, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    down = cv2.Sobel(fine, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    slope = length(across, down)
    np.maximum(slope, 1.0, out=slope)
    fine -= 127.5
    fine /= slope
    fine += 0.5
    np.clip(fine, 0.0, 1.0, out=fine)
    fine *= 255.0
    return np.rint(fine).astype(np.uint8)


def own_alpha(ink: Ink) -> U8:
    """Return :func:`edge_alpha` at the ink's own resolution, (H, W) uint8.

    What lies under the cut is no ink: only the edge itself is between black and bare.
    """
    return edge_alpha(ink.coverage, ink.px_per_mm, ink.px_per_mm * MM_PER_INCH)


def levels_at(coverage: F32, scale: float) -> U8:
    """Return coverage (H, W) enlarged by ``scale``, (h, w) uint8, 255 = all ink."""
    levels = cv2.convertScaleAbs(coverage, alpha=255.0)
    if scale < 1.0:
        # an area mean keeps thin lines that point samples would miss
        return np.asarray(
            cv2.resize(levels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8
        )
    return np.asarray(
        cv2.resize(levels, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC), np.uint8
    )


def write_ink_png(ink: Bool, dpi: float, path: Path) -> None:
    """Write one-bit ink (h, w) as PNG, black on white, resolution tagged."""
    path.write_bytes(one_bit_png(ink, dpi / MM_PER_INCH))


def write_ink_tiff(ink: Bool, dpi: float, path: Path) -> None:
    """Write one-bit ink (h, w) as TIFF with ITU-T T.6 compression, resolution tagged."""
    packed = io.BytesIO()  # libtiff does not say why a file cannot be written
    _one_bit(ink).save(packed, "TIFF", dpi=(dpi, dpi), compression="group4")
    path.write_bytes(packed.getvalue())


def write_lines_png(alpha: U8, dpi: float, path: Path) -> None:
    """Write ``alpha`` (h, w) as black on transparent: colour is black throughout, no fringe."""
    both = np.zeros((*alpha.shape, 2), np.uint8)
    both[..., 1] = alpha
    Image.fromarray(both, "LA").save(path, "PNG", dpi=(dpi, dpi), compress_level=_PACK)


def write_grey_png(
    reflectance: F32, noise: float, px_per_mm: float, dpi: float, path: Path
) -> None:
    """Write the evenly lit sheet (H, W, 3) as grey PNG at ``dpi``, bare paper white, shading kept.

    What lies within three noise deviations of bare paper is paper and turns white.
    """
    weights = np.array([[0.2126, 0.7152, 0.0722]], np.float32) / max(1.0 - 3.0 * noise, 0.5)
    grey = np.asarray(cv2.transform(reflectance, weights), np.float32)
    write_picture_png(grey, px_per_mm, dpi, path)


def write_picture_png(reflectance: F32, px_per_mm: float, dpi: float, path: Path) -> None:
    """Write linear reflectance (H, W) or (H, W, 3) as a grey or colour PNG (sRGB) at ``dpi``."""
    scale = dpi / MM_PER_INCH / px_per_mm
    # averaged in linear light, in whole numbers, so that the same comes on every machine
    levels = np.rint(np.clip(reflectance, 0.0, 1.0) * _FULL).astype(np.uint16)
    way = cv2.INTER_AREA if scale < 1.0 else cv2.INTER_CUBIC
    sized = np.asarray(cv2.resize(levels, None, fx=scale, fy=scale, interpolation=way), np.float32)
    sized *= np.float32(1.0 / _FULL)
    picture = Image.fromarray(to_srgb(sized))
    picture.save(path, "PNG", dpi=(dpi, dpi), compress_level=_PACK)


def _one_bit(ink: Bool) -> Image.Image:
    height, width = ink.shape
    packed = np.invert(np.packbits(ink, axis=1))
    return Image.frombytes("1", (width, height), packed.tobytes())
