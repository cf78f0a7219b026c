"""Small colour profiles, built from published primaries, and the arithmetic to check them by.

Layout of an ICC version 2 display profile (matrix and curves) as in ICC.1:2001-04; primaries
and curves of Display P3 (SMPTE EG 432-1 primaries, D65, sRGB curve) and Adobe RGB (1998)
(gamma 563/256).
"""

from __future__ import annotations

import struct

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

D65 = (0.3127, 0.3290)
SRGB = ((0.640, 0.330), (0.300, 0.600), (0.150, 0.060))
DISPLAY_P3 = ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060))
ADOBE_RGB = ((0.640, 0.330), (0.210, 0.710), (0.150, 0.060))
ADOBE_GAMMA = 563 / 256
D50_XYZ = np.array([0.9642, 1.0, 0.8249])
# Bradford's cone response (ICC.1, annex E).
BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)


def to_xyz(primaries: tuple[tuple[float, float], ...]) -> F64:
    """Return the (3, 3) matrix from linear RGB to XYZ under D65."""
    columns = np.array([[x / y, 1.0, (1 - x - y) / y] for x, y in primaries]).T
    white = np.array([D65[0] / D65[1], 1.0, (1 - D65[0] - D65[1]) / D65[1]])
    return np.asarray(columns * np.linalg.solve(columns, white), np.float64)


def decode_srgb(code: F64) -> F64:
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def encode_srgb(linear: F64) -> F64:
    linear = np.clip(linear, 0.0, 1.0)
    return np.where(linear <= 0.0031308, linear * 12.92, 1.055 * linear ** (1 / 2.4) - 0.055)


def expected(
    pixels: NDArray[np.uint8], primaries: tuple[tuple[float, float], ...], gamma: float | None
) -> F64:
    """Return the sRGB codes (float) of RGB codes in another space of white D65."""
    code = pixels.astype(np.float64) / 255.0
    linear = decode_srgb(code) if gamma is None else code**gamma
    matrix = np.linalg.inv(to_xyz(SRGB)) @ to_xyz(primaries)
    return np.asarray(encode_srgb(linear @ matrix.T) * 255.0, np.float64)


def profile(primaries: tuple[tuple[float, float], ...], gamma: float | None) -> bytes:
    """Return an ICC profile; ``gamma`` None stands for the sRGB curve."""
    white = np.array([D65[0] / D65[1], 1.0, (1 - D65[0] - D65[1]) / D65[1]])
    adapt = np.linalg.inv(BRADFORD) @ np.diag((BRADFORD @ D50_XYZ) / (BRADFORD @ white)) @ BRADFORD
    red, green, blue = (adapt @ to_xyz(primaries)).T
    if gamma is None:
        table = np.rint(decode_srgb(np.linspace(0, 1, 1024)) * 65535).astype(">u2")
        curve = b"curv" + bytes(4) + struct.pack(">I", 1024) + table.tobytes()
    else:
        curve = b"curv" + bytes(4) + struct.pack(">IH", 1, round(gamma * 256)) + bytes(2)
    tags = {
        b"desc": _text(b"test"),
        b"cprt": b"text" + bytes(4) + b"none\0",
        b"wtpt": _xyz(D50_XYZ),
        b"rXYZ": _xyz(red),
        b"gXYZ": _xyz(green),
        b"bXYZ": _xyz(blue),
        b"rTRC": curve,
        b"gTRC": curve,
        b"bTRC": curve,
    }
    return _assemble(b"RGB ", tags)


def grey_profile(gamma: float) -> bytes:
    """Return an ICC profile of a grey space."""
    curve = b"curv" + bytes(4) + struct.pack(">IH", 1, round(gamma * 256)) + bytes(2)
    tags = {
        b"desc": _text(b"grey"),
        b"cprt": b"text" + bytes(4) + b"none\0",
        b"wtpt": _xyz(D50_XYZ),
        b"kTRC": curve,
    }
    return _assemble(b"GRAY", tags)


def _assemble(space: bytes, tags: dict[bytes, bytes]) -> bytes:
    table, body = struct.pack(">I", len(tags)), b""
    start = 128 + 4 + 12 * len(tags)
    for name, data in tags.items():
        padded = data + bytes(-len(data) % 4)
        table += name + struct.pack(">II", start + len(body), len(data))
        body += padded
    size = start + len(body)
    head = struct.pack(">I4sI4s4s4s", size, bytes(4), 0x02400000, b"mntr", space, b"XYZ ")
    head += struct.pack(">6H", 2026, 1, 1, 0, 0, 0) + b"acsp" + bytes(28)
    head += _fixed(D50_XYZ) + bytes(48)
    return head + table + body


def _fixed(values: F64) -> bytes:
    return b"".join(struct.pack(">i", round(float(v) * 65536)) for v in values)


def _xyz(values: F64) -> bytes:
    return b"XYZ " + bytes(4) + _fixed(values)


def _text(text: bytes) -> bytes:
    plain = struct.pack(">I", len(text) + 1) + text + b"\0"
    return b"desc" + bytes(4) + plain + bytes(4 + 4 + 2 + 1 + 67)
