"""The proof of the flats: which gaps were bridged, and the few places to check."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageDraw

from inkclean.base.arrays import F32, U8
from inkclean.base.units import counted
from inkclean.deliver.files import placed
from inkclean.deliver.flats_record import QUESTIONS
from inkclean.deliver.pictures.bitmap import own_alpha
from inkclean.deliver.pictures.proof import (
    DOUBT,
    HEIGHT,
    SURE,
    TEXT,
    ProofPanel,
    Rgb,
    lay_out_proof,
    number_ring,
)
from inkclean.flats.colour.colours import Colouring
from inkclean.flats.values import Flats
from inkclean.flats.walls.joins import on_cubic
from inkclean.ink.values import Ink

_PALE = 0.5  # the flats are made so much paler, for marks to stand out
_RING_PX = 16.0  # least radius of a ring
_WIDEST_MM = 16.0  # a ring is no larger than such a place asks for
_STEPS = 17  # points along a bridge


def write_flats_proof(
    name: str, flats: Flats, colouring: Colouring, ink: Ink, path: Path, *, replace: bool = False
) -> None:
    """Write the flats under the ink as PNG, every bridge drawn and what to check numbered.

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
    page = pale(colouring.palette)[colouring.of_area[label]] * (
        1.0 - lines[..., None] / np.float32(255.0)
    )
    return np.asarray(np.rint(page), np.uint8)


def pale(palette: U8) -> F32:
    """Return colours (K, 3) as the proof shows them."""
    return 255.0 - np.float32(_PALE) * (255.0 - palette.astype(np.float32))


def _draw_bridges(picture: Image.Image, flats: Flats, px_per_mm: float) -> None:
    """Draw the bridges, and ring the places to check with their numbers."""
    draw = ImageDraw.Draw(picture)
    asked = np.isin(np.arange(len(flats.bridges)), flats.checks["bridge"])
    sure, doubted = (flats.bridges["cubic"][chosen] for chosen in (~asked, asked))
    open_ = flats.gaps["cubic"][flats.gaps["check"] >= 0]
    for cubics, colour, width in ((sure, SURE, 4), (doubted, DOUBT, 6), (open_, DOUBT, 2)):
        for way in on_cubic(cubics * px_per_mm, _STEPS):
            draw.line([(float(x), float(y)) for x, y in way], colour, width=width)
    for number, check in enumerate(flats.checks, 1):
        x, y = float(check["x_mm"]) * px_per_mm, float(check["y_mm"]) * px_per_mm
        reach = max(_RING_PX, 0.6 * min(float(check["size_mm"]), _WIDEST_MM) * px_per_mm)
        number_ring(draw, x, y, reach, number)


def _notes(flats: Flats) -> list[tuple[str, Rgb]]:
    areas, bridges = counted(len(flats.areas), "area"), counted(len(flats.bridges), "bridge")
    notes = [(f"{areas}, {bridges}", TEXT)]
    if len(flats.checks):
        notes.append(("To check, the costliest first; answer on the desk:", DOUBT))
    return notes + [
        (f"{number}  {QUESTIONS[int(check['kind'])]}", DOUBT)
        for number, check in enumerate(flats.checks, 1)
    ]
