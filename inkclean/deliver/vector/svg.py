"""Curves to SVG: exact size, the same in every renderer.

SVG 2 and 1.1 read it alike: paths, a title, a description, no script, no style sheet. One user
unit is one millimetre.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from inkclean.base.arrays import I64
from inkclean.base.errors import printable
from inkclean.curves.values import Curves, Strokes
from inkclean.deliver.vector.elements import described, document, element
from inkclean.deliver.vector.paths import encode_cubics, encode_widths

# Strokes are grouped by widths this far apart, mm: finer than pens are sold.
_WIDTH_STEP_MM = 0.05


def write_svg(curves: Curves, path: Path, *, title: str, description: str) -> None:
    """Write ``curves`` as filled shapes, one path for each connected piece of ink.

    Large pieces come first. ``path`` is written as it is, UTF-8.
    """
    _save(curves, _shapes(curves), path, title, description)


def write_strokes_svg(strokes: Strokes, path: Path, *, title: str, description: str) -> None:
    """Write ``strokes`` as stroked paths in groups of one width, spot blacks as filled shapes.

    Each group draws its strokes at their mean width in mm; every path carries the widths at
    its nodes in mm as ``data-widths``, so that the swelling of a line is not lost.
    """
    blacks = strokes.blacks
    drawn = _shapes(blacks) if blacks.loops.size > 1 else ""
    drawn += _stroked(strokes) if strokes.strokes.size > 1 else ""
    _save(blacks, drawn, path, title, description)


def _save(page: Curves, drawn: str, path: Path, title: str, description: str) -> None:
    about = described(printable(title), printable(description))
    text = document((page.width_mm, page.height_mm), 1, about, drawn)
    path.write_text(text, encoding="utf-8", newline="\n")


def _shapes(curves: Curves) -> str:
    """Return the group of the shapes; path data has nothing that would have to be escaped."""
    data = encode_cubics(curves.cubics, curves.loops, curves.straight, curves.shape)
    order = _large_first(curves).tolist() if data else []
    paths = "".join([f'<path d="{data[shape]}" />' for shape in order])
    return element("g", paths, fill="#000", fill_rule="evenodd")


def _stroked(strokes: Strokes) -> str:
    ends = strokes.strokes
    none = np.zeros(ends[-1], np.bool_)
    data = encode_cubics(strokes.cubics, ends, none, np.arange(ends.size - 1), strokes.closed)
    widths = encode_widths(strokes.widths_mm, ends)
    mean = np.add.reduceat(strokes.widths_mm.mean(1), ends[:-1]) / np.diff(ends)
    step = np.maximum(np.rint(mean / _WIDTH_STEP_MM), 1).astype(np.int64)
    groups = []
    for width in np.unique(step):
        some = np.flatnonzero(step == width).tolist()
        paths = [f'<path d="{data[one]}" data-widths="{widths[one]}" />' for one in some]
        groups.append(
            element(
                "g",
                "".join(paths),
                fill="none",
                stroke="#000",
                stroke_linecap="round",
                stroke_linejoin="round",
                stroke_width=f"{width * _WIDTH_STEP_MM:.2f}",
            )
        )
    return "".join(groups)


def _large_first(curves: Curves) -> I64:
    """Order of the shapes by the area of their outer loops' nodes, largest first."""
    origin = curves.cubics[np.repeat(curves.loops[:-1], np.diff(curves.loops)), 0]
    start, end = curves.cubics[:, 0] - origin, curves.cubics[:, 3] - origin
    area = np.add.reduceat(start[:, 0] * end[:, 1] - start[:, 1] * end[:, 0], curves.loops[:-1])
    return np.argsort(-area[~curves.hole], kind="stable")
