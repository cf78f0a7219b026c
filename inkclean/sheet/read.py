"""Files to photos: the only place where the package reads pictures."""

from __future__ import annotations

import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import (
    BmpImagePlugin,
    GifImagePlugin,
    Image,
    JpegImagePlugin,
    PngImagePlugin,
    PpmImagePlugin,
    TiffImagePlugin,
    WebPImagePlugin,
)

from inkclean.base.arrays import U8
from inkclean.base.errors import InputError
from inkclean.base.tiles import side_by_side, strips
from inkclean.sheet.budget import check_budget
from inkclean.sheet.colour import picture_to_srgb, rgb_to_srgb, scaled8, upright
from inkclean.sheet.values import Photo

# Importing these is what makes Pillow know the formats; all others are none of our business.
FORMATS = [
    JpegImagePlugin.JpegImageFile.format,
    PngImagePlugin.PngImageFile.format,
    TiffImagePlugin.TiffImageFile.format,
    WebPImagePlugin.WebPImageFile.format,
    GifImagePlugin.GifImageFile.format,
    BmpImagePlugin.BmpImageFile.format,
    PpmImagePlugin.PpmImageFile.format,
]
READABLE = "JPEG, PNG, TIFF, WebP, HEIC or PDF"
ENDINGS = frozenset(
    f".{ending}"
    for ending in (
        *("jpg", "jpeg", "jpe", "png", "tif", "tiff", "webp", "heic", "heif", "hif"),
        *("pdf", "gif", "bmp", "ppm", "pgm", "pbm"),
    )
)
# Px per inch where nobody measured: a bare aspect ratio, Exif's default, the CSS pixel.
DEFAULT_PPI = (1.0, 72.0, 96.0)
# Scanners state 75 to 4800; pages lie between a trading card and A0.
PPI_RANGE = (75.0, 4800.0)
LONG_SIDE_MM = (50.0, 1250.0)
# Exif's exposure time, f-number, ISO, focal length: a camera's resolution tells of no paper.
CAMERA_TAGS = (0x829A, 0x829D, 0x8827, 0x920A)
_EXIF_IFD = 0x8769
_ORIENTATION = 0x0112
_SUBFILE_TYPE = 254
# Red first, where OpenCV can (from 4.11 on).
_COLOUR = getattr(cv2, "IMREAD_COLOR_RGB", cv2.IMREAD_COLOR)
_guard = threading.Lock()


def read_photos(
    path: Path, *, budget_mp: float = 300.0, least_px: int | None = None
) -> Iterator[Photo]:
    """Yield the pictures of one file, upright and in sRGB, in order.

    A TIFF or PDF of several pages yields one photo a page, named ``NAME-1``, ``NAME-2`` …;
    of an animation the first frame is taken. A PDF page that holds one picture gives that
    picture at its own resolution; any other page is drawn (see `pdf.page_photos`). The size
    of each picture is held against ``budget_mp`` megapixels before it is decoded. To a small
    picture of it that is at least ``least_px`` on both sides, a JPEG is decoded in a fraction of
    the time.

    Raises:
        InputError: missing, empty, truncated, foreign or too large; says which and the cure.
    """
    head = _head(path)
    if b"%PDF-" in head:
        from inkclean.sheet.pdf import page_photos

        yield from page_photos(path, budget_mp)
        return
    formats = list(FORMATS)
    if head[4:8] == b"ftyp":
        import pillow_heif

        pillow_heif.register_heif_opener()
        formats = ["HEIF"]
    with _opened(path, formats) as image:
        with _decoding(path):
            wanted = _pages(image)
        for number, page in enumerate(wanted, 1):
            with _decoding(path):
                image.seek(page)
            check_budget(path, image.width, image.height, budget_mp)
            name = path.stem if len(wanted) == 1 else f"{path.stem}-{number}"
            yield _photo(path, image, name, least_px)


def read_photo(path: Path, number: int = 1, *, budget_mp: float = 300.0) -> Photo:
    """Return one picture of a file, counted from 1, as ``read_photos`` gives it.

    Raises:
        InputError: as for ``read_photos``, or the file holds fewer pictures.
    """
    return _numbered(path, number, read_photos(path, budget_mp=budget_mp))


def small_photo(path: Path, number: int, least_px: int, *, budget_mp: float = 300.0) -> Photo:
    """Return one picture of a file for a small picture of it, see ``read_photos``.

    Raises:
        InputError: as for ``read_photo``.
    """
    return _numbered(path, number, read_photos(path, budget_mp=budget_mp, least_px=least_px))


def _numbered(path: Path, number: int, read: Iterator[Photo]) -> Photo:
    photo = next(islice(read, number - 1, None), None)
    if photo is None:
        raise InputError(f"{path.name} holds no page {number}")
    return photo


def largest_pixels(path: Path) -> int | None:
    """Return the pixels of the first picture by its header; None where that does not tell."""
    try:
        if b"%PDF-" in _head(path):
            return None
        with _opened(path, FORMATS) as image:
            return image.width * image.height
    except InputError:
        return None


def believable_ppi(stated: Any, width: int, height: int, camera: bool = False) -> float | None:
    """Return the stated resolution in px per inch if it can be one of paper, else None.

    ``stated`` is the pair (x, y) that the file gives. The defaults of phones and editors,
    unequal pairs, whatever a camera wrote and what would make no page of the picture are
    not believed.
    """
    try:
        x_ppi, y_ppi = (float(value) for value in stated)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    if camera or not np.isfinite([x_ppi, y_ppi]).all() or abs(x_ppi - y_ppi) > 0.01 * x_ppi:
        return None
    if any(abs(x_ppi - default) < 0.5 for default in DEFAULT_PPI):
        return None
    if not PPI_RANGE[0] <= x_ppi <= PPI_RANGE[1]:
        return None
    long_side = max(width, height) / x_ppi * 25.4
    return x_ppi if LONG_SIDE_MM[0] <= long_side <= LONG_SIDE_MM[1] else None


