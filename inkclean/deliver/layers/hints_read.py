"""Colour hints from files: dabs in a PNG, or points in JSON or CSV."""

from __future__ import annotations

import csv
import json
import re
import struct
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from inkclean.base.arrays import U8
from inkclean.base.errors import InputError
from inkclean.flats.colour.book import BookColours
from inkclean.flats.colour.hints import Hints, hints_in_picture

_MOST_PX = 300_000_000
# How far the picture's shape may be off the sheet's: a few rows cut off do no harm.
_SHAPE_OFF = 0.02
_MOST_NAME = 60
_HEX = re.compile(r"#?([0-9a-fA-F]{6})")
_WANTED = "write x_mm, y_mm, colour as #RRGGBB and, if you like, name"
_NO_BOOK = BookColours()


def read_hints(
    path: Path, width_mm: float, height_mm: float, book: BookColours = _NO_BOOK
) -> Hints:
    """Return the hints in a file, for a sheet of this size.

    A PNG is laid over the whole sheet, at any resolution. JSON is a list of objects, CSV a
    table with a header, both with ``x_mm``, ``y_mm`` (from the sheet's top left), ``colour``
    as ``#RRGGBB`` and, if wanted, ``name``. A name of the ``book`` stands for its colour; so does
    a dab in just the colour of one of the book.

    Raises:
        InputError: the file cannot be read, or does not say what it should.
    """
    try:
        body = path.read_bytes()
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError(f"{path} could not be read ({reason}); check --colours") from error
    try:
        if body.startswith(b"\x89PNG"):
            picture = _picture(body, width_mm / height_mm)
            return book.followed(hints_in_picture(picture, width_mm, height_mm))
        found = _points(_rows(body, path.suffix.lower()), width_mm, height_mm, book)
        return book.followed(found)
    except InputError as error:
        raise InputError(f"{path}: {error}") from error


def _picture(body: bytes, shape: float) -> U8:
    width, height = struct.unpack(">II", body[16:24]) if len(body) >= 24 else (0, 0)
    if not 0 < width * height <= _MOST_PX:
        raise InputError(f"{width} × {height} px cannot be read; save the dabs smaller")
    if abs(width / height / shape - 1) > _SHAPE_OFF:
        raise InputError(
            f"{width} × {height} px has different proportions from the sheet; "
            "make it cover the whole sheet"
        )
    pixels = cv2.imdecode(np.frombuffer(body, np.uint8), cv2.IMREAD_UNCHANGED)
    if pixels is None:
        raise InputError("the PNG is damaged; save it again")
    if pixels.dtype == np.uint16:
        pixels = (pixels // 257).astype(np.uint8)
    ways = {2: cv2.COLOR_GRAY2RGBA, 3: cv2.COLOR_BGR2RGBA, 4: cv2.COLOR_BGRA2RGBA}
    channels = 2 if pixels.ndim == 2 else pixels.shape[2]
    return np.asarray(cv2.cvtColor(pixels, ways[channels]), np.uint8)


def _rows(body: bytes, suffix: str) -> list[Mapping[str, Any]]:
    try:
        text = body.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError("neither PNG, JSON nor CSV; save the colours as one of them") from None
    if suffix == ".json" or text.lstrip().startswith(("[", "{")):
        try:
            found = json.loads(text)
        except ValueError as error:
            raise InputError(f"this is not JSON ({error}); {_WANTED}") from None
        if not isinstance(found, list) or not all(isinstance(row, dict) for row in found):
            raise InputError(f"the JSON is not a list of points; {_WANTED}")
        return found
    return list(csv.DictReader(text.splitlines(), skipinitialspace=True))


def _points(
    rows: list[Mapping[str, Any]], width_mm: float, height_mm: float, book: BookColours
) -> Hints:
    if not rows:
        raise InputError(f"it has no points; {_WANTED}")
    points = np.array([_place(row, number) for number, row in enumerate(rows, 1)])
    outside = ~((points >= 0) & (points <= [width_mm, height_mm])).all(axis=1)
    if outside.any():
        number = int(outside.argmax())
        x, y = points[number]
        raise InputError(
            f"point {number + 1} ({x:g}, {y:g} mm) is outside the sheet of "
            f"{width_mm:.4g} × {height_mm:.4g} mm"
        )
    return Hints(
        points,
        np.arange(len(points), dtype=np.int32),
        np.array([_colour(row, number, book) for number, row in enumerate(rows, 1)], np.uint8),
        tuple(_name(row) for row in rows),
    )


def _place(row: Mapping[str, Any], number: int) -> tuple[float, float]:
    try:
        place = float(row["x_mm"]), float(row["y_mm"])
    except (KeyError, TypeError, ValueError):
        raise InputError(f"point {number} has no place; {_WANTED}") from None
    if not np.isfinite(place).all():
        raise InputError(f"point {number} has no place; {_WANTED}")
    return place


def _colour(row: Mapping[str, Any], number: int, book: BookColours) -> tuple[int, ...]:
    found = book.find(_name(row))
    given = str(row.get("colour") or "").strip()
    match = _HEX.fullmatch(found.colour if found and not given else given)
    if match is None:
        raise InputError(f"point {number} has no colour; {_WANTED}")
    return tuple(bytes.fromhex(match[1]))


def _name(row: Mapping[str, Any]) -> str:
    """Return the name without what could break a file or a list, cut to a sane length."""
    text = str(row.get("name") or "")
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())[:_MOST_NAME]
