"""A page printed from plates: Separation colours under overprinting lines, and a file a plate."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from inkclean.base.arrays import U8, Bool
from inkclean.base.colour import as_hex
from inkclean.base.units import MM_PER_INCH
from inkclean.curves.values import Curves
from inkclean.deliver.layers.under import UnderColour
from inkclean.deliver.pictures.raster import BAND_ROWS, Region, packed_bands, size_px
from inkclean.deliver.pictures.tiff import write_grey_tiff, write_one_bit_tiff
from inkclean.deliver.plates.inks import GAIN, LINES, Mixtures, PlateInk, mix
from inkclean.deliver.plates.marks import joined, plate_names, registration_marks
from inkclean.deliver.plates.spaces import ink_space, rough_cmyk
from inkclean.deliver.plates.tints import ColourMap, Plate, is_trapped, make_plates, unlined_mm
from inkclean.deliver.press.check import Finding
from inkclean.deliver.press.colour import PrintProfile, to_cmyk
from inkclean.deliver.press.screened import Screened, screen_stencil, stencil_operators
from inkclean.deliver.screens.ruling import Screen, check_ruling, dpi_for
from inkclean.deliver.screens.threshold import FULL, make_supercell
from inkclean.deliver.screens.tones import Tones, held
from inkclean.deliver.vector.pdf import BLACK, Points, path_operators
from inkclean.flats.colour.space import to_lab

if TYPE_CHECKING:
    import pikepdf

SPREAD_MM = 0.2
# beyond this CIEDE2000 difference anybody sees another colour (common practice, no source)
_UNLIKE = 5.0
# screens of one page, degrees from the first: ISO 12647-2 keeps those of dots 30° apart, and the
# palest at 15° from two of them (from memory)
_TURNS = (0.0, 30.0, -30.0, -45.0)
_MARK_OUT_MM = 3.5  # from the bleed to the middle of a registration mark
_NAMES_MM = 2.0  # from the room's corner to the names


@dataclass(frozen=True)
class Plated:
    """Plates at their place on the page, in mm, and their screens, none for grey plates.

    ``trapped`` tells that colours which meet without a line run on into each other.
    """

    plates: tuple[Plate, ...]
    area: Region
    screens: tuple[Screened, ...]
    colours: ColourMap
    mixtures: Mixtures
    gain: float
    trapped: bool = False

    def json(self) -> dict[str, Any]:
        """Return the inks, and the tints that each colour of the page became."""
        names = [plate.ink.name for plate in self.plates]
        rows = zip(
            self.colours.palette,
            self.colours.names,
            self.mixtures.tints,
            self.mixtures.off,
            strict=True,
        )
        return {
            "inks": [{"name": p.ink.name, "colour": p.ink.colour} for p in self.plates],
            "colours": [
                {
                    "colour": as_hex(colour),
                    "name": name,
                    "tints": {n: round(float(t), 2) for n, t in zip(names, tints, strict=True)},
                    "difference": round(float(off), 2),
                }
                for colour, name, tints, off in rows
            ],
        }


def plate_art(
    colours: ColourMap,
    inks: tuple[PlateInk, ...],
    sheet: Curves,
    area: Region,
    spread_mm: float,
    screen: Screen | None,
    dpi: int | None,
    gain: float = GAIN,
) -> tuple[Plated, tuple[Finding, ...], tuple[str, ...]]:
    """Return the sheet's colours as plates, what is found of them, and notes in words.

    ``sheet`` are the lines in mm of the sheet, ``area`` the sheet as it lies on the page; the
    spread is meant on the page. With a ``screen`` every plate gets one of its own angle.

    Raises:
        UsageError: the resolution cannot draw the screen.
    """
    mixtures = mix(colours.palette, inks, gain)
    scale = area.width_mm / sheet.width_mm
    plates = make_plates(colours, mixtures, inks, sheet, spread_mm / scale, gain)
    screens = () if screen is None else _screens(plates, area, screen, dpi or dpi_for(screen))
    trapped = is_trapped(colours, spread_mm)
    made = Plated(plates, area, screens, colours, mixtures, gain, trapped)
    bare = unlined_mm(colours, mixtures, sheet) * scale
    findings = (_nearness(made), _edges(bare, spread_mm if trapped else 0.0))
    notes = [f"colours in {len(inks)} spot inks, {spread_mm:g} mm on under the lines, which print "
             "over them in black"]  # fmt: skip
    if screens:
        angles = ", ".join(
            f"{plate.ink.name} {screen.cell.angle:.1f}°"
            for plate, screen in zip(plates, screens, strict=True)
        )
        notes.append(
            f"plates screened at {screens[0].screen.lpi:g} lines per inch, {screens[0].dpi} dpi, "
            f"for this size: {angles}; print at 100 %, never scale or screen them again"
        )
    return made, findings, tuple(notes)


def _screens(
    plates: tuple[Plate, ...], area: Region, screen: Screen, dpi: int
) -> tuple[Screened, ...]:
    check_ruling(screen, dpi)
    dark = np.argsort([to_lab(plate.ink.srgb)[0] for plate in plates], kind="stable")
    turns = dict(zip(dark.tolist(), _TURNS * len(plates), strict=False))
    made = []
    for number, plate in enumerate(plates):
        angle = (screen.angle + turns[number] + 90) % 180 - 90
        # the tints allow for the press's gain already
        own = replace(screen, angle=angle, gain=0.0)
        tones = held(plate.tints.astype(np.uint16) * np.uint16(FULL // 255), own)[0]
        made.append(Screened(Tones(tones, area), make_supercell(own, dpi), own, dpi))
    return tuple(made)


def _nearness(made: Plated) -> Finding:
    used = np.unique(made.colours.index)
    off = made.mixtures.off[used]
    if not len(off) or off.max() <= _UNLIKE:
        worst = float(off.max(initial=0))
        return Finding("plate colours", "passes", f"nearest tints differ by {worst:.1f} at most")
    row = int(used[off.argmax()])
    colour, name = as_hex(made.colours.palette[row]), made.colours.names[row]
    return Finding(
        "plate colours",
        "look",
        f"{int((off > _UNLIKE).sum())} of {len(used)} colours come out as others; the furthest is "
        f"{' '.join(filter(None, (name, colour)))}, off by {off.max():.0f} (CIEDE2000)",
        "add an ink of that colour, or colour the page in what these inks mix",
    )


def _edges(bare_mm: float, trapped_mm: float) -> Finding:
    if bare_mm < 1.0:
        return Finding("register", "passes", "where plates meet there is a line over them")
    if trapped_mm:
        return Finding(
            "register",
            "passes",
            f"plates meet without a line over them along {bare_mm:.0f} mm; there the lighter "
            f"colour runs {trapped_mm:g} mm on under the darker",
        )
    return Finding(
        "register",
        "look",
        f"plates meet without a line over them along {bare_mm:.0f} mm",
        "paper may show there if the plates are a little off; let one colour run on under the "
        "other, or draw a line",
    )


def plate_resources(
    document: pikepdf.Pdf,
    made: Plated,
    region: Region,
    in_cmyk: bool = False,
    profile: PrintProfile | None = None,
) -> dict[str, Any]:
    """Return what the page refers to: a colour space and a picture for each plate.

    ``in_cmyk`` shows the inks by way of CMYK, that of ``profile`` if there is one, in place of Lab.
    """
    import pikepdf

    inks_of: Callable[[U8], U8] | None = None
    if in_cmyk:
        inks_of = rough_cmyk if profile is None else _by(profile)
    spaces = {
        f"Ink{number}": ink_space(document, plate.ink, made.gain, inks_of)
        for number, plate in enumerate(made.plates)
    }
    pictures: dict[str, Any] = {}
    for number, plate in enumerate(made.plates):
        if made.screens:
            picture = screen_stencil(document, made.screens[number], region)
        else:
            height, width = plate.tints.shape
            picture = document.make_stream(
                plate.tints.tobytes(),
                Type=pikepdf.Name.XObject,
                Subtype=pikepdf.Name.Image,
                Width=width,
                Height=height,
                ColorSpace=spaces[f"Ink{number}"],
                BitsPerComponent=8,
                # bare places are left alone even where a viewer knows nothing of overprint
                Mask=[0, 0],
            )
        pictures[f"Plate{number}"] = picture
    over = pikepdf.Dictionary(Type=pikepdf.Name.ExtGState, OP=True, op=True, OPM=1)
    return {
        "/XObject": pikepdf.Dictionary({f"/{name}": p for name, p in pictures.items()}),
        "/ColorSpace": pikepdf.Dictionary({f"/{name}": s for name, s in spaces.items()}),
        "/ExtGState": pikepdf.Dictionary(Over=document.make_indirect(over)),
    }


def _by(profile: PrintProfile) -> Callable[[U8], U8]:
    """Return what turns colours (N, 3) uint8 sRGB to the inks (N, 4) of a profile."""
    return lambda srgb: to_cmyk(UnderColour(srgb[None], ()), profile).pixels[0]


def plate_operators(made: Plated, lines: Curves, region: Region, to: Points) -> bytes:
    """Return the operators that print the plates, each leaving the others alone, then the lines."""
    parts = [b"q\n", to.clip(region), b"/Over gs\n"]
    for number in range(len(made.plates)):
        name = f"Plate{number}"
        if made.screens:
            parts.append(b"/Ink%d cs 1 scn\n" % number)
            parts.append(stencil_operators(name, made.screens[number], region, to))
        else:
            parts.append(to.picture(name, made.area))
    return b"".join([*parts, BLACK, path_operators(lines, to), b"Q\n"])


def mark_operators(made: Plated, bled: Region, media: Region, to: Points) -> bytes:
    """Return the operators of registration marks in every ink, and of each ink's name in it."""
    marks, names = _marks(made, bled, media)
    parts = [b"q /Over gs /Every cs 1 scn\n", path_operators(marks, to)]
    for number in range(len(made.plates)):
        parts += [b"/Ink%d cs 1 scn\n" % number, path_operators(names[number], to)]
    return b"".join([*parts, BLACK, path_operators(names[-1], to), b"Q\n"])


