"""Colour for the press: turned to the inks of a printer's profile, and their sum checked."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageCms

from inkclean.base.arrays import Bool
from inkclean.base.errors import InputError
from inkclean.deliver.layers.read import read_colour
from inkclean.deliver.layers.under import UnderColour
from inkclean.deliver.press.check import Finding

_RELATIVE = ImageCms.Intent.RELATIVE_COLORIMETRIC
_BLACK_POINT = ImageCms.Flags.BLACKPOINTCOMPENSATION


@dataclass(frozen=True)
class PrintProfile:
    """A printer's CMYK profile: the ICC file's bytes and the name it states."""

    data: bytes
    name: str


def read_profile(path: Path) -> PrintProfile:
    """Read a printer's CMYK output profile.

    Raises:
        InputError: it is no ICC profile, or not one of a CMYK press.
    """
    try:
        data = path.read_bytes()
        profile = ImageCms.ImageCmsProfile(BytesIO(data)).profile
    except (OSError, ImageCms.PyCMSError) as error:
        raise InputError(f"{path} is not an ICC profile; ask the printer for theirs") from error
    if profile.xcolor_space.strip() != "CMYK" or profile.device_class != "prtr":
        raise InputError(
            f"{path} is a profile of {profile.xcolor_space.strip()}, not of a CMYK press; ask the "
            "printer for theirs"
        )
    return PrintProfile(data, (profile.profile_description or path.stem).strip("\0 \n"))


def to_cmyk(colour: UnderColour, profile: PrintProfile) -> UnderColour:
    """Turn sRGB to the inks of a press: relative colorimetric, black-point compensated."""
    if colour.cmyk:
        return colour
    press = ImageCms.ImageCmsProfile(BytesIO(profile.data))
    try:
        transform = ImageCms.buildTransform(
            ImageCms.createProfile("sRGB"), press, "RGB", "CMYK", _RELATIVE, _BLACK_POINT
        )
        turned: Any = ImageCms.applyTransform(Image.fromarray(colour.pixels), transform)
    except ImageCms.PyCMSError as error:
        raise InputError(f"the profile '{profile.name}' cannot be used ({error})") from error
    text = f"colours converted to CMYK by '{profile.name}'"
    return UnderColour(np.array(turned), (*colour.notes, text))


def colour_of(under: Path, budget_mp: float, profile: PrintProfile | None) -> UnderColour:
    """Read the colour under the lines, turned to the inks of ``profile`` if there is one.

    Raises:
        InputError: a file cannot be used.
    """
    return _read_once(under, _state_of(under), budget_mp, profile)


@lru_cache(maxsize=1)
def _read_once(
    under: Path, state: tuple[object, ...], budget_mp: float, profile: PrintProfile | None
) -> UnderColour:
    """Read the colour under the lines; asked for again, as before the page and on it, it is there.

    ``state`` tells one content of the files from another. The pixels cannot be written to.
    """
    colour = read_colour(under, budget_mp)
    if profile is not None:
        colour = to_cmyk(colour, profile)
    colour.pixels.setflags(write=False)
    return colour


def _state_of(path: Path) -> tuple[object, ...]:
    """Return what changes when a file, or one in a folder, is written anew."""
    try:
        files = sorted(path.iterdir()) if path.is_dir() else [path]
        states = [file.stat() for file in files]
    except OSError:
        return ()
    return tuple(
        (file.name, state.st_mtime_ns, state.st_size, state.st_ino)
        for file, state in zip(files, states, strict=True)
    )


def check_total_ink(colour: UnderColour, lines: Bool | None, limit: float) -> Finding:
    """Hold the sum of the four inks, in per cent, against the printer's limit.

    ``lines`` (H, W) True where the lines overprint: there black is full.
    """
    if not colour.cmyk:
        return Finding(
            "total ink",
            "look",
            "the colours are RGB, so the amount of ink is not known",
            "use the printer's profile, or let the printer convert to CMYK; the colours may then "
            "differ from the screen",
        )
    total = colour.pixels.sum(2, dtype=np.uint16)
    bare = float(total.max(initial=0)) / 2.55
    if lines is not None:
        np.copyto(total, total - colour.pixels[..., 3] + np.uint16(255), where=lines)
    share = float((total > limit * 2.55 + 0.5).mean()) if total.size else 0.0
    text = f"{float(total.max(initial=0)) / 2.55:.0f} % at most ({bare:.0f} % without the lines)"
    text += f"; the limit is {limit:g} %"
    if not share:
        return Finding("total ink", "passes", text)
    cure = (
        "lighten the colour under the blacks"
        if bare <= limit
        else "use a profile made for this paper, or lighten the darkest colours"
    )
    return Finding("total ink", "fails", f"{text}, passed on {share:.2%} of the page", cure)
