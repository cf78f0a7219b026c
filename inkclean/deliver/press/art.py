"""What is printed: lines as curves, and the colour that lies under them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from inkclean.base.arrays import F64, Bool, offsets_of
from inkclean.base.errors import InputError
from inkclean.base.units import MM_PER_INCH
from inkclean.curves.values import Curves
from inkclean.deliver.layers.under import UnderColour
from inkclean.deliver.pictures.raster import Region, moved
from inkclean.deliver.press.check import Finding
from inkclean.deliver.press.trim import Placement, TrimmedPage
from inkclean.deliver.vector.pdf import BLACK, Points, loops_of_shapes, path_operators

if TYPE_CHECKING:
    import pikepdf

# a picture that ends this near an edge ends there: a third of what the cut wanders
_NEAR_MM = 0.3
_EDGES = ("top", "right", "bottom", "left")
# a picture of the sheet may differ in shape by this share: rounding to whole pixels, no more
_SHAPE = 0.01


@dataclass(frozen=True)
class Art:
    """Lines at final size on a page, mm, and the colour with the rectangle it fills.

    ``paint`` gives the operators that paint the lines; ``layered`` tells that they lie in layers.
    """

    lines: Curves
    area: Region
    colour: UnderColour | None = None
    paint: Callable[[Curves, Points], bytes] = path_operators
    layered: bool = False

    @property
    def inks(self) -> bool:
        """Whether there is nothing but the inks of a press."""
        return self.colour is None or self.colour.cmyk

    @property
    def ppi(self) -> float | None:
        """Pixels of the colour per inch at final size; None without colour."""
        if self.colour is None:
            return None
        height, width = self.colour.pixels.shape[:2]
        inches = self.area.width_mm / MM_PER_INCH, self.area.height_mm / MM_PER_INCH
        return float(min(width / inches[0], height / inches[1]))


def make_art(sheet: Curves, placement: Placement, colour: UnderColour | None) -> Art:
    """Return the sheet's art where it was placed.

    Raises:
        InputError: the colour is not of the sheet's shape.
    """
    if colour is not None:
        height, width = colour.pixels.shape[:2]
        shape = width / height * sheet.height_mm / sheet.width_mm
        if abs(shape - 1) > _SHAPE:
            raise InputError(
                f"the colour is {width} × {height} px; it has different proportions from the "
                f"sheet ({sheet.width_mm:.0f} × {sheet.height_mm:.0f} mm); make it "
                "cover the whole sheet"
            )
    lines = moved(sheet, placement.scale, placement.x_mm, placement.y_mm)
    area = Region(placement.x_mm, placement.y_mm, lines.width_mm, lines.height_mm)
    return Art(lines, area, colour)


def art_resources(document: pikepdf.Pdf, art: Art) -> dict[str, Any]:
    """Return what the pages that show the art refer to; made once a document."""
    import pikepdf

    if art.colour is None:
        return {}
    height, width, inks = art.colour.pixels.shape
    space: Any = pikepdf.Name.DeviceCMYK if inks == 4 else _srgb(document)
    picture = document.make_stream(
        art.colour.pixels.tobytes(),
        Type=pikepdf.Name.XObject,
        Subtype=pikepdf.Name.Image,
        Width=width,
        Height=height,
        ColorSpace=space,
        BitsPerComponent=8,
    )
    # black set over colour leaves the other inks alone (overprint mode 1)
    over = pikepdf.Dictionary(Type=pikepdf.Name.ExtGState, OP=True, op=True, OPM=1)
    return {
        "/XObject": pikepdf.Dictionary(Colour=picture),
        "/ExtGState": pikepdf.Dictionary(Over=document.make_indirect(over)),
    }


def _srgb(document: pikepdf.Pdf) -> Any:
    import pikepdf
    from PIL import ImageCms

    data = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    stream = document.make_stream(data, N=3, Alternate=pikepdf.Name.DeviceRGB)
    return document.make_indirect(pikepdf.Array([pikepdf.Name.ICCBased, stream]))


def art_operators(
    art: Art, to: Points, within: Region | None = None, *, black: bytes = BLACK
) -> bytes:
    """Return the operators that paint the art; only the shapes that meet ``within``, if given."""
    lines = art.lines if within is None else meeting(art.lines, within)
    parts = [b"q\n"]
    if within is not None:
        parts.append(to.clip(within))
    if art.colour is not None:
        parts += [to.picture("Colour", art.area), b"/Over gs\n"]
    return b"".join([*parts, black, art.paint(lines, to), b"Q\n"])


def meeting(curves: Curves, region: Region) -> Curves:
    """Return the shapes whose bounding box meets the region."""
    if not len(curves.cubics):
        return curves
    index, shapes = loops_of_shapes(curves)
    points = curves.cubics[index]
    low = np.minimum.reduceat(points.min(1), shapes[:-1])
    high = np.maximum.reduceat(points.max(1), shapes[:-1])
    first: F64 = np.array([region.x_mm, region.y_mm])
    last = first + np.array([region.width_mm, region.height_mm])
    meets = ((high >= first) & (low <= last)).all(1)
    numbers = np.unique(curves.shape)
    return kept_loops(curves, np.isin(curves.shape, numbers[meets]))


def kept_loops(curves: Curves, loops: Bool) -> Curves:
    """Return the curves with these of their loops, (L,) bool, alone."""
    counts = np.diff(curves.loops)
    segments = np.repeat(loops, counts)
    return replace(
        curves,
        cubics=curves.cubics[segments],
        loops=offsets_of(counts[loops]),
        shape=curves.shape[loops],
        hole=curves.hole[loops],
        corner=curves.corner[segments],
        straight=curves.straight[segments],
    )


def check_colour_bleed(art: Art, page: TrimmedPage) -> Finding | None:
    """Where the colour reaches the trim it must reach the bleed's edge too, or be white there.

    None without colour.
    """
    if art.colour is None:
        return None
    pixels, area, bled = art.colour.pixels, art.area, page.bled
    # how far the picture stands out beyond the trim, and beyond the bleed, at each edge
    beyond_trim = _overhang(area, page.trim)
    beyond_bleed = _overhang(area, bled)
    rims = (pixels[0], pixels[:, -1], pixels[-1], pixels[:, 0])
    white = 0 if art.colour.cmyk else 255
    short = [
        edge
        for edge, trim, bleed, rim in zip(_EDGES, beyond_trim, beyond_bleed, rims, strict=True)
        if trim > -_NEAR_MM and bleed < -_NEAR_MM and (rim != white).any()
    ]
    if not short:
        return Finding("colour bleed", "passes", "the colour covers the bleed, or ends in white")
    return Finding(
        "colour bleed",
        "fails",
        f"the colour reaches the trim but not the bleed's edge ({', '.join(short)})",
        "fit the art to the bleed, paint on past the trim, or set the bleed to 0 at these edges",
    )


def cut_away(art: Art, page: TrimmedPage) -> str:
    """Return in words what of the sheet lies beyond the bleed and is lost, empty if nothing."""
    over = zip(_EDGES, _overhang(art.area, page.bled), strict=True)
    lost = [f"{beyond:.0f} mm at the {edge}" for edge, beyond in over if beyond >= 1.0]
    if not lost:
        return ""
    bare = art.colour is None and not _reaches_beyond(art.lines, page.bled)
    what = "bare paper cut away" if bare else "cut away"
    return f"{what} beyond the bleed: {', '.join(lost)}"


def _reaches_beyond(curves: Curves, region: Region) -> bool:
    points = curves.cubics.reshape(-1, 2)
    first = np.array([region.x_mm, region.y_mm])
    last = first + np.array([region.width_mm, region.height_mm])
    return bool(((points < first) | (points > last)).any())


def _overhang(area: Region, other: Region) -> tuple[float, float, float, float]:
    return (
        other.y_mm - area.y_mm,
        area.x_mm + area.width_mm - other.x_mm - other.width_mm,
        area.y_mm + area.height_mm - other.y_mm - other.height_mm,
        other.x_mm - area.x_mm,
    )