def _marks(made: Plated, bled: Region, media: Region) -> tuple[Curves, tuple[Curves, ...]]:
    marks = registration_marks(bled, _MARK_OUT_MM)
    words = (*(plate.ink.name for plate in made.plates), LINES)
    y = media.y_mm + media.height_mm - _NAMES_MM - 3.0
    middle = bled.x_mm + bled.width_mm / 2
    return marks, plate_names(words, media.x_mm + _NAMES_MM + 8.0, y, middle)


def write_plate(
    made: Plated,
    which: str,
    lines: Curves,
    bled: Region,
    media: Region,
    dpi: int,
    path: Path,
    title: str,
) -> None:
    """Write one plate, an ink's ``file`` name or the lines', as TIFF with marks and its name.

    All plates of a page are of one size. Lines and screened plates are one-bit; tints are grey,
    255 = no ink.

    Raises:
        UsageError: the picture would be too large.
    """
    files = [*(plate.ink.file for plate in made.plates), LINES]
    number = files.index(which)
    marks, names = _marks(made, bled, media)
    extra = joined((marks, names[number]))
    if made.screens:
        dpi = made.screens[0].dpi
    height, width = size_px(media, dpi)
    drawn = packed_bands(extra, dpi, region=media)
    title = f"{title} {which}"
    if which == LINES or made.screens:
        bands = (
            packed_bands(lines, dpi, region=media)
            if which == LINES
            else made.screens[number].bands(media)
        )
        inked = _one_bit_bands(bands, drawn, bled, media, dpi)
        write_one_bit_tiff(inked, height, width, dpi, path, title=title)
    else:
        grey = _grey_bands(made.plates[number].tints, made.area, bled, media, dpi, drawn)
        write_grey_tiff(grey, height, width, dpi, path, title=title)


