"""What a hand may do on the desk, checked; and what all that was done amounts to."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from inkclean.base.errors import UsageError
from inkclean.flats.find import OPENED_MM
from inkclean.flats.values import FlatEdits
from inkclean.ink.edits import InkEdits, InkStroke
from inkclean.ink.pencil.separate import check_drop
from inkclean.pipeline import parse_outline
from inkclean.settings import Settings, check_settings

# No sheet is larger than this, in mm; points outside are no points of it.
_FARTHEST = 5000.0
_MOST_POINTS = 20_000
# An outline of four edges with some forty points each is not longer.
_LONGEST_TEXT = 4000
_LONGEST_NAME = 40
_HEX = re.compile(r"#[0-9a-fA-F]{6}")
_SETTABLE = ("paper", "frame", "weight", "speck_mm", "drop", "within_mm")

Dab = tuple[float, float, str, str]


@dataclass(frozen=True)
class Work:
    """What was asked and mended on a page, all acts together.

    ``dabs`` are x, y in mm, colour as ``#rrggbb`` and name, the latest last; ``light`` is
    where the light comes from in degrees clockwise from above, None without shade; ``names``
    are those that colours (``#rrggbb``) were given by hand.
    """

    settings: Settings
    ink: InkEdits = field(default_factory=InkEdits)
    flats: FlatEdits = field(default_factory=FlatEdits)
    dabs: tuple[Dab, ...] = ()
    light: float | None = None
    names: Mapping[str, str] = field(default_factory=dict)


def check_act(act: object) -> dict[str, Any]:
    """Return the act with nothing but what it may hold.

    Raises:
        UsageError: it is none of the acts, or its values make no sense.
    """
    if not isinstance(act, dict):
        raise UsageError("this is no edit")
    check = _CHECKS.get(str(act.get("kind")))
    if check is None:
        raise UsageError("this edit is not known")
    return {"kind": act["kind"], **check(act)}


def _stroke(act: Mapping[str, Any]) -> dict[str, Any]:
    if act.get("how") not in ("white", "ink"):
        raise UsageError("a stroke is white or ink")
    return {"how": act["how"], "points": _points(act.get("points"), 3)}


def _place(act: Mapping[str, Any]) -> dict[str, Any]:
    return {"at": _points([act.get("at")], 2)[0]}


def _line(act: Mapping[str, Any], wrong: str) -> list[list[float]]:
    points = _points(act.get("points"), 2)
    if len(points) < 2:
        raise UsageError(wrong)
    return points


def _dab(act: Mapping[str, Any]) -> dict[str, Any]:
    colour, name = act.get("colour"), act.get("name", "")
    if not isinstance(colour, str) or not _HEX.fullmatch(colour) or not isinstance(name, str):
        raise UsageError("a dab needs a colour as #rrggbb")
    return {**_place(act), "colour": colour.lower(), "name": name[:_LONGEST_NAME]}


def _name(act: Mapping[str, Any]) -> dict[str, Any]:
    colour, name = act.get("colour"), act.get("name")
    if not isinstance(colour, str) or not _HEX.fullmatch(colour) or not isinstance(name, str):
        raise UsageError("a name needs a colour as #rrggbb")
    name = " ".join(name.split())[:_LONGEST_NAME]
    if not name or not name.isprintable():
        raise UsageError("a colour's name is a few letters")
    return {"colour": colour.lower(), "name": name}


def _light(act: Mapping[str, Any]) -> dict[str, Any]:
    degrees = act.get("degrees")
    return {"degrees": None if degrees is None else _number(degrees) % 360}


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise UsageError("a number is missing")
    return float(value)


def _points(rows: object, size: int, count: int | None = None) -> list[list[float]]:
    if not isinstance(rows, list) or not 0 < len(rows) <= _MOST_POINTS:
        raise UsageError("points are missing")
    if count is not None and len(rows) != count:
        raise UsageError(f"{count} points are needed")
    found = []
    for row in rows:
        if not isinstance(row, list) or len(row) != size:
            raise UsageError("points are missing")
        values = [round(_number(value), 3) for value in row]
        if max(abs(value) for value in values) > _FARTHEST:
            raise UsageError("a point lies off the sheet")
        if size == 3 and not 0 < values[2] <= 50:
            raise UsageError("a stroke is up to 50 mm wide")
        found.append(values)
    return found


def _settings(act: Mapping[str, Any]) -> dict[str, Any]:
    values = {key: act[key] for key in _SETTABLE if key in act}
    if not values:
        raise UsageError("nothing is set")
    for key in ("weight", "speck_mm", "within_mm"):
        if key in values:
            values[key] = _number(values[key])
    if not -1 <= values.get("weight", 0) <= 1:
        raise UsageError("weight lies between -1 and 1")
    if "drop" in values:
        drop = values["drop"]
        if not isinstance(drop, list) or not all(isinstance(word, str) for word in drop):
            raise UsageError("drop is a list of colours")
        values["drop"] = list(check_drop(drop))
    for key in ("paper", "frame"):
        if not isinstance(values.get(key, ""), str) or len(values.get(key, "")) > _LONGEST_TEXT:
            raise UsageError(f"{key} is a text")
    frame = values.get("frame", "auto")
    if frame not in ("auto", "whole"):
        parse_outline(frame)
    check_settings(replace(Settings(), **{k: v for k, v in values.items() if k != "drop"}))
    return values


_CHECKS: dict[str, Callable[[Mapping[str, Any]], dict[str, Any]]] = {
    "set": _settings,
    "stroke": _stroke,
    "speck": _place,
    "open": _place,
    "bridge": lambda act: {"cubic": _points(act.get("cubic"), 2, 4)},
    "join": lambda act: {"points": _line(act, "a join needs two areas")},
    "split": lambda act: {"points": _line(act, "a split needs a line")},
    "dab": _dab,
    "light": _light,
    "name": _name,
}


# what kinds of edit were called in older logs
_OLD_KINDS = {"part": "split"}


def fold(acts: Sequence[Mapping[str, Any]], start: Work) -> Work:
    """Return what ``acts`` (each checked) make of ``start``."""
    work = start
    for act in acts:
        kind = act["kind"]
        work = _FOLDS[_OLD_KINDS.get(kind, kind)](work, act)
    return work


def _set(work: Work, act: Mapping[str, Any]) -> Work:
    values = {key: value for key, value in act.items() if key != "kind"}
    if "drop" in values:
        values["drop"] = tuple(values["drop"])
    return replace(work, settings=replace(work.settings, **values))


def _drawn(work: Work, act: Mapping[str, Any]) -> Work:
    stroke = InkStroke(act["how"], np.array(act["points"], np.float64))
    return replace(work, ink=replace(work.ink, strokes=(*work.ink.strokes, stroke)))


def _kept(work: Work, act: Mapping[str, Any]) -> Work:
    return replace(work, ink=replace(work.ink, kept=(*work.ink.kept, _point(act["at"]))))


def _opened(work: Work, act: Mapping[str, Any]) -> Work:
    at, flats = _point(act["at"]), work.flats
    laid = tuple(bridge for bridge in flats.bridges if not _near(bridge, at))
    if len(laid) < len(flats.bridges):  # a bridge by hand is removed, and nothing else
        return replace(work, flats=replace(flats, bridges=laid))
    return replace(work, flats=replace(flats, opened=(*flats.opened, at)))


def _bridged(work: Work, act: Mapping[str, Any]) -> Work:
    a, b, c, d = (_point(row) for row in act["cubic"])
    flats = replace(work.flats, bridges=(*work.flats.bridges, (a, b, c, d)))
    return replace(work, flats=flats)


def _joined(work: Work, act: Mapping[str, Any]) -> Work:
    first, *others = (_point(row) for row in act["points"])
    joins = (*work.flats.joins, *((first, other) for other in others))
    return replace(work, flats=replace(work.flats, joins=joins))


def _split(work: Work, act: Mapping[str, Any]) -> Work:
    line = tuple(_point(row) for row in act["points"])
    return replace(work, flats=replace(work.flats, splits=(*work.flats.splits, line)))


def _dabbed(work: Work, act: Mapping[str, Any]) -> Work:
    x, y = _point(act["at"])
    return replace(work, dabs=(*work.dabs, (x, y, act["colour"], act["name"])))


_FOLDS: dict[str, Callable[[Work, Mapping[str, Any]], Work]] = {
    "set": _set,
    "stroke": _drawn,
    "speck": _kept,
    "open": _opened,
    "bridge": _bridged,
    "join": _joined,
    "split": _split,
    "dab": _dabbed,
    "light": lambda work, act: replace(work, light=act["degrees"]),
    "name": lambda work, act: replace(work, names={**work.names, act["colour"]: act["name"]}),
}


def _point(row: Sequence[float]) -> tuple[float, float]:
    return row[0], row[1]


def _near(
    cubic: Sequence[tuple[float, float]], at: tuple[float, float], reach: float = 0.5
) -> bool:
    t = np.linspace(0, 1, 25)[:, None]
    a, b, c, d = (np.array(point) for point in cubic)
    line = (1 - t) ** 3 * a + 3 * (1 - t) ** 2 * t * b + 3 * (1 - t) * t**2 * c + t**3 * d
    return bool((np.hypot(*(line - np.array(at)).T) < OPENED_MM).any())
