"""The proof of the flats: which gaps were bridged, and which bridges to check."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageDraw

from inkclean.base.arrays import U8
from inkclean.deliver.files import placed
from inkclean.deliver.pictures.bitmap import own_alpha
from inkclean.deliver.pictures.proof import (
    DOUBT,
    HEIGHT,
    SURE,
    TEXT,
    ProofPanel,
    Rgb,
    lay_out_proof,
)
from inkclean.flats.colour.colours import Colouring
from inkclean.flats.lines.gaps import on_cubic
from inkclean.flats.values import Flats
from inkclean.ink.values import Ink

_PALE = 0.5  # the flats are made so much paler, for marks to stand out
_RING_PX = 16.0  # least radius of a ring
_STEPS = 17  # points along a bridge


def write_flats_proof(
    name: str, flats: Flats, colouring: Colouring, ink: Ink, path: Path, *, replace: bool = False
) -> None:
    """Write the flats under the ink as PNG, every bridge drawn and those to check ringed.

    Raises:
        OutputError: ``path`` is taken, or cannot be written.
    """
    picture = Image.fromarray(_pale_page(flats, colouring, ink))
    _draw_bridges(picture, flats, picture.height / flats.labels.shape[0] * flats.px_per_mm)
    table = lay_out_proof(name, [ProofPanel("Areas and bridges", picture)], _notes(flats))
    with placed(path, replace) as draft:
        table.save(draft, "PNG", compress_level=3)


def _pale_page(flats: Flats, colouring: Colouring, ink: Ink) -> U8:
    """Return the page in pale flats under its lines, (HEIGHT, W, 3)."""
    height, width = flats.labels.shape
    size = max(1, round(width * HEIGHT / height)), HEIGHT
    label = cv2.resize(flats.labels, size, interpolation=cv2.INTER_NEAREST)
    lines = cv2.resize(own_alpha(ink), size, interpolation=cv2.INTER_AREA)
    pale = 255.0 - _PALE * (255.0 - colouring.palette.astype(np.float32))
    page = pale[colouring.of_area[label]] * (1.0 - lines[..., None] / np.float32(255.0))
    return np.asarray(np.rint(page), np.uint8)


def _draw_bridges(picture: Image.Image, flats: Flats, px_per_mm: float) -> None:
    """Draw the bridges, those to check last, wide and ringed."""
    draw = ImageDraw.Draw(picture)
    bridges = flats.bridges[np.argsort(flats.bridges["doubtful"], kind="stable")]
    ways = on_cubic(bridges["cubic"] * px_per_mm, _STEPS)
    for way, doubtful in zip(ways, bridges["doubtful"].tolist(), strict=True):
        places = [(float(x), float(y)) for x, y in way]
        draw.line(places, DOUBT if doubtful else SURE, width=6 if doubtful else 4)
        if doubtful:
            x, y = (way.min(axis=0) + way.max(axis=0)) / 2
            reach = max(_RING_PX, 0.8 * float(np.ptp(way, axis=0).max()))
            draw.ellipse((x - reach, y - reach, x + reach, y + reach), outline=DOUBT, width=3)


def _notes(flats: Flats) -> list[tuple[str, Rgb]]:
    count, doubtful = len(flats.bridges), int(flats.bridges["doubtful"].sum())
    notes = [(f"{len(flats.areas)} areas, {count} gaps bridged", TEXT)]
    if doubtful:
        notes.append((f"{doubtful} bridges to check (ringed); correct them on the desk", DOUBT))
    return notes
