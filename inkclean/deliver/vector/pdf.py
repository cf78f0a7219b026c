"""Curves to PDF: outlines as filled paths in black alone, at exact size.

The document is built with pikepdf; only the painting operators of the page's content are
composed here, in whole arrays. Lengths go in as mm, x right, y down, and come out as points of
1/72 inch, y up, kept to a thousandth of a point (0.35 µm).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from inkclean import __version__
from inkclean.base.arrays import F64, I64, offsets_of
from inkclean.base.errors import printable
from inkclean.base.units import MM_PER_PT
from inkclean.curves.values import Curves
from inkclean.deliver.pictures.raster import Region, whole_sheet

if TYPE_CHECKING:
    import pikepdf

BLACK = b"0 0 0 1 k\n"
# segments formatted in one go: bounds the memory that the numbers take as Python objects
_BATCH = 20_000
_DECIMALS = 3

# one template a kind of segment: starts a loop (1), straight (2), ends a loop (4) or a shape (8)
_MOVE = "%.7g %.7g m\n"
_LINE = "%.7g %.7g l\n"
_CURVE = "%.7g %.7g %.7g %.7g %.7g %.7g c\n"
_TEMPLATES = [
    (_MOVE if code & 1 else "")
    + (_LINE if code & 2 else _CURVE)
    + ("h\n" if code & 4 else "")
    + ("f\n" if code & 8 else "")
    for code in range(16)
]


@dataclass(frozen=True)
class Sheetlet:
    """One page of a PDF: its boxes in mm, its content in points, what the content uses.

    ``media`` is the whole page; ``trim`` and ``bleed`` lie within it, in the same coordinates.
    """

    media: Region
    content: bytes
    trim: Region | None = None
    bleed: Region | None = None
    resources: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Points:
    """From mm on a page to points: the lower left corner of ``media`` is (0, 0)."""

    media: Region

    def at(self, mm: F64) -> F64:
        """Return (..., 2) mm as points, rounded."""
        bottom = self.media.y_mm + self.media.height_mm
        out: F64 = mm - np.array([self.media.x_mm, bottom], np.float64)
        out *= np.array([1.0, -1.0]) / MM_PER_PT
        return np.round(out, _DECIMALS, out=out)

    def box(self, region: Region) -> tuple[float, float, float, float]:
        """Return left, bottom, right, top in points, unrounded."""
        left = (region.x_mm - self.media.x_mm) / MM_PER_PT
        bottom = self.media.y_mm + self.media.height_mm - region.y_mm - region.height_mm
        size = region.width_mm / MM_PER_PT, region.height_mm / MM_PER_PT
        return left, bottom / MM_PER_PT, left + size[0], bottom / MM_PER_PT + size[1]

    def rectangle(self, region: Region) -> tuple[float, float, float, float]:
        """Return left, bottom, right, top in points, rounded as paths are."""
        corners = [
            [region.x_mm, region.y_mm + region.height_mm],
            [region.x_mm + region.width_mm, region.y_mm],
        ]
        (left, bottom), (right, top) = self.at(np.array(corners)).tolist()
        return left, bottom, right, top

    def clip(self, region: Region) -> bytes:
        """Return operators that hold what follows inside a rectangle."""
        left, bottom, right, top = self.rectangle(region)
        return b"%.7g %.7g %.7g %.7g re W n\n" % (left, bottom, right - left, top - bottom)

    def strokes(self, segments: F64) -> bytes:
        """Return operators that stroke straight lines, (N, 2, 2) mm from start to end."""
        values = self.at(segments).reshape(-1).tolist()
        return b"%.7g %.7g m %.7g %.7g l S\n" * len(segments) % tuple(values)

    def picture(self, name: str, region: Region) -> bytes:
        """Return operators that paint the image ``name`` over a rectangle."""
        left, bottom, right, top = self.rectangle(region)
        size = right - left, top - bottom
        return b"q %.7g 0 0 %.7g %.7g %.7g cm /%s Do Q\n" % (*size, left, bottom, name.encode())


def loops_of_shapes(curves: Curves) -> tuple[I64, I64]:
    """Return segment indices (S,), loops of one shape together, and offsets of shapes (N + 1,)."""
    order = np.argsort(curves.shape, kind="stable")
    counts = np.diff(curves.loops)[order]
    starts = curves.loops[:-1][order]
    index = np.arange(int(counts.sum())) + np.repeat(starts - offsets_of(counts)[:-1], counts)
    ends = np.cumsum(counts)
    last = np.append(np.diff(curves.shape[order]) != 0, True)[: len(order)]
    return index.astype(np.int64), np.concatenate([[0], ends[last]]).astype(np.int64)


def path_operators(curves: Curves, to: Points) -> bytes:
    """Return the operators that fill every shape, one path a shape, by the non-zero rule."""
    if not len(curves.cubics):
        return b""
    index, shapes = loops_of_shapes(curves)
    code = np.zeros(len(curves.cubics), np.int64)
    filled = np.diff(curves.loops) > 0
    code[curves.loops[:-1][filled]] |= 1
    code[curves.loops[1:][filled] - 1] |= 4
    code |= np.where(curves.straight, 2, 0)
    code = code[index]
    code[shapes[1:] - 1] |= 8
    parts = []
    for first in range(0, len(index), _BATCH):
        batch = code[first : first + _BATCH]
        points = to.at(curves.cubics[index[first : first + _BATCH]])
        used = np.ones((len(batch), 4), np.bool_)
        used[:, 0] = batch & 1 > 0
        used[:, 1:3] = (batch & 2 == 0)[:, None]
        template = "".join([_TEMPLATES[kind] for kind in batch.tolist()])
        parts.append((template % tuple(points[used].reshape(-1).tolist())).encode("ascii"))
    return b"".join(parts)


def new_document(title: str, *, dated: bool = True) -> pikepdf.Pdf:
    """Return an empty document with its title and, unless told otherwise, dates."""
    import pikepdf

    document = pikepdf.new()
    describe(document, title, dated=dated)
    return document


def describe(document: pikepdf.Pdf, title: str, *, dated: bool = True) -> None:
    """Set title, dates and origin, and nothing else.

    Files for the press need dates (PDF/X); without them, the same page gives the same bytes.
    """
    import pikepdf

    now = datetime.now(UTC).strftime("D:%Y%m%d%H%M%S+00'00'")
    info = {"Title": printable(title) or "Ink"}
    if dated:
        info |= {"CreationDate": now, "ModDate": now}
    info |= {"Creator": f"inkclean {__version__}", "Producer": f"pikepdf {pikepdf.__version__}"}
    entries = {f"/{key}": pikepdf.String(value) for key, value in info.items()}
    document.docinfo = document.make_indirect(pikepdf.Dictionary(entries))


def version_for(inks: bool, layered: bool = False) -> str:
    """Return the PDF version: RGB by such a profile is known from 1.7 on, layers from 1.5 on."""
    return ("1.5" if layered else "1.4") if inks else "1.7"


def add_page(document: pikepdf.Pdf, sheetlet: Sheetlet) -> pikepdf.Page:
    """Append a page; every page has a TrimBox, the whole page if none is given."""
    import pikepdf

    to = Points(sheetlet.media)
    boxes = {"MediaBox": sheetlet.media, "TrimBox": sheetlet.trim or sheetlet.media}
    if sheetlet.bleed is not None:
        boxes["BleedBox"] = sheetlet.bleed
    page = pikepdf.Dictionary(
        Type=pikepdf.Name.Page,
        Resources=pikepdf.Dictionary(dict(sheetlet.resources)),
        Contents=document.make_stream(sheetlet.content),
    )
    for name, region in boxes.items():
        page[f"/{name}"] = pikepdf.Array([round(side, 5) for side in to.box(region)])
    document.pages.append(pikepdf.Page(document.make_indirect(page)))
    return document.pages[-1]


def save(document: pikepdf.Pdf, path: Path, *, version: str = "1.4") -> None:
    """Write the document, without object streams, its ID from its content."""
    import pikepdf

    document.save(
        path,
        force_version=version,
        object_stream_mode=pikepdf.ObjectStreamMode.disable,
        compress_streams=True,
        deterministic_id=True,
    )


def write_pdf(curves: Curves, path: Path, *, title: str = "") -> None:
    """Write the sheet as a one-page PDF of its exact size, ink in black (K) alone."""
    media = whole_sheet(curves)
    with new_document(title, dated=False) as document:
        content = BLACK + path_operators(curves, Points(media))
        add_page(document, Sheetlet(media, content))
        save(document, path)