def _inside(bled: Region, media: Region, dpi: int) -> tuple[Bool, Bool]:
    """Return which columns and rows of px of ``media`` lie in the page with its bleed."""
    height, width = size_px(media, dpi)
    mm = MM_PER_INCH / dpi
    x, y = (np.arange(count) * mm + mm / 2 for count in (width, height))
    left, top = bled.x_mm - media.x_mm, bled.y_mm - media.y_mm
    across = (x >= left) & (x < left + bled.width_mm)
    return across, (y >= top) & (y < top + bled.height_mm)


def _one_bit_bands(
    bands: Iterator[U8], drawn: Iterator[U8], bled: Region, media: Region, dpi: int
) -> Iterator[U8]:
    """Yield packed bands held inside the page with its bleed, marks solid beside it."""
    across, down = _inside(bled, media, dpi)
    held_in = np.packbits(across)
    tops = range(0, len(down), BAND_ROWS)
    for top, band, marks in zip(tops, bands, drawn, strict=True):
        rows = down[top : top + BAND_ROWS, None]
        yield np.where(rows, band & held_in, 0).astype(np.uint8) | marks


def _grey_bands(
    tints: U8, area: Region, bled: Region, media: Region, dpi: int, drawn: Iterator[U8]
) -> Iterator[U8]:
    """Yield a plate in grey on the page, its tints with hard edges, marks solid."""
    height, width = size_px(media, dpi)
    high, wide = tints.shape
    mm = MM_PER_INCH / dpi
    across = ((np.arange(width) + 0.5) * mm + media.x_mm - area.x_mm) * (wide / area.width_mm)
    down = ((np.arange(height) + 0.5) * mm + media.y_mm - area.y_mm) * (high / area.height_mm)
    columns, rows = np.floor(across).astype(np.int64), np.floor(down).astype(np.int64)
    inside_x, inside_y = _inside(bled, media, dpi)
    inside_x &= (columns >= 0) & (columns < wide)
    inside_y &= (rows >= 0) & (rows < high)
    columns, rows = np.clip(columns, 0, wide - 1), np.clip(rows, 0, high - 1)
    for top, marks in zip(range(0, height, BAND_ROWS), drawn, strict=True):
        part = slice(top, top + BAND_ROWS)
        grey = 255 - tints[rows[part]][:, columns]
        grey[:, ~inside_x] = 255
        grey[~inside_y[part]] = 255
        grey[np.unpackbits(marks, axis=1, count=width).view(np.bool_)] = 0
        yield grey
