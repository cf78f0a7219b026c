"""What a hand may do with colours: of areas, of the page, of the book."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from inkclean.base.errors import InputError, UsageError
from inkclean.deliver.book_file import entry, entry_json
from inkclean.desk.edits import (
    LONGEST_NAME,
    ActKind,
    Dab,
    PageEdits,
    Values,
    check_colour,
    check_points,
    point,
)
from inkclean.flats.colour.book import BookColour


class Dye(ActKind):
    """An area given a colour."""

    name = "dab"

    def check(self, given: Values) -> dict[str, Any]:
        """``at``: x, y in mm; ``colour`` as ``#rrggbb``; its ``name``, cut to a length.

        ``book`` is the name of the book's colour that it refers to, if it does.
        """
        wrong = "a dab needs a colour as #rrggbb"
        colour, name = check_colour(given.get("colour"), given.get("name", ""), wrong)
        at = check_points([given.get("at")], 2)[0]
        return {"at": at, "colour": colour, "name": name[:LONGEST_NAME], **_book(given)}

    def apply(self, edits: PageEdits, act: Values) -> PageEdits:
        """The latest colour of an area counts."""
        return replace(edits, dabs=(*edits.dabs, _dab(act["at"], act)))


class Sweep(ActKind):
    """Several areas given a colour, in one go."""

    name = "sweep"

    def check(self, given: Values) -> dict[str, Any]:
        """``points``: one in each area, x, y in mm; ``colour`` and ``name`` as of a dab."""
        wrong = "a dab needs a colour as #rrggbb"
        colour, name = check_colour(given.get("colour"), given.get("name", ""), wrong)
        points = check_points(given.get("points"), 2)
        return {"points": points, "colour": colour, "name": name[:LONGEST_NAME], **_book(given)}

    def apply(self, edits: PageEdits, act: Values) -> PageEdits:
        """The latest colour of an area counts."""
        dabs = [_dab(place, act) for place in act["points"]]
        return replace(edits, dabs=(*edits.dabs, *dabs))


class Name(ActKind):
    """A colour given another name."""

    name = "name"

    def check(self, given: Values) -> dict[str, Any]:
        """``colour`` as ``#rrggbb``, and its ``name``."""
        wrong = "a name needs a colour as #rrggbb"
        colour, name = check_colour(given.get("colour"), given.get("name"), wrong)
        name = " ".join(name.split())[:LONGEST_NAME]
        if not name or not name.isprintable():
            raise UsageError("a colour's name must be a few letters")
        return {"colour": colour, "name": name}

    def apply(self, edits: PageEdits, act: Values) -> PageEdits:
        """The latest name of a colour counts."""
        return replace(edits, names={**edits.names, act["colour"]: act["name"]})


class Book(ActKind):
    """Colours of the book changed, added, renamed, merged, or offered no more."""

    name = "book"
    most = 250

    def check(self, given: Values) -> dict[str, Any]:
        """``out``, colours of the book as they were, and ``into``, those that take their place.

        ``bind`` is a colour of the page, ``#rrggbb``, that the first of ``into`` stands for.
        """
        found: dict[str, Any] = {}
        for side in ("out", "into"):
            rows = given.get(side, [])
            if not isinstance(rows, list) or len(rows) > self.most:
                raise UsageError("a change of the book's colours needs lists of them")
            try:
                found[side] = [entry_json(entry(row, n)) for n, row in enumerate(rows, 1)]
            except InputError as error:
                raise UsageError(str(error)) from None
        if not found["out"] and not found["into"]:
            raise UsageError("a change of the book's colours needs lists of them")
        if given.get("bind") is not None and found["into"]:
            found["bind"] = check_colour(given["bind"], "", "a colour of the page is missing")[0]
        return found

    def apply(self, edits: PageEdits, act: Values) -> PageEdits:
        """A colour of the page refers to the book; the book itself is not the page's."""
        if "bind" not in act:
            return edits
        first = act["into"][0]
        bound = {**edits.bound, act["bind"]: (first["name"], first["colour"])}
        return replace(edits, bound=bound)


def entries(rows: Sequence[Values]) -> list[BookColour]:
    """Return the colours that an act of the book holds (checked)."""
    return [entry(row, number) for number, row in enumerate(rows, 1)]


def _book(given: Values) -> dict[str, str]:
    name = given.get("book", "")
    if not isinstance(name, str):
        raise UsageError("the name of a book's colour must be text")
    return {"book": name[:LONGEST_NAME]} if name else {}


def _dab(at: Sequence[float], act: Values) -> Dab:
    x, y = point(at)
    plain = (x, y, act["colour"], act["name"])
    return (*plain, act["book"]) if "book" in act else plain
