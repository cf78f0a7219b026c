"""A page's colour files in other colours, from the files themselves: nothing is split again."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from xml.sax.saxutils import escape

import cv2
import numpy as np

from inkclean.base.arrays import I64, U8, U16
from inkclean.base.colour import as_hex
from inkclean.base.errors import InputError, printable
from inkclean.deliver.layers.recolour import NewGroup, recolour_openraster, stated_px_per_mm
from inkclean.deliver.layers.recolour_folder import recolour_folder
from inkclean.deliver.pictures.flats_proof_recolour import recolour_flats_proof
from inkclean.deliver.pictures.png import palette_png
from inkclean.flats.colour.colours import Colouring

# the kinds of result that hold colours and can be written anew
RECOLOURED = ("flats", "flats_svg", "flats_proof", "ora", "layers")
_AREA = re.compile(r'fill="#[0-9a-f]{6}" id="area-(\d+)"><title>[^<]*</title>')


def recolour_files(
    before: Colouring,
    after: Colouring,
    row_of: Sequence[int],
    sizes: Sequence[float],
    areas: Path,
    files: Mapping[str, tuple[Path, Path]],
    untouched: bool = False,
) -> None:
    """Write ``files``, each from what it was to a draft, by kind as in ``RECOLOURED``.

    ``row_of`` gives for each row of the palette before the one after; ``sizes`` are mm² of paper
    of each area; ``areas`` is the label map. ``untouched`` tells that every file is as it was left.

    Raises:
        InputError: a file is not as it was left.
    """
    if {"flats", "flats_proof"} & files.keys() or (untouched and "ora" in files):
        labels, px_per_mm = _labels(areas, after)
    if "flats" in files:
        index = after.of_area[labels]
        files["flats"][1].write_bytes(palette_png(index, after.palette, px_per_mm))
    if "flats_proof" in files:
        old, draft = files["flats_proof"]
        rows = np.array(row_of, np.int64)
        recolour_flats_proof(old, draft, before, after, rows, labels)
    if "flats_svg" in files:
        old, draft = files["flats_svg"]
        draft.write_text(_svg(old.read_text("utf-8"), after), "utf-8", newline="\n")
    if "ora" in files:
        old, draft = files["ora"]
        flat_of = _flats(before, labels) if untouched else None
        recolour_openraster(old, draft, _groups(before, after, row_of, sizes), flat_of)
    if "layers" in files:
        old, draft = files["layers"]
        draft.mkdir()
        recolour_folder(old, draft, _groups(before, after, row_of, sizes))


def _flats(before: Colouring, labels: U16) -> Callable[[str], U8]:
    """Return what gives the alpha (H, W) of a colour's flat by the colour's name."""
    rows = {name: row for row, name in enumerate(before.names)}
    index = before.of_area[labels]
    return lambda name: (index == rows[name]).view(np.uint8) * np.uint8(255)


def _labels(areas: Path, after: Colouring) -> tuple[U16, float]:
    """Return the label map of a file and its px/mm."""
    body = areas.read_bytes()
    labels = cv2.imdecode(np.frombuffer(body, np.uint8), cv2.IMREAD_UNCHANGED)
    if labels is None or labels.ndim != 2 or labels.max() >= len(after.of_area):
        raise InputError(f"{areas} is not as inkclean left it; run inkclean flats again")
    return np.asarray(labels, np.uint16), stated_px_per_mm(body)


def _svg(text: str, after: Colouring) -> str:
    def other(found: re.Match[str]) -> str:
        row = int(after.of_area[int(found[1])])
        name = escape(printable(after.names[row]))
        fill = as_hex(after.palette[row])
        return f'fill="{fill}" id="area-{found[1]}"><title>{name}</title>'

    return _AREA.sub(other, text)


def _groups(
    before: Colouring, after: Colouring, row_of: Sequence[int], sizes: Sequence[float]
) -> list[NewGroup]:
    size = np.bincount(after.of_area[1:], sizes, minlength=len(after.palette))
    rows = sorted(after.used, key=lambda row: (size[row], row))
    came: dict[int, list[int]] = {}
    for row in before.used:
        came.setdefault(row_of[row], []).append(row)
    return [
        NewGroup(
            after.names[row],
            after.palette[row],
            tuple(before.names[old] for old in came[row]),
            any((before.palette[old] != after.palette[row]).any() for old in came[row]),
        )
        for row in rows
    ]


def colouring_after(
    before: Colouring, names: Sequence[str], colours: U8, book: Sequence[str]
) -> tuple[Colouring, I64]:
    """Return the page's colours with each row's name, colour and reference as given.

    Rows that refer to one name of the book become one. Also returned is the row after of each
    row before.
    """
    from inkclean.flats.colour.palette import unlike

    first: dict[str, int] = {}
    kept: list[int] = []
    row_of = np.zeros(len(names), np.int64)
    for row, refers in enumerate(book):
        word = refers.casefold()
        if refers and word in first:
            row_of[row] = first[word]
            continue
        row_of[row] = len(kept)
        if refers:
            first[word] = len(kept)
        kept.append(row)
    of_area = row_of[before.of_area].astype(np.uint8)
    called = unlike([names[row] for row in kept])
    refers_to = tuple(book[row] for row in kept)
    return Colouring(colours[kept], called, of_area, refers_to), row_of
