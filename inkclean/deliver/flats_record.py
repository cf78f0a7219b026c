"""Flats and their edits in the ticket: plain JSON values, lengths in mm of the sheet."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from inkclean.base.arrays import F64
from inkclean.base.colour import as_hex
from inkclean.base.errors import InputError
from inkclean.flats.colour.colours import Colouring
from inkclean.flats.colour.hints import Hints
from inkclean.flats.values import (
    BACKGROUND,
    BRIDGED,
    FIGURE,
    GUTTER,
    LINE,
    OPEN_GAP,
    FlatEdits,
    Flats,
    Point,
)

_KINDS = {FIGURE: "figure", BACKGROUND: "background", GUTTER: "gutter"}
# What is asked at a place to check, in words.
QUESTIONS = {
    OPEN_GAP: "an open gap: should it be closed?",
    BRIDGED: "a bridge over a gap: is it right?",
    LINE: "a line between two areas: are there two?",
}
_DECIMALS = 3  # a micrometre
# Points of a dab that the ticket keeps: enough to say which areas it covers and how far.
_MOST_POINTS = 200
_SHAPES = {"bridges": (4, 2), "opened": (2,), "joins": (2, 2)}


def flats_record(flats: Flats, colouring: Colouring) -> dict[str, Any]:
    """Return colours, areas and bridges for the ticket and for ``--json``."""
    areas = flats.areas
    asked = set(flats.checks["bridge"].tolist())
    rows = colouring.of_area[1:].tolist()
    return {
        "colours": colours_record(colouring),
        "areas": [
            {
                "area": int(area["label"]),
                "x_mm": _round(area["x_mm"]),
                "y_mm": _round(area["y_mm"]),
                "size_mm2": _round(area["size_mm2"]),
                "box_mm": [
                    _round(area[side]) for side in ("left_mm", "top_mm", "right_mm", "bottom_mm")
                ],
                "kind": _KINDS[int(area["kind"])],
                "enclosing": int(area["enclosing"]),
                "panel": int(area["panel"]),
                "colour": row,
            }
            for area, row in zip(areas, rows, strict=True)
        ],
        "neighbours": [
            [int(pair["a"]), int(pair["b"]), _round(pair["edge_mm"])] for pair in flats.neighbours
        ],
        "bridges": [
            {
                "cubic_mm": np.round(bridge["cubic"], _DECIMALS).tolist(),
                "confidence": _round(bridge["confidence"]),
                "to_check": number in asked,
                "given": bool(bridge["given"]),
            }
            for number, bridge in enumerate(flats.bridges)
        ],
        "to_check": [
            {
                "x_mm": _round(check["x_mm"]),
                "y_mm": _round(check["y_mm"]),
                "size_mm": _round(check["size_mm"]),
                "what": QUESTIONS[int(check["kind"])],
                "doubt": _round(check["doubt"]),
                "cost_mm2": _round(check["cost_mm2"]),
            }
            for check in flats.checks
        ],
    }


def colours_record(colouring: Colouring) -> list[dict[str, str]]:
    """Return the colours of a page, and the book's names that they refer to, for the ticket."""
    book = colouring.book or ("",) * len(colouring.names)
    return [
        {"name": name, "colour": as_hex(colour), **({"book": refers} if refers else {})}
        for name, colour, refers in zip(colouring.names, colouring.palette, book, strict=True)
    ]


def edits_record(edits: FlatEdits, hints: Hints | None = None) -> dict[str, Any]:
    """Return the edits of the flats, and the colours given, for the ticket."""
    record: dict[str, Any] = {
        "bridges": [_points(bridge) for bridge in edits.bridges],
        "opened": _points(edits.opened),
        "joins": [_points(join) for join in edits.joins],
        "splits": [_points(split) for split in edits.splits],
    }
    if hints is not None:
        record["dabs"] = [_dab(hints, number) for number in range(len(hints.colours))]
    return record


def read_edits(record: Mapping[str, Any]) -> tuple[FlatEdits, Hints | None]:
    """Return the edits and colours that a ticket holds; what it does not name is empty.

    Raises:
        InputError: a value is not what ``edits_record`` writes.
    """
    found = {key: _read_points(record, key, shape) for key, shape in _SHAPES.items()}
    splits = [_array(split, "splits", None) for split in _list(record, "splits")]
    edits = FlatEdits(
        bridges=tuple(_tuples(each) for each in found["bridges"]),  # type: ignore[misc]
        opened=_tuples(found["opened"]),
        joins=tuple(_tuples(each) for each in found["joins"]),  # type: ignore[misc]
        splits=tuple(_tuples(split) for split in splits),
    )
    return edits, _read_dabs(_list(record, "dabs")) if "dabs" in record else None


def _dab(hints: Hints, number: int) -> dict[str, Any]:
    points = hints.points[hints.dab == number]
    step = -(-len(points) // _MOST_POINTS)
    kept = points[::step]
    return {
        "colour": as_hex(hints.colours[number]),
        "name": hints.names[number],
        "points_mm": np.round(kept, _DECIMALS).tolist(),
        "covers_mm2": 0.0 if hints.covers_mm2 is None else _round(hints.covers_mm2[number]),
        **({"book": hints.book[number]} if hints.book and hints.book[number] else {}),
    }


def _read_dabs(rows: list[Any]) -> Hints | None:
    if not rows:
        return None
    points, dab, colours, names, sizes = [], [], [], [], []
    book: list[str] = []
    for number, row in enumerate(rows):
        if not isinstance(row, Mapping):
            raise _wrong("dabs")
        at = _array(row.get("points_mm"), "dabs", None)
        colour = str(row.get("colour", "")).removeprefix("#")
        try:
            colours.append(tuple(bytes.fromhex(colour)))
            covers = float(row.get("covers_mm2", 0.0))
        except (TypeError, ValueError):
            raise _wrong("dabs") from None
        if len(colours[-1]) != 3 or not len(at) or not np.isfinite(covers):
            raise _wrong("dabs")
        points.append(at)
        dab += [number] * len(at)
        names.append(str(row.get("name", "")))
        book.append(str(row.get("book", "")))
        sizes.append(covers)
    return Hints(
        np.concatenate(points),
        np.array(dab, np.int32),
        np.array(colours, np.uint8),
        tuple(names),
        covers_mm2=np.array(sizes) if any(sizes) else None,
        book=tuple(book) if any(book) else (),
    )


def _read_points(record: Mapping[str, Any], key: str, shape: tuple[int, ...]) -> F64:
    rows = _list(record, key)
    return _array(rows, key, shape) if rows else np.zeros((0, *shape))


def _list(record: Mapping[str, Any], key: str) -> list[Any]:
    rows = record.get(key, [])
    if not isinstance(rows, list):
        raise _wrong(key)
    return rows


def _array(rows: object, key: str, shape: tuple[int, ...] | None) -> F64:
    try:
        found = np.array(rows, np.float64)
    except (TypeError, ValueError):
        raise _wrong(key) from None
    wanted = found.ndim == 2 and found.shape[1] == 2 if shape is None else found.shape[1:] == shape
    if not wanted or not np.isfinite(found).all():
        raise _wrong(key)
    return found


def _wrong(key: str) -> InputError:
    return InputError(f"the flats edits have invalid '{key}'; make them again")


def _tuples(points: F64) -> tuple[Point, ...]:
    return tuple((float(x), float(y)) for x, y in points)


def _points(points: tuple[Point, ...]) -> list[list[float]]:
    return [[_round(x), _round(y)] for x, y in points]


def _round(value: float) -> float:
    return round(float(value), _DECIMALS)
