"""What a hand may do on the desk: one small class for each kind of act.

An act is what the browser sends and the log keeps: plain JSON, its kind under ``kind``. A kind
checks what is given, and applies what was kept to all that was done before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from inkclean.base.errors import UsageError
from inkclean.desk.colour_acts import Book, Dye, Name, Sweep
from inkclean.desk.edits import (
    LONGEST_TEXT,
    ActKind,
    PageEdits,
    Values,
    check_line,
    check_number,
    check_points,
    point,
)
from inkclean.flats.lettering.edits import LetterEdits, Move
from inkclean.flats.lettering.values import PARTS
from inkclean.flats.values import OPENED_MM
from inkclean.ink.edits import InkStroke
from inkclean.ink.pencil.separate import check_drop
from inkclean.pipeline import parse_outline
from inkclean.settings import Settings, check_settings


class Set(ActKind):
    """Settings changed: only those named."""

    name = "set"
    settable = ("paper", "frame", "weight", "speck_mm", "drop", "within_mm")

    def check(self, given: Values) -> dict[str, Any]:
        """Settings by their names."""
        values = {key: given[key] for key in self.settable if key in given}
        if not values:
            raise UsageError("no setting is given")
        for key in ("weight", "speck_mm", "within_mm"):
            if key in values:
                values[key] = check_number(values[key])
        if not -1 <= values.get("weight", 0) <= 1:
            raise UsageError("weight must be between -1 and 1")
        if "drop" in values:
            drop = values["drop"]
            if not isinstance(drop, list) or not all(isinstance(word, str) for word in drop):
                raise UsageError("drop must be a list of colours")
            values["drop"] = list(check_drop(drop))
        for key in ("paper", "frame"):
            if not isinstance(values.get(key, ""), str) or len(values.get(key, "")) > LONGEST_TEXT:
                raise UsageError(f"{key} must be text")
        frame = values.get("frame", "auto")
        if frame not in ("auto", "whole"):
            parse_outline(frame)
        check_settings(replace(Settings(), **{k: v for k, v in values.items() if k != "drop"}))
        return values

    def apply(self, edits: PageEdits, act: Values) -> PageEdits:
        """The settings are what they are set to."""
        values = {key: value for key, value in act.items() if key != "kind"}
        if "drop" in values:
            values["drop"] = tuple(values["drop"])
        return replace(edits, settings=replace(edits.settings, **values))


class Stroke(ActKind):
    """A stroke of white or ink."""

    name = "stroke"

    def check(self, given: Values) -> dict[str, Any]:
        """``how``, ``white`` or ``ink``, and ``points``: x, y, width in mm."""
        if given.get("how") not in ("white", "ink"):
            raise UsageError("a stroke must be white or ink")
        return {"how": given["how"], "points": check_points(given.get("points"), 3)}

    def apply(self, edits: PageEdits, act: Values) -> PageEdits:
        """The stroke lies over all before it."""
        stroke = InkStroke(act["how"], np.array(act["points"], np.float64))
        return replace(edits, ink=replace(edits.ink, strokes=(*edits.ink.strokes, stroke)))


class Dots(ActKind):
    """Dots of white or ink, in one go."""

    name = "dots"

    def check(self, given: Values) -> dict[str, Any]:
        """``how``, ``white`` or ``ink``, and ``points``: x, y, width in mm of each."""
        return Stroke().check(given)

    def apply(self, edits: PageEdits, act: Values) -> PageEdits:
        """They lie over all before them."""
        dots = (InkStroke(act["how"], np.array([row], np.float64)) for row in act["points"])
        return replace(edits, ink=replace(edits.ink, strokes=(*edits.ink.strokes, *dots)))


class Speck(ActKind):
    """A speck kept that was removed."""

    name = "speck"

    def check(self, given: Values) -> dict[str, Any]:
        """``at``: x, y in mm."""
        return {"at": check_points([given.get("at")], 2)[0]}

    def apply(self, edits: PageEdits, act: Values) -> PageEdits:
        """The speck there is kept."""
        return replace(edits, ink=replace(edits.ink, kept=(*edits.ink.kept, point(act["at"]))))


class Specks(ActKind):
    """A group of specks kept that were removed."""

    name = "specks"

    def check(self, given: Values) -> dict[str, Any]:
        """``points``: x, y of each in mm."""
        return {"points": check_points(given.get("points"), 2)}

    def apply(self, edits: PageEdits, act: Values) -> PageEdits:
        """All of them are kept."""
        kept = (*edits.ink.kept, *(point(place) for place in act["points"]))
        return replace(edits, ink=replace(edits.ink, kept=kept))


class Letter(ActKind):
    """Marks moved between the art and its lettering."""

    name = "letter"

    def check(self, given: Values) -> dict[str, Any]:
        """``to``, a part; ``points``, x, y in mm: a touch or two, or a ring of more."""
        if given.get("to") not in PARTS:
            raise UsageError("marks go to the art, the text or the balloons")
        return {"to": given["to"], "points": check_points(given.get("points"), 2)}

    def apply(self, edits: PageEdits, act: Values) -> PageEdits:
        """They are moved after all that was moved before."""
        move = Move(act["to"], np.array(act["points"], np.float64))
        return replace(edits, letters=LetterEdits((*edits.letters.moves, move)))


class Checked(ActKind):
    """A place to check found right."""

    name = "checked"

    def check(self, given: Values) -> dict[str, Any]:
        """``at``: x, y in mm, as the place was told."""
        return {"at": check_points([given.get("at")], 2)[0]}

    def apply(self, edits: PageEdits, act: Values) -> PageEdits:
        """It is asked about no more."""
        return replace(edits, checked=(*edits.checked, point(act["at"])))


class Open(ActKind):
    """A gap left open, or a bridge by hand removed."""

    name = "open"

    def check(self, given: Values) -> dict[str, Any]:
        """``at``: x, y in mm."""
        return {"at": check_points([given.get("at")], 2)[0]}

    def apply(self, edits: PageEdits, act: Values) -> PageEdits:
        """A bridge by hand goes, and nothing else; elsewhere no bridge is laid any more."""
        at, flats = point(act["at"]), edits.flats
        laid = tuple(bridge for bridge in flats.bridges if not _near(bridge, at))
        if len(laid) < len(flats.bridges):
            return replace(edits, flats=replace(flats, bridges=laid))
        return replace(edits, flats=replace(flats, opened=(*flats.opened, at)))


class Bridge(ActKind):
    """A bridge laid by hand."""

    name = "bridge"

    def check(self, given: Values) -> dict[str, Any]:
        """``cubic``: four control points x, y in mm."""
        return {"cubic": check_points(given.get("cubic"), 2, 4)}

    def apply(self, edits: PageEdits, act: Values) -> PageEdits:
        """The bridge is laid."""
        return _with_bridges(edits, [act["cubic"]])


class Bridges(ActKind):
    """The gaps of one leak closed."""

    name = "bridges"
    most = 100

    def check(self, given: Values) -> dict[str, Any]:
        """``cubics``: of each bridge four control points x, y in mm."""
        cubics = given.get("cubics")
        if not isinstance(cubics, list) or not 0 < len(cubics) <= self.most:
            raise UsageError("bridges are missing")
        return {"cubics": [check_points(cubic, 2, 4) for cubic in cubics]}

    def apply(self, edits: PageEdits, act: Values) -> PageEdits:
        """All of them are laid."""
        return _with_bridges(edits, act["cubics"])


class Join(ActKind):
    """Areas joined to one."""

    name = "join"

    def check(self, given: Values) -> dict[str, Any]:
        """``points``: one in each area, x, y in mm."""
        return {"points": check_line(given.get("points"), "a join needs two areas")}

    def apply(self, edits: PageEdits, act: Values) -> PageEdits:
        """All others are joined to the first."""
        first, *others = (point(row) for row in act["points"])
        joins = (*edits.flats.joins, *((first, other) for other in others))
        return replace(edits, flats=replace(edits.flats, joins=joins))


class Split(ActKind):
    """An area split along a line."""

    name = "split"
    older = ("part",)

    def check(self, given: Values) -> dict[str, Any]:
        """``points`` of the line, x, y in mm."""
        return {"points": check_line(given.get("points"), "a split needs a line")}

    def apply(self, edits: PageEdits, act: Values) -> PageEdits:
        """The line parts what it crosses."""
        line = tuple(point(row) for row in act["points"])
        return replace(edits, flats=replace(edits.flats, splits=(*edits.flats.splits, line)))


class Light(ActKind):
    """Where the light comes from."""

    name = "light"

    def check(self, given: Values) -> dict[str, Any]:
        """``degrees`` clockwise from above, or None for no shade."""
        degrees = given.get("degrees")
        return {"degrees": None if degrees is None else check_number(degrees) % 360}

    def apply(self, edits: PageEdits, act: Values) -> PageEdits:
        """The latest light counts."""
        return replace(edits, light=act["degrees"])


KINDS: tuple[ActKind, ...] = (
    Set(),
    Stroke(),
    Dots(),
    Speck(),
    Specks(),
    Letter(),
    Checked(),
    Open(),
    Bridge(),
    Bridges(),
    Join(),
    Split(),
    Dye(),
    Sweep(),
    Light(),
    Name(),
    Book(),
)
_BY_NAME = {kind.name: kind for kind in KINDS}
_IN_LOGS = _BY_NAME | {name: kind for kind in KINDS for name in kind.older}


def check_act(act: object) -> dict[str, Any]:
    """Return the act with nothing but what it may hold.

    Raises:
        UsageError: it is none of the acts, or its values make no sense.
    """
    if not isinstance(act, dict):
        raise UsageError("this is not an edit")
    kind = _BY_NAME.get(str(act.get("kind")))
    if kind is None:
        raise UsageError("this edit is unknown")
    return {"kind": kind.name, **kind.check(act)}


def apply_acts(acts: Sequence[Values], start: PageEdits) -> PageEdits:
    """Return what ``acts`` (each checked) make of ``start``."""
    edits = start
    for act in acts:
        edits = _IN_LOGS[act["kind"]].apply(edits, act)
    return edits


def _with_bridges(edits: PageEdits, cubics: Sequence[Sequence[Sequence[float]]]) -> PageEdits:
    laid = list(edits.flats.bridges)
    for cubic in cubics:
        a, b, c, d = (point(row) for row in cubic)
        laid.append((a, b, c, d))
    return replace(edits, flats=replace(edits.flats, bridges=tuple(laid)))


def _near(cubic: Sequence[tuple[float, float]], at: tuple[float, float]) -> bool:
    """Whether a bridge passes a place."""
    t = np.linspace(0, 1, 25)[:, None]
    a, b, c, d = (np.array(point) for point in cubic)
    line = (1 - t) ** 3 * a + 3 * (1 - t) ** 2 * t * b + 3 * (1 - t) * t**2 * c + t**3 * d
    return bool((np.hypot(*(line - np.array(at)).T) < OPENED_MM).any())
