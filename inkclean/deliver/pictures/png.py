"""PNG bytes for whole pages: fast, resolution tagged, few colours where few will do."""

from __future__ import annotations

import struct
import zlib

import cv2
import numpy as np

from inkclean.base.arrays import U8, U16, Bool

# zlib's first level: hard edges and plain colours pack nearly as small as with its last
_PACK = 1
# each row against the one above: trying every filter takes four times as long
_SETTINGS = [cv2.IMWRITE_PNG_COMPRESSION, _PACK]
if hasattr(cv2, "IMWRITE_PNG_FILTER"):
    _SETTINGS += [cv2.IMWRITE_PNG_FILTER, cv2.IMWRITE_PNG_FILTER_UP]
_SIGNATURE_AND_HEADER = 33  # bytes before the first chunk that may be added
_FILTER_UP = 2  # of a row's first byte: its bytes less those of the row above
_MM_PER_M = 1000.0


def picture_png(pixels: U8, px_per_mm: float) -> bytes:
    """Return the PNG of (H, W, 3) RGB or (H, W, 4) RGBA uint8."""
    swap = cv2.COLOR_RGBA2BGRA if pixels.shape[2] == 4 else cv2.COLOR_RGB2BGR
    return _tagged(_encoded(np.asarray(cv2.cvtColor(pixels, swap), np.uint8)), px_per_mm)


def plain_png(pixels: U8) -> bytes:
    """Return the PNG of (H, W, 3) RGB uint8, of no stated resolution."""
    return _encoded(np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR), np.uint8))


def label_png(labels: U16, px_per_mm: float) -> bytes:
    """Return the PNG of (H, W) uint16 as 16-bit grey."""
    return _tagged(_encoded(np.ascontiguousarray(labels)), px_per_mm)


def palette_png(index: U8, palette: U8, px_per_mm: float) -> bytes:
    """Return the palette PNG of (H, W) rows of ``palette`` (K, 3), at the fewest bits that do."""
    bits = next(bits for bits in (1, 2, 4, 8) if len(palette) <= 1 << bits)
    height, width = index.shape
    each = 8 // bits
    packed: U8 = index
    if each > 1:
        padded = np.zeros((height, -(-width // each) * each), np.uint8)
        padded[:, :width] = index
        packed = padded[:, 0::each] << np.uint8(8 - bits)
        for place in range(1, each):
            packed |= padded[:, place::each] << np.uint8(8 - bits * (place + 1))
    rows = np.zeros((height, packed.shape[1] + 1), np.uint8)  # each row: filter 0, then pixels
    rows[:, 1:] = packed
    header = struct.pack(">IIBBBBB", width, height, bits, 3, 0, 0, 0)
    colours = np.ascontiguousarray(palette, np.uint8).tobytes()
    return _file(header, px_per_mm, zlib.compress(rows.data, _PACK), colours)


def one_bit_png(ink: Bool, px_per_mm: float) -> bytes:
    """Return the PNG of (H, W) at one bit: black where ``ink`` is, on white.

    Each row against the one above leaves mostly zeros of a drawing: runs of them pack smaller
    than zlib's last level packs the rows themselves, at a fifth of the time.
    """
    height, width = ink.shape
    packed = np.invert(np.packbits(ink, axis=1))
    rows = np.empty((height, packed.shape[1] + 1), np.uint8)
    rows[:, 0] = _FILTER_UP
    rows[:1, 1:] = packed[:1]
    np.subtract(packed[1:], packed[:-1], out=rows[1:, 1:])
    runs = zlib.compressobj(_PACK, zlib.DEFLATED, zlib.MAX_WBITS, 9, zlib.Z_RLE)
    data = runs.compress(rows.data) + runs.flush()
    return _file(struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0), px_per_mm, data)


def _file(header: bytes, px_per_mm: float, data: bytes, palette: bytes = b"") -> bytes:
    return b"".join(
        (
            b"\x89PNG\r\n\x1a\n",
            _chunk(b"IHDR", header),
            _resolution(px_per_mm),
            _chunk(b"PLTE", palette) if palette else b"",
            _chunk(b"IDAT", data),
            _chunk(b"IEND", b""),
        )
    )


def _encoded(pixels: U8 | U16) -> bytes:
    done, data = cv2.imencode(".png", pixels, _SETTINGS)
    if not done:  # pragma: no cover - only where memory runs out
        raise MemoryError("the picture could not be packed")
    return data.tobytes()


def _tagged(png: bytes, px_per_mm: float) -> bytes:
    head, rest = png[:_SIGNATURE_AND_HEADER], png[_SIGNATURE_AND_HEADER:]
    return head + _resolution(px_per_mm) + rest


def _resolution(px_per_mm: float) -> bytes:
    per_metre = round(px_per_mm * _MM_PER_M)
    return _chunk(b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1))


def _chunk(kind: bytes, body: bytes) -> bytes:
    check = zlib.crc32(body, zlib.crc32(kind))
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", check)
