"""Pictures kept on the disk in halves of halves, so that any part is read at any size at once."""

from __future__ import annotations

import json
import shutil
import zlib
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from inkclean.base.arrays import U8, U16

TILE_PX = 512
THUMB_PX = 360  # the longer side of the small picture of a page
NUMBERS = "application/octet-stream"  # media type of label maps
_JPEG_QUALITY = 88
_LEAST_EFFORT = 1  # of deflating: a quarter of a megabyte in a millisecond


@dataclass(frozen=True)
class Picture:
    """Where a picture lies and what it is; ``levels`` counts the sizes, the full one first."""

    folder: Path
    width: int
    height: int
    levels: int


def keep(pixels: U8 | U16, folder: Path) -> Picture:
    """Write (H, W) or (H, W, 3) pixels at full size, half size, and so on, to ``folder``.

    Colour and coverage are averaged; label maps (uint16) keep the top left of four.
    """
    folder.mkdir(parents=True, exist_ok=True)
    level = 0
    shapes: list[tuple[int, ...]] = []
    part: U8 | U16 = pixels
    height, width = pixels.shape[:2]
    while True:
        with (folder / f"{level}.raw").open("wb") as file:
            file.write(np.ascontiguousarray(part).data)  # ``tofile`` takes five times as long
        shapes.append(part.shape)
        if max(part.shape[:2]) <= TILE_PX:
            break
        part = _halved(part)
        level += 1
    made = {"type": pixels.dtype.name, "shapes": shapes}
    (folder / "picture.json").write_text(json.dumps(made), "utf-8")
    return Picture(folder, width, height, level + 1)


def _halved(part: U8 | U16) -> U8 | U16:
    if part.dtype == np.uint16:
        return part[::2, ::2]
    size = (-(-part.shape[1] // 2), -(-part.shape[0] // 2))
    return np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_AREA), np.uint8)


def drop(folder: Path) -> None:
    """Delete a picture from the disk."""
    shutil.rmtree(folder, ignore_errors=True)


def read_whole(folder: Path, level: int = 0) -> U8:
    """Return a picture at one of its sizes, read from the disk only where it is looked at.

    Raises:
        FileNotFoundError: the picture has gone.
        LookupError: it has no such size.
    """
    made = json.loads((folder / "picture.json").read_text("utf-8"))
    if not 0 <= level < len(made["shapes"]):
        raise LookupError
    shape = tuple(made["shapes"][level])
    return np.asarray(np.memmap(folder / f"{level}.raw", made["type"], "r", shape=shape))


def tile(folder: Path, level: int, column: int, row: int) -> tuple[bytes, str]:
    """Return one tile as bytes, and its media type.

    Colour comes as JPEG, coverage as grey PNG (0 = ink). Labels come as ``NUMBERS``: width,
    height and all values as 16-bit whole numbers, low byte first, deflated (RFC 1950).

    Raises:
        FileNotFoundError: the picture has gone.
        LookupError: there is no such tile.
    """
    pixels = read_whole(folder, level)
    top, left = row * TILE_PX, column * TILE_PX
    if row < 0 or column < 0 or top >= pixels.shape[0] or left >= pixels.shape[1]:
        raise LookupError
    part = np.array(pixels[top : top + TILE_PX, left : left + TILE_PX])
    if part.ndim == 3:
        swapped = cv2.cvtColor(part, cv2.COLOR_RGB2BGR)
        _, data = cv2.imencode(".jpg", swapped, [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY])
        return data.tobytes(), "image/jpeg"
    if part.dtype == np.uint16:
        size = np.array([part.shape[1], part.shape[0]], "<u2")
        values = size.tobytes() + part.astype("<u2").tobytes()
        return zlib.compress(values, _LEAST_EFFORT), NUMBERS
    return _png(np.asarray(255 - part, np.uint8)), "image/png"


def shrink_photo(pixels: U8, longest: int = THUMB_PX) -> bytes:
    """Return (H, W, 3) pixels as a JPEG no longer than ``longest``."""
    factor = min(1.0, longest / max(pixels.shape[:2]))
    size = (max(1, round(pixels.shape[1] * factor)), max(1, round(pixels.shape[0] * factor)))
    less = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    return cv2.imencode(".jpg", cv2.cvtColor(less, cv2.COLOR_RGB2BGR))[1].tobytes()


def _png(pixels: U8) -> bytes:
    options = [cv2.IMWRITE_PNG_COMPRESSION, 1]
    return cv2.imencode(".png", pixels, options)[1].tobytes()
