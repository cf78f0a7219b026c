"""One-bit TIFF with ITU-T T.6 compression, and grey TIFF, written strip by strip.

Only one band of pixels is in memory at a time, so the size of the print does not matter. The
coder is libtiff's and the directory is written by Pillow's; here the strips are only strung
together. Tag numbers are those of TIFF revision 6.0.
"""

from __future__ import annotations

import io
import zlib
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import accumulate
from pathlib import Path

from PIL import Image, TiffImagePlugin

from inkclean.base.arrays import U8
from inkclean.deliver.pictures.raster import BAND_ROWS

_WIDTH = 256
_LENGTH = 257
_BITS = 258
_COMPRESSION = 259
_PHOTOMETRIC = 262
_NAME = 269
_OFFSETS = 273
_SAMPLES = 277
_ROWS_PER_STRIP = 278
_COUNTS = 279
_X_RESOLUTION = 282
_Y_RESOLUTION = 283
_UNIT = 296
_SOFTWARE = 305
# strips in work at once: the coder lets go of the interpreter, so drawing goes on meanwhile
_WORKERS = 2
_T6 = 4  # compression
_DEFLATE = 8  # compression, Adobe's supplement 2 to TIFF 6.0
_PACK = 3  # zlib's level: flat plates pack as well as at the last
_WHITE_IS_ZERO, _BLACK_IS_ZERO = 0, 1  # photometric interpretation
_PER_INCH = 2  # unit of the resolution


def write_one_bit_tiff(
    bands: Iterable[U8], height: int, width: int, dpi: float, path: Path, *, title: str = ""
) -> None:
    """Write packed bands, eight pixels a byte, 1 = ink, as black on white.

    Every band but the last is ``raster.BAND_ROWS`` high, (rows, ceil(width / 8)) uint8, and
    becomes one strip. Ink is 1 and WhiteIsZero, so that the file reads as it prints.
    """
    strips = list(_coded(bands, width))
    _write(strips, (height, width), dpi, path, title, (1, _T6, _WHITE_IS_ZERO))


def write_grey_tiff(
    bands: Iterable[U8], height: int, width: int, dpi: float, path: Path, *, title: str = ""
) -> None:
    """Write bands of grey, (rows, width) uint8, 255 = white, as a TIFF of 8 bits, deflated.

    Every band but the last is ``raster.BAND_ROWS`` high and becomes one strip.
    """
    strips = [zlib.compress(band.tobytes(), _PACK) for band in bands]
    _write(strips, (height, width), dpi, path, title, (8, _DEFLATE, _BLACK_IS_ZERO))


def _write(
    strips: list[bytes],
    size: tuple[int, int],
    dpi: float,
    path: Path,
    title: str,
    coding: tuple[int, int, int],
) -> None:
    """Write strips under a directory; ``coding`` is bits, compression, photometric."""
    height, width = size
    entries = TiffImagePlugin.ImageFileDirectory_v2()
    entries[_WIDTH], entries[_LENGTH] = width, height
    entries[_BITS], entries[_COMPRESSION], entries[_PHOTOMETRIC] = coding
    entries[_SAMPLES] = 1
    entries[_ROWS_PER_STRIP] = min(BAND_ROWS, height)
    entries[_X_RESOLUTION] = entries[_Y_RESOLUTION] = dpi
    entries[_UNIT], entries[_SOFTWARE] = _PER_INCH, "inkclean"
    if title:
        entries[_NAME] = title.encode("ascii", "replace").decode("ascii")
    sizes = [len(strip) for strip in strips]
    entries[_COUNTS] = tuple(sizes)
    # Pillow's writer adds the place behind the directory, where the strips begin
    entries[_OFFSETS] = tuple(accumulate(sizes[:-1], initial=0))
    with path.open("wb") as handle:
        entries.save(handle)
        for strip in strips:
            handle.write(strip)


def _coded(bands: Iterable[U8], width: int) -> Iterator[bytes]:
    """Yield the bands' code in order; a few are coded while the next ones are drawn."""
    waiting: deque[Future[bytes]] = deque()
    with ThreadPoolExecutor(_WORKERS) as pool:
        for band in bands:
            waiting.append(pool.submit(_strip, band, width))
            if len(waiting) > 2 * _WORKERS:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def _strip(band: U8, width: int) -> bytes:
    """Return one band as T.6 code: ink is black, whatever the photometric tag says."""
    rows = len(band)
    picture = Image.frombytes("1", (width, rows), band.tobytes())
    out = io.BytesIO()
    picture.save(out, "TIFF", compression="group4", tiffinfo={_ROWS_PER_STRIP: rows})
    with Image.open(out) as coded:
        offsets, counts = coded.tag_v2[_OFFSETS], coded.tag_v2[_COUNTS]  # type: ignore[attr-defined]
        if len(offsets) != 1:
            raise RuntimeError(f"a band of {rows} rows became {len(offsets)} strips")
    return out.getbuffer()[offsets[0] : offsets[0] + counts[0]].tobytes()
