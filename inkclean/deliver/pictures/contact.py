"""The contact sheet: every page of a batch on one picture, to look a book over."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont, PngImagePlugin

from inkclean.base.arrays import U8
from inkclean.base.errors import UsageError
from inkclean.base.units import counted
from inkclean.deliver.files import CONTACT, check_free, is_contact, placed
from inkclean.deliver.pictures.proof import TABLE, TEXT

_COLUMNS = 6  # pages in a row
_PAGES = 60  # pages a sheet: what the eye takes in at a glance
_WIDTH = 340  # px of the widest picture of a page: lines of 0.3 mm on A4 are still told apart
_HEIGHT = 440  # px of the highest
_GAP = 22  # px between pictures
_TEXT_HEIGHT = 56  # px below each picture
_HEAD = 64  # px above all of them
_FAINT = (110, 106, 100)  # sRGB of what is beside the point
_MARKS = {"good": (46, 125, 90), "fair": (186, 130, 20), "poor": (196, 70, 30)}  # sRGB
_FAILED = (176, 32, 40)  # sRGB


@dataclass(frozen=True)
class Cell:
    """One page of the sheet: its small picture (h, w) uint8 grey, or None if it failed."""

    name: str
    verdict: str
    note: str
    picture: U8 | None


def shrink_page(png: bytes) -> U8 | None:
    """Return a page's ink as a small grey picture; None where the bytes are no picture."""
    page = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_GRAYSCALE) if png else None
    if page is None:
        return None
    scale = min(_WIDTH / page.shape[1], _HEIGHT / page.shape[0], 1.0)
    size = (max(1, round(page.shape[1] * scale)), max(1, round(page.shape[0] * scale)))
    return np.asarray(cv2.resize(page, size, interpolation=cv2.INTER_AREA), np.uint8)


def check_contact(path: Path, replace: bool) -> None:
    """Refuse a place where the sheet may not go, before any work is done.

    Raises:
        UsageError: the name does not end in .png.
        OutputError: something else stands there.
    """
    if path.suffix.lower() != ".png":
        raise UsageError(f"--contact '{path}' is not understood; give a name that ends in .png")
    check_free(path, replace or is_contact(path))


def write_contact(cells: Sequence[Cell], path: Path, replace: bool) -> list[Path]:
    """Write the sheet as PNG, 60 pages each; further ones are called ``NAME-2.png`` and so on.

    A contact sheet of an earlier run is always replaced.

    Raises:
        OutputError: another file stands there, or it cannot be written.
    """
    written: list[Path] = []
    parts = [cells[start : start + _PAGES] for start in range(0, len(cells), _PAGES)] or [cells]
    for number, part in enumerate(parts, 1):
        place = path if number == 1 else path.with_name(f"{path.stem}-{number}{path.suffix}")
        failed = sum(cell.picture is None for cell in cells)
        title = f"{counted(len(cells), 'page')}, {failed} failed"
        if len(parts) > 1:
            title += f" — sheet {number} of {len(parts)}"
        with placed(place, replace or is_contact(place)) as draft:
            about = PngImagePlugin.PngInfo()
            about.add_text("Software", CONTACT)
            _drawn(part, title).save(draft, "PNG", pnginfo=about, compress_level=3)
        written.append(place)
    return written


def _drawn(cells: Sequence[Cell], title: str) -> Image.Image:
    columns = max(2, min(_COLUMNS, len(cells)))
    rows = max(1, -(-len(cells) // columns))
    across, down = _WIDTH + _GAP, _HEIGHT + _TEXT_HEIGHT + _GAP
    table = Image.new("RGB", (_GAP + columns * across, _HEAD + rows * down), TABLE)
    draw = ImageDraw.Draw(table)
    draw.text((_GAP, 16), title, TEXT, font=_font(28))
    for number, cell in enumerate(cells):
        row, column = divmod(number, columns)
        _draw_cell(table, draw, cell, _GAP + column * across, _HEAD + row * down)
    return table


def _draw_cell(
    table: Image.Image, draw: ImageDraw.ImageDraw, cell: Cell, left: int, top: int
) -> None:
    colour = _MARKS.get(cell.verdict, _FAINT) if cell.picture is not None else _FAILED
    if cell.picture is None:
        box = (left, top, left + _WIDTH - 1, top + _HEIGHT - 1)
        draw.rectangle(box, outline=_FAILED, width=4)
        draw.line((box[0], box[1], box[2], box[3]), _FAILED, width=3)
        draw.line((box[0], box[3], box[2], box[1]), _FAILED, width=3)
    else:
        page = Image.fromarray(cell.picture)
        x, y = left + (_WIDTH - page.width) // 2, top + _HEIGHT - page.height
        table.paste(page, (x, y))
        draw.rectangle((x, y, x + page.width - 1, y + page.height - 1), outline=_FAINT)
    draw.rectangle((left, top + _HEIGHT + 6, left + 12, top + _HEIGHT + 46), fill=colour)
    font = _font(18)
    for line, text in enumerate((cell.name, f"{cell.verdict}  {cell.note}".strip())):
        place = (left + 20, top + _HEIGHT + 2 + 24 * line)
        draw.text(place, _fitted(text, font, _WIDTH - 20), (TEXT, colour)[line], font=font)


def _font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size)


def _fitted(text: str, font: ImageFont.FreeTypeFont | ImageFont.ImageFont, width: int) -> str:
    """Return the text on one line, cut to the width; what cannot be printed becomes '?'."""
    plain = "".join(letter if letter.isprintable() else "?" for letter in text)[:200]
    if font.getlength(plain) <= width:
        return plain
    return _shortest(plain, lambda part: font.getlength(part) <= width)


def _shortest(text: str, fits: Callable[[str], bool]) -> str:
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if fits(text[:middle] + "…") else (low, middle - 1)
    return text[:low] + "…"
