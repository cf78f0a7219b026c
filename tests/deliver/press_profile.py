"""A CMYK output profile of a simple press, built from scratch for the tests.

Written after the ICC specification, version 2.4 (layout of header, tag table, lut8Type from
memory). Lab to inks: lightness becomes equal cyan, magenta and yellow, the chroma shifts them
apart, and black is added in the shadows; so dark colours sum to well over 280 per cent.
"""

from __future__ import annotations

import struct

import numpy as np

from inkclean.base.arrays import F64, U8

_GRID = 9


def cmyk_profile(name: str = "Test press", *, version: int = 2) -> bytes:
    """Return the bytes of the profile."""
    tags = {
        b"desc": _description(name),
        b"cprt": b"text\0\0\0\0none\0",
        b"wtpt": b"XYZ \0\0\0\0" + struct.pack(">3i", 63190, 65536, 54061),
    }
    for number in range(3):
        tags[b"B2A%d" % number] = _table(3, _inks())
        tags[b"A2B%d" % number] = _table(4, _lab())
    body, table = b"", struct.pack(">I", len(tags))
    start = 128 + 4 + 12 * len(tags)
    for key, data in tags.items():
        table += key + struct.pack(">2I", start + len(body), len(data))
        body += data + b"\0" * (-len(data) % 4)
    head = struct.pack(
        ">I4sI4s4s4s", start + len(body), b"none", version << 24, b"prtr", b"CMYK", b"Lab "
    )
    head += struct.pack(">6H4s4sI", 2026, 1, 1, 0, 0, 0, b"acsp", b"none", 0)
    head += b"none" * 2 + bytes(8) + struct.pack(">I3i", 1, 63190, 65536, 54061) + b"none"
    return head.ljust(128, b"\0") + table + body


def _description(name: str) -> bytes:
    text = name.encode("ascii") + b"\0"
    return b"desc\0\0\0\0" + struct.pack(">I", len(text)) + text + bytes(4 + 4 + 2 + 1 + 67)


def _table(channels: int, values: U8) -> bytes:
    """Return a lut8Type: straight curves in and out, a table of the grid's values between."""
    out: int = values.shape[-1]
    ramp: bytes = bytes(range(256))
    matrix = struct.pack(">9i", 65536, 0, 0, 0, 65536, 0, 0, 0, 65536)
    head: bytes = b"mft1\0\0\0\0" + struct.pack(">4B", channels, out, _GRID, 0) + matrix
    table: bytes = values.tobytes()
    return head + ramp * channels + table + ramp * out


def _axes(channels: int) -> list[F64]:
    return list(np.meshgrid(*[np.linspace(0, 1, _GRID)] * channels, indexing="ij"))


def _inks() -> U8:
    """Return C, M, Y, K over the grid of L, a, b, each encoded over 0..1."""
    light, a, b = _axes(3)
    # 128/255 stands for no chroma in lut8Type
    a, b = a - 128 / 255, b - 128 / 255
    dark = 1 - light
    shares = [dark - a - b * 0.3, dark + a - b * 0.3, dark + b * 1.2, np.clip(2 * dark - 1, 0, 1)]
    # paper stays bare: the grid has no point exactly at no chroma
    inks = np.stack([np.clip(share, 0, 1) for share in shares], -1)
    inks[light == 1] = 0
    return np.rint(inks * 255).astype(np.uint8)


def _lab() -> U8:
    """Return L, a, b over the grid of C, M, Y, K, roughly what ``_inks`` undoes."""
    c, m, y, k = _axes(4)
    light = (1 - (c + m + y) / 3) * (1 - k * 0.9)
    a, b = (m - c) / 2 + 128 / 255, (y - (c + m) / 2) / 1.5 + 128 / 255
    lab = np.stack([np.clip(part, 0, 1) for part in (light, a, b)], -1)
    return np.rint(lab * 255).astype(np.uint8)
