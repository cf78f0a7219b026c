"""Lettering in a layer of its own in a PDF: optional content (ISO 32000-1, 8.11).

A shape of the ink that belongs to one part is painted in that part's layer. One that belongs to
several (letters that touch the art) is painted in each of them, held inside that part's own
region; the regions overlap by a hair, so that no light shows between them and all layers together
print what the ink prints.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from inkclean.base.arrays import F64, I64, Bool
from inkclean.curves.values import Curves
from inkclean.deliver.pictures.raster import Region
from inkclean.deliver.press.art import Art, kept_loops
from inkclean.deliver.vector.pdf import Points, path_operators
from inkclean.flats.lettering.values import NOTHING, PARTS, Lettering, Part

if TYPE_CHECKING:
    import pikepdf

# The layers, lowest first: their names in the file and in a reader's list of layers.
LAYERS: dict[Part, str] = {"art": "Art", "balloons": "Balloons", "text": "Text"}
OVERLAP_PX = 1  # of the regions, on each side


@dataclass(frozen=True)
class PartRegion:
    """A mixed shape of the ink in one part: ``rings`` (N, 2) each, mm of the sheet."""

    shape: int
    rings: tuple[F64, ...]


@dataclass(frozen=True)
class LetteredCurves:
    """Which part the shapes of a sheet's curves belong to.

    ``whole`` holds of each part the numbers of its own shapes, ``cut`` the regions of the mixed.
    """

    whole: dict[Part, I64]
    cut: dict[Part, tuple[PartRegion, ...]]


def lettered_art(art: Art, sheet: Curves, scale: float, lettering: Lettering) -> Art:
    """Return the art with its lines in layers; as it is where there is no lettering.

    ``scale`` brought the ``sheet`` to its size.
    """
    lettered = letter_curves(sheet, lettering)
    if lettered is None:
        return art
    paint = partial(layer_operators, lettered, scale, art.area)
    return replace(art, paint=paint, layered=True)


def letter_curves(sheet: Curves, lettering: Lettering) -> LetteredCurves | None:
    """Return which part each shape belongs to; None where there is no lettering."""
    if not lettering.found or not len(sheet.cubics):
        return None
    kind = lettering.kind
    at = np.floor(sheet.cubics[:, 0] * lettering.px_per_mm).astype(np.int64)
    row, column = (np.clip(at[:, 1 - k], 0, kind.shape[k] - 1) for k in (0, 1))
    seen = np.where(kind[row, column] == NOTHING, PARTS["art"], kind[row, column])
    shape = np.repeat(sheet.shape, np.diff(sheet.loops))
    numbers, own = np.unique(shape, return_inverse=True)
    has = np.zeros((len(numbers), len(PARTS) + 1), bool)
    has[own, seen] = True
    mixed = has.sum(axis=1) > 1
    whole = {part: numbers[~mixed & has[:, code]] for part, code in PARTS.items()}
    cut: dict[Part, list[PartRegion]] = {part: [] for part in PARTS}
    for number in np.flatnonzero(mixed).tolist():
        points = sheet.cubics[own == number].reshape(-1, 2)
        for part, code in PARTS.items():
            if has[number, code]:
                rings = _rings(lettering, code, points)
                cut[part].append(PartRegion(int(numbers[number]), rings))
    return LetteredCurves(whole, {part: tuple(regions) for part, regions in cut.items()})


def _rings(lettering: Lettering, code: int, points: F64) -> tuple[F64, ...]:
    """Return what a part has of the box around points (N, 2), as rings in mm."""
    scale = lettering.px_per_mm
    height, width = lettering.kind.shape
    left, top = np.floor(points.min(axis=0) * scale).astype(int).clip(0) - 1
    right, bottom = np.ceil(points.max(axis=0) * scale).astype(int) + 1
    rows = slice(max(0, top), min(bottom, height))
    columns = slice(max(0, left), min(right, width))
    part = lettering.kind[rows, columns]
    own = (part == code) | ((part == NOTHING) & (code == PARTS["art"]))
    size = 2 * OVERLAP_PX + 1
    room = np.pad(own.view(np.uint8), OVERLAP_PX + 1, mode="edge")
    room = np.asarray(cv2.dilate(room, np.ones((size, size), np.uint8)), np.uint8)
    corner = np.array([columns.start, rows.start]) - OVERLAP_PX - 1
    return tuple((ring + corner) / scale for ring in _outlines(room > 0))


def _outlines(mask: Bool) -> Iterator[F64]:
    """Yield rings along the pixels' own sides, outer ones and holes."""
    double = np.pad(mask, 1).repeat(2, axis=0).repeat(2, axis=1).view(np.uint8)
    found, _ = cv2.findContours(double, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
    for contour in found:
        if len(contour) > 2:
            yield np.round((contour[:, 0] + 0.5) / 2) - 1


def layer_operators(
    lettered: LetteredCurves, scale: float, area: Region, lines: Curves, to: Points
) -> bytes:
    """Return the operators that paint placed ``lines``, each part in its layer.

    ``scale`` brought the sheet's curves to their size, and ``area`` is where the sheet lies.
    """
    by = np.array([area.x_mm, area.y_mm])
    parts = []
    for part, name in LAYERS.items():
        parts.append(b"/OC /%s BDC\n" % name.encode("ascii"))
        own = kept_loops(lines, np.isin(lines.shape, lettered.whole[part]))
        parts.append(path_operators(own, to))
        for region in lettered.cut[part]:
            shape = kept_loops(lines, lines.shape == region.shape)
            if len(shape.cubics) and region.rings:
                clip = b"".join(_ring(ring * scale + by, to) for ring in region.rings)
                parts += [b"q\n", clip, b"W* n\n", path_operators(shape, to), b"Q\n"]
        parts.append(b"EMC\n")
    return b"".join(parts)


def _ring(ring: F64, to: Points) -> bytes:
    points = to.at(ring)
    text = b"%.7g %.7g m\n" + b"%.7g %.7g l\n" * (len(points) - 1) + b"h\n"
    return text % tuple(points.reshape(-1).tolist())


def declare_layers(document: pikepdf.Pdf) -> Any:
    """Add the layers to the document, all shown and printed; return what the page's content names.

    ISO 32000-1, 8.11.2 and 8.11.4: optional content groups, and the catalog's properties.
    """
    import pikepdf

    groups = {
        name: document.make_indirect(
            pikepdf.Dictionary(Type=pikepdf.Name.OCG, Name=pikepdf.String(name))
        )
        for name in LAYERS.values()
    }
    upmost_first = list(reversed(groups.values()))
    document.Root.OCProperties = pikepdf.Dictionary(
        OCGs=pikepdf.Array(upmost_first),
        D=pikepdf.Dictionary(
            Name=pikepdf.String("Lettering"),
            BaseState=pikepdf.Name.ON,
            Order=pikepdf.Array(upmost_first),
        ),
    )
    return pikepdf.Dictionary({f"/{name}": group for name, group in groups.items()})
