"""Curves to SVG: exact size, the same in every renderer.

SVG 2 and 1.1 read it alike: paths, a title, a description, no script, no style sheet. One user
unit is one millimetre.
"""

from __future__ import annotations

from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
import svgwrite

from inkclean.base.arrays import I64
from inkclean.base.errors import printable
from inkclean.curves.values import Curves, Strokes
from inkclean.deliver.vector.paths import encode_cubics, encode_widths

_FILLED = {"fill": "#000", "fill_rule": "evenodd"}
_EMPTY = '<g fill="#000" fill-rule="evenodd" />'
# Strokes are grouped by widths this far apart, mm: finer than pens are sold.
_WIDTH_STEP_MM = 0.05


def write_svg(curves: Curves, path: Path, *, title: str, description: str) -> None:
    """Write ``curves`` as filled shapes, one path for each connected piece of ink.

    Large pieces come first. ``path`` is written as it is, UTF-8.
    """
    drawing = new_drawing((curves.width_mm, curves.height_mm), 1, title, description)
    _save(drawing, path, _add_shapes(drawing, curves))


def write_strokes_svg(strokes: Strokes, path: Path, *, title: str, description: str) -> None:
    """Write ``strokes`` as stroked paths in groups of one width, spot blacks as filled shapes.

    Each group draws its strokes at their mean width in mm; every path carries the widths at
    its nodes in mm as ``data-widths``, so that the swelling of a line is not lost.
    """
    blacks = strokes.blacks
    drawing = new_drawing((blacks.width_mm, blacks.height_mm), 1, title, description)
    shapes = _add_shapes(drawing, blacks) if blacks.loops.size > 1 else ""
    if strokes.strokes.size > 1:
        _add_strokes(drawing, strokes)
    _save(drawing, path, shapes)


def new_drawing(
    size: tuple[float, float], units: int, title: str | None = None, description: str | None = None
) -> Any:
    """Return an empty drawing of ``size`` mm, with so many user ``units`` a mm; nothing in it is
    checked against the standard, which would take longer than to make it.
    """
    width, height = (f"{side:.6g}" for side in size)
    box = (f"{round(side * units)}" for side in size) if units > 1 else (width, height)
    drawing = svgwrite.Drawing(
        size=(f"{width}mm", f"{height}mm"), viewBox=" ".join(("0 0", *box)), debug=False
    )
    if title is not None and description is not None:
        drawing.set_desc(printable(title), printable(description))
    return drawing


def _save(drawing: Any, path: Path, shapes: str) -> None:
    """Write the drawing with ``shapes`` in the group that was left empty for them."""
    whole = StringIO()
    drawing.write(whole)
    text = whole.getvalue()
    if shapes:
        before, _, after = text.partition(_EMPTY)
        text = f"{before}{_EMPTY.removesuffix(' />')}>{shapes}</g>{after}"
    path.write_text(text, encoding="utf-8", newline="\n")


def _add_shapes(drawing: Any, curves: Curves) -> str:
    """Add the empty group of the shapes, and return the paths that go into it.

    An object for each of ten thousand paths takes longer than all else of the file; path data
    has nothing that would have to be escaped.
    """
    drawing.add(drawing.g(**_FILLED))
    data = encode_cubics(curves.cubics, curves.loops, curves.straight, curves.shape)
    if not data:
        return ""
    return "".join([f'<path d="{data[shape]}" />' for shape in _large_first(curves).tolist()])


def _add_strokes(drawing: Any, strokes: Strokes) -> None:
    ends = strokes.strokes
    none = np.zeros(ends[-1], np.bool_)
    data = encode_cubics(strokes.cubics, ends, none, np.arange(ends.size - 1), strokes.closed)
    widths = encode_widths(strokes.widths_mm, ends)
    mean = np.add.reduceat(strokes.widths_mm.mean(1), ends[:-1]) / np.diff(ends)
    step = np.maximum(np.rint(mean / _WIDTH_STEP_MM), 1).astype(np.int64)
    for width in np.unique(step):
        group = drawing.g(
            fill="none",
            stroke="#000",
            stroke_linecap="round",
            stroke_linejoin="round",
            stroke_width=f"{width * _WIDTH_STEP_MM:.2f}",
        )
        drawing.add(group)
        for stroke in np.flatnonzero(step == width):
            group.add(drawing.path(data[stroke], data_widths=widths[stroke]))


def _large_first(curves: Curves) -> I64:
    """Order of the shapes by the area of their outer loops' nodes, largest first."""
    origin = curves.cubics[np.repeat(curves.loops[:-1], np.diff(curves.loops)), 0]
    start, end = curves.cubics[:, 0] - origin, curves.cubics[:, 3] - origin
    area = np.add.reduceat(start[:, 0] * end[:, 1] - start[:, 1] * end[:, 0], curves.loops[:-1])
    return np.argsort(-area[~curves.hole], kind="stable")
