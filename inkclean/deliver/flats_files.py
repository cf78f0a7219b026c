"""The flats as files: palette PNG, label map, and areas under the curves as SVG."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from inkclean.base.arrays import F64, I64, U8
from inkclean.curves.values import Curves
from inkclean.deliver.files import placed
from inkclean.deliver.pictures.png import label_png, palette_png
from inkclean.flats.borders import Outlines, outlines
from inkclean.flats.colour.colours import Colouring
from inkclean.flats.values import Flats

# Borders lie under the middle of lines; even the thinnest line is twice as broad as this.
_WITHIN_MM = 0.03
# Coordinates are whole thousandths of a mm: far below what any press can show.
_UNITS_PER_MM = 1000


def write_flats_png(
    flats: Flats, colouring: Colouring, path: Path, *, replace: bool = False
) -> None:
    """Write the flat colours as a palette PNG: hard edges, one index a colour, 0 the paper.

    Raises:
        OutputError: ``path`` is taken, or cannot be written.
    """
    index = colouring.of_area[flats.labels]
    with placed(path, replace) as draft:
        draft.write_bytes(palette_png(index, colouring.palette, flats.px_per_mm))


def write_areas_png(flats: Flats, path: Path, *, replace: bool = False) -> None:
    """Write the label map as 16-bit grey PNG: the area's number, 0 = ink outside any area.

    Raises:
        OutputError: ``path`` is taken, or cannot be written.
    """
    with placed(path, replace) as draft:
        draft.write_bytes(label_png(flats.labels, flats.px_per_mm))


def write_flats_svg(
    flats: Flats, colouring: Colouring, curves: Curves, path: Path, *, replace: bool = False
) -> None:
    """Write an SVG with one path for each area, and the ink's curves over them.

    Raises:
        OutputError: ``path`` is taken, or cannot be written.
    """
    with placed(path, replace) as draft:
        draft.write_text(flats_svg(flats, colouring, curves), encoding="utf-8")


def flats_svg(flats: Flats, colouring: Colouring, curves: Curves) -> str:
    """Return the SVG: mm on paper, user units of 0.001 mm, areas with hard edges."""
    width, height = curves.width_mm, curves.height_mm
    box = f"0 0 {round(width * _UNITS_PER_MM)} {round(height * _UNITS_PER_MM)}"
    fills = [_hex(colour) for colour in colouring.palette]
    shapes = outlines(flats.labels, flats.px_per_mm, _WITHIN_MM)
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{width:.6g}mm" '
        f'height="{height:.6g}mm" viewBox="{box}">',
        f'<rect id="background" width="100%" height="100%" fill="{fills[0]}"/>',
        '<g id="flats" stroke="none" fill-rule="evenodd" shape-rendering="crispEdges">',
    ]
    for label, data in _area_paths(shapes):
        row = int(colouring.of_area[label])
        name = quoteattr(f"area-{label}")
        title = escape(colouring.names[row])
        lines.append(
            f'<path id={name} fill="{fills[row]}" d="{data}"><title>{title}</title></path>'
        )
    lines += ["</g>", f'<path id="ink" fill="#000000" d="{_curve_path(curves)}"/>', "</svg>", ""]
    return "\n".join(lines)


def _area_paths(shapes: Outlines) -> list[tuple[int, str]]:
    """Return (label, path data) of every area, its loops together."""
    closed = _loop_data(shapes.points, shapes.loops)
    firsts = np.flatnonzero(np.diff(shapes.label, prepend=-1))
    bounds = np.append(firsts, len(shapes.label)).tolist()
    labels = shapes.label[firsts].tolist()
    return [
        (label, "".join(closed[start:end]))
        for label, start, end in zip(labels, bounds[:-1], bounds[1:], strict=True)
    ]


def _loop_data(points: F64, loops: I64) -> list[str]:
    """Return path data of each closed polygon, relative moves after its first point."""
    place = np.rint(points * _UNITS_PER_MM).astype(np.int64)
    moves = np.diff(place, axis=0, prepend=0)
    moves[loops[:-1]] = place[loops[:-1]]
    words = list(map(str, moves.ravel().tolist()))
    bounds = (2 * loops).tolist()
    return [
        f"M{words[start]} {words[start + 1]}l{' '.join(words[start + 2 : end])}z"
        for start, end in pairwise(bounds)
    ]


def _curve_path(curves: Curves) -> str:
    """Return the ink's outlines as one path of cubics."""
    place = np.rint(curves.cubics * _UNITS_PER_MM).astype(np.int64)
    words = list(map(str, place[:, 1:].ravel().tolist()))
    first = place[curves.loops[:-1], 0].tolist()
    bounds = (6 * curves.loops).tolist()
    return "".join(
        f"M{x} {y}C{' '.join(words[start:end])}z"
        for (x, y), start, end in zip(first, bounds[:-1], bounds[1:], strict=True)
    )


def _hex(colour: U8) -> str:
    red, green, blue = (int(part) for part in colour)
    return f"#{red:02x}{green:02x}{blue:02x}"