def _head(path: Path) -> bytes:
    """Return the first kilobyte; refuse what is no file that can be read."""
    try:
        if path.is_dir():
            raise InputError(f"{path} is a folder; give the pictures in it")
        if not path.exists():
            raise InputError(f"{path}: no such file; check the name")
        if not path.is_file():
            raise InputError(f"{path} is not a plain file; copy the picture to one first")
        with path.open("rb") as file:
            head = file.read(1024)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "its name is not allowed"
        raise InputError(f"{path} cannot be opened ({why}); check its permissions") from error
    if not head:
        raise InputError(f"{path} is empty; copy it from the camera again")
    return head


@contextmanager
def _opened(path: Path, formats: list[str]) -> Iterator[Image.Image]:
    """Open the picture for its header alone."""
    try:
        with own_budget():
            image = Image.open(path, formats=formats)
    except Exception as error:  # decoders meet hostile bytes with any exception there is
        raise InputError(
            f"{path} is not a readable picture, or is cut off; use {READABLE}"
        ) from error
    with image:
        yield image


@contextmanager
def _decoding(path: Path) -> Iterator[None]:
    """Turn whatever a decoder throws at damaged data into one line."""
    try:
        with own_budget():
            yield
    except MemoryError as error:
        raise InputError(f"{path} is too large for this machine; scale it down first") from error
    except Exception as error:  # as above
        raise InputError(f"{path} is damaged or cut off; copy it from the camera again") from error


@contextmanager
def own_budget() -> Iterator[None]:
    """Switch Pillow's guard against huge pictures off: ours has looked, or will, at the header.

    Pillow has one such guard for the whole process, so that one lock goes with it: whoever opens
    pictures by Pillow does so within this.
    """
    with _guard, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        limit, Image.MAX_IMAGE_PIXELS = Image.MAX_IMAGE_PIXELS, None
        try:
            yield
        finally:
            Image.MAX_IMAGE_PIXELS = limit


def _pages(image: Image.Image) -> list[int]:
    """Return the frames that are pages: all of a TIFF but its previews, else the first."""
    if image.format != "TIFF":
        return [0]
    pages: list[int] = []
    for number in range(getattr(image, "n_frames", 1)):
        image.seek(number)
        tags: Any = getattr(image, "tag_v2", {})
        if not int(tags.get(_SUBFILE_TYPE, 0)) & 1:
            pages.append(number)
    return pages or [0]


def _photo(path: Path, image: Image.Image, name: str, least_px: int | None) -> Photo:
    with _decoding(path):
        exif = image.getexif()
        camera = any(tag in exif.get_ifd(_EXIF_IFD) for tag in CAMERA_TAGS)
        # TIFF and HEIC are turned upright by their decoders (HEIC by a property of its own: the
        # tag in its Exif is not to be obeyed, ISO/IEC 23008-12).
        orientation = 1 if image.format in ("TIFF", "HEIF") else int(exif.get(_ORIENTATION, 1))
        # by fewer coefficients of each block (Wallace 1992: the blocks are of 8 × 8 px)
        small = least_px is not None and image.draft(None, (least_px, least_px)) is not None
        pixels = None if small else _plain_jpeg(path, image)
        if pixels is None:
            pixels = _by_pillow(image)
        pixels = upright(pixels, orientation)
    height, width = pixels.shape[:2]
    ppi = None if small else believable_ppi(image.info.get("dpi"), width, height, camera)
    return Photo(pixels, ppi, name)


def _by_pillow(image: Image.Image) -> U8:
    image.load()
    if image.mode == "F" and image.format == "TIFF":
        return picture_to_srgb(Image.fromarray(scaled8(np.array(image, np.float64))))
    return picture_to_srgb(image)


def _plain_jpeg(path: Path, image: Image.Image) -> U8 | None:
    """Decode the usual JPEG by OpenCV, twice as fast; None for any that needs more care.

    OpenCV fills what is missing of a truncated file with grey and only prints a warning, so
    a file without its end marker is left to Pillow, which refuses it.
    """
    if image.format not in ("JPEG", "MPO") or image.mode not in ("RGB", "L"):
        return None
    data = path.read_bytes()
    scan = data.find(b"\xff\xda")
    if scan < 0 or data.find(b"\xff\xd9", scan) < 0:
        return None
    buffer = np.frombuffer(data, np.uint8)
    if image.mode == "L":
        grey = cv2.imdecode(buffer, cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION)
        if grey is None or grey.shape != (image.height, image.width):
            return None
        shell = Image.fromarray(np.asarray(grey, np.uint8))
        shell.info["icc_profile"] = image.info.get("icc_profile")
        return picture_to_srgb(shell)
    colour = cv2.imdecode(buffer, _COLOUR | cv2.IMREAD_IGNORE_ORIENTATION)
    if colour is None or colour.shape != (image.height, image.width, 3):
        return None
    pixels = np.asarray(colour, np.uint8)
    if _COLOUR == cv2.IMREAD_COLOR:
        side_by_side(lambda rows: _turn_blue(pixels[rows]), strips(len(pixels), 64))
    return rgb_to_srgb(pixels, image.info.get("icc_profile"))


def _turn_blue(pixels: U8) -> None:
    """Turn blue, green, red into red, green, blue, in place."""
    cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB, dst=pixels)
