"""Curves to SVG: millimetres, compact, the same in every renderer.

One user unit is one millimetre. Points are rounded to a micrometre, all from the same whole
numbers, so relative commands add up without drift. SVG 2 and 1.1 read it alike: paths with
``M``, ``c``, ``l``, ``h``, ``v`` and ``z``, a title, a description, no script, no style sheet.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from inkclean.base.arrays import F32, F64, I64, Bool
from inkclean.base.errors import printable
from inkclean.curves.values import Curves, Strokes

_PER_MM = 1000
"""Steps a millimetre: rounding moves a point by 0.7 µm at most, a thirtieth of the finest
tolerance worth asking for."""
_WIDTH_STEP_MM = 0.05
"""Strokes are grouped by widths this far apart: finer than pens are sold."""
_TABLE = 10_000


def _number(steps: int) -> str:
    """Write a length in steps as mm, with what parts it from the number before."""
    whole, part = divmod(abs(steps), _PER_MM)
    text = (str(whole) if whole or not part else "") + (f".{part:03d}".rstrip("0") if part else "")
    return ("-" if steps < 0 else " ") + text


def write_svg(curves: Curves, path: Path, *, title: str, description: str) -> None:
    """Write ``curves`` as filled shapes, one path for each connected piece of ink.

    Large pieces come first. ``path`` is written as it is, UTF-8.
    """
    groups = _filled(curves)
    _save(path, (curves.width_mm, curves.height_mm), title, description, groups)


def write_strokes_svg(strokes: Strokes, path: Path, *, title: str, description: str) -> None:
    """Write ``strokes`` as stroked paths in groups of one width, spot blacks as filled shapes.

    Each group draws its strokes at their mean width in mm; every path carries the widths at
    its nodes in mm as ``data-widths``, so that the swelling of a line is not lost.
    """
    blacks = strokes.blacks
    groups = _filled(blacks) if blacks.loops.size > 1 else []
    ends = strokes.strokes
    count = ends.size - 1
    if count:
        data = _path_data(
            strokes.cubics, ends, np.zeros(ends[-1], np.bool_), np.arange(count), strokes.closed
        )
        widths = _node_widths(strokes.widths_mm, ends)
        mean = np.add.reduceat(strokes.widths_mm.mean(1), ends[:-1]) / np.diff(ends)
        step = np.maximum(np.rint(mean / _WIDTH_STEP_MM), 1).astype(np.int64)
        for width in np.unique(step):
            groups.append(
                f'<g fill="none" stroke="#000" stroke-linecap="round" stroke-linejoin="round" '
                f'stroke-width="{width * _WIDTH_STEP_MM:.2f}">'
            )
            groups += [
                f'<path d="{data[stroke]}" data-widths="{widths[stroke]}" />'
                for stroke in np.flatnonzero(step == width)
            ]
            groups.append("</g>")
    _save(path, (blacks.width_mm, blacks.height_mm), title, description, groups)


def _text(words: str) -> str:
    """Return words as an element may hold them (XML 1.0, 2.4)."""
    return printable(words).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _save(
    path: Path, size: tuple[float, float], title: str, description: str, groups: list[str]
) -> None:
    width, height = (f"{side:.6g}" for side in size)
    lines = [
        '<?xml version="1.0" encoding="utf-8" ?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{width}mm" '
        f'height="{height}mm" viewBox="0 0 {width} {height}">'
        f"<title>{_text(title)}</title><desc>{_text(description)}</desc>",
        *groups,
        "</svg>\n",
    ]
    path.write_text("\n".join(lines), encoding="utf-8")


def _filled(curves: Curves) -> list[str]:
    paths: list[str] = []
    if curves.loops.size > 1:
        closed = np.ones(curves.loops.size - 1, np.bool_)
        data = _path_data(curves.cubics, curves.loops, curves.straight, curves.shape, closed)
        paths = [f'<path d="{data[at]}" />' for at in _large_first(curves)]
    return ['<g fill="#000" fill-rule="evenodd">', *paths, "</g>"]


def _large_first(curves: Curves) -> I64:
    """Order of the shapes by the area of their outer loops' nodes, largest first."""
    z = curves.cubics[:, 0] - curves.cubics[np.repeat(curves.loops[:-1], np.diff(curves.loops)), 0]
    w = curves.cubics[:, 3] - curves.cubics[np.repeat(curves.loops[:-1], np.diff(curves.loops)), 0]
    area = np.add.reduceat(z[:, 0] * w[:, 1] - z[:, 1] * w[:, 0], curves.loops[:-1])
    return np.argsort(-area[~curves.hole], kind="stable")


def _node_widths(widths: F32, ends: I64) -> list[str]:
    text = [f"{value:.3f}".rstrip("0").rstrip(".") for value in widths.reshape(-1).tolist()]
    at = ends.tolist()
    return [" ".join([*text[2 * a : 2 * b : 2], text[2 * b - 1]]) for a, b in pairwise(at)]


def _path_data(cubics: F64, ends: I64, straight: Bool, group: F64 | Any, closed: Bool) -> list[str]:
    """Path data of each ``group`` (same numbers adjoin) of the loops ``ends`` of ``cubics``."""
    grid = np.rint(cubics * _PER_MM).astype(np.int64)
    delta = grid[:, 1:] - grid[:, :1]
    first, last = ends[:-1], ends[1:] - 1
    level = straight & (delta[:, 2, 1] == 0)
    upright = straight & ~level & (delta[:, 2, 0] == 0)
    slanted = straight & ~level & ~upright
    # The closing command draws a last straight side.
    unsaid = np.zeros(straight.size, np.bool_)
    unsaid[last[closed]] = straight[last[closed]]
    kind = np.select([unsaid, level, upright, slanted], [0, 2, 3, 4], 1)
    before = np.concatenate(([-1], kind[:-1]))
    before[first] = -1
    tokens = np.full((straight.size, 10), "", object)
    tokens[:, 3] = np.array(["", "c", "h", "v", "l"], object)[np.where(kind == before, 0, kind)]
    words = _words(delta.reshape(-1, 6))
    curved = kind == 1
    tokens[curved, 4:] = words[curved]
    tokens[:, 8] = np.where((kind == 2) | (kind == 4), words[:, 4], tokens[:, 8])
    tokens[:, 9] = np.where((kind == 3) | (kind == 4), words[:, 5], tokens[:, 9])
    # The first letter parts numbers as well as a space does.
    fresh = kind != before
    for column, kinds in ((4, (1,)), (8, (2, 4)), (9, (3,))):
        at = np.flatnonzero(fresh & np.isin(kind, kinds))
        tokens[at, column] = [word.lstrip(" ") for word in tokens[at, column]]
    start = _words(grid[first, 0])
    tokens[first, 0] = "M"
    tokens[first, 1] = [word.lstrip(" ") for word in start[:, 0]]
    tokens[first, 2] = start[:, 1]
    closing = np.where(closed, "z", "").astype(object)
    new = np.diff(group, append=-1) != 0
    tokens[last, 9] = tokens[last, 9] + closing + np.where(new, "\n", "").astype(object)
    return "".join(tokens.reshape(-1).tolist()).split("\n")[:-1]


def _words(steps: I64) -> Any:
    """Text of each number, with what parts it from the one before."""
    small = np.abs(steps) < _TABLE
    words = _SMALL[np.where(small, steps, 0) + _TABLE]
    far = np.flatnonzero(~small.reshape(-1))
    words.reshape(-1)[far] = [_number(n) for n in steps.reshape(-1)[far].tolist()]
    return words


_SMALL = np.array([_number(n) for n in range(-_TABLE, _TABLE)], object)
