"""The proof of the flats in other colours, from the proof itself: nothing is drawn again.

A pixel of its page is a pale flat colour, darkened by the share of line on it. That share is told
from the pixel and the colour it had, and the new colour darkened likewise. What fits no colour of
the page is a mark, and stays.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from inkclean.base.arrays import F32, I64, U8, U16
from inkclean.deliver.pictures.flats_proof import pale
from inkclean.deliver.pictures.png import plain_png
from inkclean.deliver.pictures.proof import HEAD, HEIGHT, MARGIN
from inkclean.flats.colour.colours import Colouring

# levels of 255 that rounding may move a pixel by
_OFF = 1.0
# shares of line as small as these are rounding too
_NONE = 0.004


def recolour_flats_proof(
    old: Path, new: Path, before: Colouring, after: Colouring, row_of: I64, labels: U16
) -> None:
    """Write the proof ``old`` to ``new`` in the colours ``after``.

    ``row_of`` gives for each row of the palette before the one after; ``labels`` (H, W) are the
    areas' numbers at any resolution.

    Raises:
        ValueError: the picture is smaller than a proof.
    """
    found = cv2.imdecode(np.frombuffer(old.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
    if found is None:
        raise ValueError("the proof is damaged")
    table: U8 = np.asarray(cv2.cvtColor(found, cv2.COLOR_BGR2RGB), np.uint8)
    height, width = labels.shape
    wide = min(max(1, round(width * HEIGHT / height)), table.shape[1] - 2 * MARGIN)
    page = table[HEAD : HEAD + HEIGHT, MARGIN : MARGIN + wide]
    if page.shape[:2] != (HEIGHT, wide):
        raise ValueError("the proof is cut off")
    label = cv2.resize(labels, (wide, HEIGHT), interpolation=cv2.INTER_NEAREST)
    _recolour(page, before.of_area[label], pale(before.palette), pale(after.palette[row_of]))
    new.write_bytes(plain_png(table))


def _recolour(page: U8, rows: U8, before: F32, after: F32) -> None:
    """Turn a page (H, W, 3), in place, from colours to colours (K, 3); ``rows`` (H, W) its own."""
    moved = (before != after).any(axis=1)
    # along borders the areas' own resolution may tell another colour than the proof's
    near = cv2.dilate(moved[rows].view(np.uint8), np.ones((3, 3), np.uint8)) != 0
    at = np.flatnonzero(near & ((page[..., 0] | page[..., 1] | page[..., 2]) != 0))
    pixels = page.reshape(-1, 3)[at].astype(np.float32)
    row = rows.ravel()[at].astype(np.int64)
    share, off = _shares(pixels, before[row])
    lost = np.flatnonzero(off > _OFF)
    for other in np.unique(rows):
        there, away = _shares(pixels[lost], before[other : other + 1])
        better = away < off[lost]
        chosen = lost[better]
        share[chosen], off[chosen], row[chosen] = there[better], away[better], other
    fits = (off <= _OFF) & moved[row]
    made = np.rint(after[row[fits]] * share[fits, None])
    page[np.unravel_index(at[fits], rows.shape)] = made.astype(np.uint8)


def _shares(pixels: F32, colours: F32) -> tuple[F32, F32]:
    """Return how much of its colour each pixel (N, 3) shows, 0..1, and how far off it is then."""
    parts = [(pixels[:, band], colours[:, band]) for band in range(3)]
    share = np.zeros(len(pixels), np.float32)
    most = np.zeros(len(colours), np.float32)
    for pixel, colour in parts:
        share += pixel * colour
        most += colour * colour
    share /= np.maximum(most, 1.0)
    share[share > 1 - _NONE] = 1.0
    off = np.zeros_like(share)
    for pixel, colour in parts:
        np.maximum(off, np.abs(pixel - share * colour), out=off)
    return share, off
