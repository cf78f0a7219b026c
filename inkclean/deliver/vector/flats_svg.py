"""Flats to SVG: areas under the ink's curves, exact size.

User units are thousandths of a millimetre: whole numbers add up exactly in any renderer, so
areas that share a border share every point of it.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from inkclean.base.colour import as_hex
from inkclean.base.errors import printable
from inkclean.curves.values import Curves
from inkclean.deliver.files import placed
from inkclean.deliver.vector.elements import described, document, element
from inkclean.deliver.vector.paths import STEPS_PER_MM, encode_cubics, encode_polygons
from inkclean.flats.borders import outlines
from inkclean.flats.colour.colours import Colouring
from inkclean.flats.values import Flats

# Borders lie under the middle of lines; even the thinnest line is twice as broad as this, mm.
_WITHIN_MM = 0.03


def write_flats_svg(
    flats: Flats, colouring: Colouring, curves: Curves, path: Path, *, replace: bool = False
) -> None:
    """Write an SVG with one path for each area, and the ink's curves over them.

    Raises:
        OutputError: ``path`` is taken, or cannot be written.
    """
    with placed(path, replace) as draft:
        draft.write_text(flats_svg(flats, colouring, curves), encoding="utf-8", newline="\n")


def flats_svg(flats: Flats, colouring: Colouring, curves: Curves) -> str:
    """Return an SVG with one path for each area, hard-edged, and the ink's curves over them."""
    fills = [as_hex(colour) for colour in colouring.palette]
    shapes = outlines(flats.labels, flats.px_per_mm, _WITHIN_MM)
    data = encode_polygons(shapes.points, shapes.loops, shapes.label, in_steps=True)
    labels = shapes.label[np.flatnonzero(np.diff(shapes.label, prepend=-1))].tolist()
    areas = []
    for label, text in zip(labels, data, strict=True):
        row = int(colouring.of_area[label])
        name = described(printable(colouring.names[row]))
        areas.append(element("path", name, d=text, id=f"area-{label}", fill=fills[row]))
    one = np.zeros(curves.loops.size - 1, np.int64)
    ink = encode_cubics(curves.cubics, curves.loops, curves.straight, one, in_steps=True)
    drawn = [
        element("rect", fill=fills[0], id="background", width="100%", height="100%", x="0", y="0"),
        element(
            "g",
            "".join(areas),
            id="flats",
            stroke="none",
            fill_rule="evenodd",
            shape_rendering="crispEdges",
        ),
        element("path", d="".join(ink), id="ink", fill="#000000"),
    ]
    size = curves.width_mm, curves.height_mm
    return document(size, STEPS_PER_MM, "", "".join(drawn))
