"""From whatever a decoder yields to upright (H, W, 3) uint8 in sRGB."""

from __future__ import annotations

import io

import cv2
import numpy as np
from PIL import Image, ImageCms

from inkclean.base.arrays import F64, U8
from inkclean.base.colour import to_linear, to_srgb

# Steps of 255 that a profile moves a probe colour by at most if it is sRGB in all but name.
SAME_AS_SRGB = 1
# Highest value of integer pictures that hold more than 8 bits, by what the largest value is.
_CEILINGS = (1.0, 255.0, 65535.0, 4294967295.0)


def picture_to_srgb(image: Image.Image) -> U8:
    """Return (H, W, 3) uint8, sRGB-encoded, of a loaded picture of any mode.

    The embedded profile is obeyed (relative colorimetric with black point compensation); one
    that is broken or made for another kind of picture is ignored. Alpha is laid over white in
    linear light, so that half coverage keeps the edge of a line where it was.
    """
    profile = image.info.get("icc_profile")
    alpha = _alpha(image)
    if image.mode == "CMYK":
        pixels = _from_cmyk(image, profile)
    elif image.mode in ("1", "L", "LA", "La") or image.mode[:1] in ("I", "F"):
        pixels = _from_grey(_grey8(image), profile)
    else:
        colour = image if image.mode == "RGB" else image.convert("RGB")
        pixels = rgb_to_srgb(np.array(colour), profile)
    return pixels if alpha is None else _over_white(pixels, alpha)


def rgb_to_srgb(pixels: U8, profile: bytes | None) -> U8:
    """Return (H, W, 3) uint8 sRGB of RGB values under an embedded profile, or as they are."""
    transform = _transform(profile, "RGB")
    if transform is None:
        return pixels
    probe = _probe()
    shown = np.asarray(_apply(transform, Image.fromarray(probe)))
    if np.abs(shown.astype(int) - probe).max() <= SAME_AS_SRGB:
        return pixels
    return np.array(_apply(transform, Image.fromarray(pixels)))


def upright(pixels: U8, orientation: int) -> U8:
    """Return the picture turned as EXIF tag 274 says (1 to 8; anything else: as it is).

    The tag's meaning: the side of the scene that row 0 and column 0 show, Exif 2.3, 4.6.4 A.
    """
    if orientation in (5, 6, 7, 8):
        pixels = pixels.transpose(1, 0, 2)
    if orientation in (3, 4, 7, 8):
        pixels = pixels[::-1]
    if orientation in (2, 3, 6, 7):
        pixels = pixels[:, ::-1]
    return np.ascontiguousarray(pixels)


def _alpha(image: Image.Image) -> U8 | None:
    """Return (H, W) uint8 alpha, or None if the picture is opaque."""
    if image.mode not in ("RGBA", "LA", "PA", "RGBa", "La") and "transparency" not in image.info:
        return None
    if image.mode[:1] in ("I", "F"):
        return None
    alpha = np.array(image.convert("RGBA").getchannel("A"))
    return None if alpha.min() == 255 else alpha


def _over_white(pixels: U8, alpha: U8) -> U8:
    share = (alpha.astype(np.float32) / 255.0)[..., None]
    linear = to_linear(pixels)
    linear -= 1.0
    linear *= share
    linear += 1.0
    return to_srgb(linear)


def _grey8(image: Image.Image) -> U8:
    """Return (H, W) uint8 of a picture of one channel and any depth."""
    if image.mode in ("1", "L"):
        return np.array(image.convert("L"))
    if image.mode in ("LA", "La"):
        return np.array(image.convert("LA").getchannel("L"))
    values = np.array(image)
    if image.mode.startswith("I;16"):
        codes: U8 = ((values.astype(np.uint32) * 255 + 32767) // 65535).astype(np.uint8)
        return codes
    return scaled8(values.astype(np.float64))


def scaled8(values: F64) -> U8:
    """Return uint8 of values whose white is 1, 255, 65535 or 2³² − 1, whichever holds them all.

    Float pictures state no white: theirs is taken for the smallest of these that their
    largest value does not pass (a hundredth over 1 is still 1).
    """
    top = float(values.max(initial=0.0, where=np.isfinite(values)))
    # what was not measured is paper, not ink
    values = np.nan_to_num(values, nan=top, posinf=top, neginf=0.0)
    ceiling = next((c for c in _CEILINGS if top <= c * 1.01), top)
    return np.rint(np.clip(values / ceiling, 0.0, 1.0) * 255.0).astype(np.uint8)


def _from_grey(grey: U8, profile: bytes | None) -> U8:
    """Return (H, W, 3) sRGB of grey values; the profile is applied to the 256 levels alone."""
    ramp = np.arange(256, dtype=np.uint8)[None, :]
    table = np.repeat(ramp[..., None], 3, axis=2)
    transform = _transform(profile, "L")
    if transform is not None:
        table = np.array(_apply(transform, Image.fromarray(ramp)))
    elif (transform := _transform(profile, "RGB")) is not None:
        table = np.array(_apply(transform, Image.fromarray(table)))
    # A transform may lift the last step below white or tint it by a step of rounding.
    return np.asarray(cv2.LUT(cv2.merge([grey, grey, grey]), table), dtype=np.uint8)


def _from_cmyk(image: Image.Image, profile: bytes | None) -> U8:
    transform = _transform(profile, "CMYK")
    shown = image.convert("RGB") if transform is None else _apply(transform, image)
    return np.array(shown)


def _transform(profile: bytes | None, mode: str) -> ImageCms.ImageCmsTransform | None:
    """Return the transform from ``profile`` to sRGB for pictures of ``mode``; None if unfit."""
    if not profile:
        return None
    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        space = source.profile.xcolor_space.strip()
        if space != {"L": "GRAY"}.get(mode, mode):
            return None
        return ImageCms.buildTransform(
            source,
            ImageCms.createProfile("sRGB"),
            mode,
            "RGB",
            ImageCms.Intent.RELATIVE_COLORIMETRIC,
            ImageCms.Flags.BLACKPOINTCOMPENSATION,
        )
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return None


def _apply(transform: ImageCms.ImageCmsTransform, image: Image.Image) -> Image.Image:
    shown = ImageCms.applyTransform(image, transform)
    if shown is None:  # only where the transform works in place, which ours does not
        raise ValueError("the colour profile gave no picture")
    return shown


def _probe() -> U8:
    """Return (12, 12, 3) uint8 colours all over the cube, greys among them."""
    steps = np.array([0, 32, 64, 128, 192, 255], np.uint8)
    cube = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1)
    return np.ascontiguousarray(cube.reshape(12, 18, 3))
