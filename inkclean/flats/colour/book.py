"""The colours of a book: names that pages refer to, so that a colour is changed in one place."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from inkclean.base.colour import as_hex
from inkclean.base.errors import UsageError
from inkclean.flats.colour.palette import colour_name

if TYPE_CHECKING:
    from inkclean.flats.colour.hints import Hints


@dataclass(frozen=True)
class BookColour:
    """A colour of the book: its ``name``, and ``colour`` as ``#rrggbb``.

    ``was`` are names that it had before, or those of colours merged into it: pages that refer to
    them still find it. One that is ``gone`` is offered no more, but pages keep it.
    """

    name: str
    colour: str
    was: tuple[str, ...] = ()
    gone: bool = False


@dataclass(frozen=True)
class BookColours:
    """All colours of a book, in their order; no two names alike, whatever their case."""

    colours: tuple[BookColour, ...] = ()

    def find(self, name: str) -> BookColour | None:
        """Return the colour of that name, else the one that was called so before."""
        if not name:
            return None
        word = name.casefold()
        for colour in self.colours:
            if colour.name.casefold() == word:
                return colour
        for colour in self.colours:
            if word in (old.casefold() for old in colour.was):
                return colour
        return None

    def of_colour(self, colour: str) -> BookColour | None:
        """Return the one colour of that ``#rrggbb`` that is offered; None if none or several."""
        found = [one for one in self.colours if one.colour == colour and not one.gone]
        return found[0] if len(found) == 1 else None

    def followed(self, hints: Hints) -> Hints:
        """Return the dabs in the colours that the book gives the names they refer to.

        What the book does not hold keeps the colour it had. Dabs that refer to nothing yet refer
        to the book's colour of their name, unless that name was made up for them.
        """
        refers = list(hints.book or ("",) * len(hints.names))
        colours, names = hints.colours.copy(), list(hints.names)
        for number, name in enumerate(names):
            asked = refers[number]
            if not asked:
                plain = name.rstrip("0123456789").strip()
                asked = "" if plain == colour_name(hints.colours[number]) else name
                if not name:
                    same = self.of_colour(as_hex(hints.colours[number]))
                    asked = same.name if same else ""
            found = self.find(asked)
            if found is not None:
                refers[number] = names[number] = found.name
                colours[number] = list(bytes.fromhex(found.colour[1:]))
        return replace(
            hints, colours=np.asarray(colours, np.uint8), names=tuple(names), book=tuple(refers)
        )

    def changed(self, out: Sequence[BookColour], into: Sequence[BookColour]) -> BookColours:
        """Return the book with the colours ``out`` replaced by ``into``, in the place of the first.

        Nothing else changes: what somebody else did meanwhile to other colours stays.

        Raises:
            UsageError: one of ``out`` is not there any more, or a name would be taken twice.
        """
        for colour in out:
            if colour not in self.colours:
                raise UsageError(
                    f"the book's colour '{colour.name}' was changed meanwhile; look at it again"
                )
        place = min((self.colours.index(colour) for colour in out), default=len(self.colours))
        before = [colour for colour in self.colours[:place] if colour not in out]
        after = [colour for colour in self.colours[place:] if colour not in out]
        made = BookColours((*before, *into, *after))
        check_book(made.colours)
        return made


def check_book(colours: Iterable[BookColour]) -> None:
    """Refuse a book in which a name means two colours.

    Raises:
        UsageError: a name is taken, or was that of another colour, to which pages still refer.
    """
    taken: set[str] = set()
    colours = tuple(colours)
    for colour in colours:
        word = colour.name.casefold()
        if word in taken:
            raise UsageError(f"the book has two colours called '{colour.name}'; rename one")
        taken.add(word)
    for colour in colours:
        for old in colour.was:
            word = old.casefold()
            if word in taken and word != colour.name.casefold():
                raise UsageError(
                    f"'{old}' is what '{colour.name}' was called before; choose another name"
                )
