"""The book's colours in a file: JSON, or a table as CSV."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from inkclean.base.errors import InputError, UsageError
from inkclean.deliver.files import placed
from inkclean.flats.colour.book import BookColour, BookColours, check_book

PALETTE = "palette.json"  # what the desk calls it, beside the pages
LONGEST_NAME = 40
_MOST = 250  # colours: a palette PNG holds no more, and the paper
_MOST_BYTES = 1 << 20
_HEX = re.compile(r"#?([0-9a-fA-F]{6})")
_WANTED = "write name and colour as #RRGGBB for each"


def read_book(path: Path) -> BookColours:
    """Return the book's colours.

    JSON is ``{"colours": [{"name": …, "colour": "#RRGGBB"}, …]}``, that list alone, or an object
    of names and colours; CSV a table with a header. Both may have ``was``, earlier names (in CSV
    parted by semicolons), and JSON ``gone``.

    Raises:
        InputError: the file cannot be read, or does not say what it should.
    """
    try:
        body = path.read_bytes()
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError(f"{path} could not be read ({reason}); check --palette") from error
    try:
        if len(body) > _MOST_BYTES:
            raise InputError("it is too large for a list of colours")
        rows = _rows(body.decode("utf-8-sig"), path.suffix.lower())
        if len(rows) > _MOST:
            raise InputError(f"{len(rows)} colours are too many; keep {_MOST}")
        found = BookColours(tuple(entry(row, number) for number, row in enumerate(rows, 1)))
        check_book(found.colours)
    except UnicodeDecodeError:
        raise InputError(f"{path}: neither JSON nor CSV; {_WANTED}") from None
    except (InputError, UsageError) as error:
        raise InputError(f"{path}: {error}") from None
    return found


def write_book(book: BookColours, path: Path) -> None:
    """Write the book's colours as JSON, a colour a line, over what is there.

    Raises:
        OutputError: it cannot be written.
    """
    rows = ",\n".join(f"  {json.dumps(entry_json(c), ensure_ascii=False)}" for c in book.colours)
    with placed(path, True) as draft:
        draft.write_text(f'{{"kind": "inkclean palette", "colours": [\n{rows}\n]}}\n', "utf-8")


def entry_json(colour: BookColour) -> dict[str, Any]:
    """Return a colour as the file holds it."""
    return {
        "name": colour.name,
        "colour": colour.colour,
        **({"was": list(colour.was)} if colour.was else {}),
        **({"gone": True} if colour.gone else {}),
    }


def entry(row: object, number: int) -> BookColour:
    """Return the colour that a row gives; ``number`` is the row's, from 1.

    Raises:
        InputError: it has no name or colour.
    """
    if not isinstance(row, Mapping):
        raise InputError(f"colour {number} has no name; {_WANTED}")
    name = _name(row.get("name"))
    if not name:
        raise InputError(f"colour {number} has no name; {_WANTED}")
    match = _HEX.fullmatch(str(row.get("colour") or "").strip())
    if match is None:
        raise InputError(f"colour {number} ('{name}') has no colour; {_WANTED}")
    was = row.get("was") or ()
    was = was.split(";") if isinstance(was, str) else was
    old = [_name(word) for word in was] if isinstance(was, list | tuple) else []
    gone = row.get("gone") is True
    return BookColour(name, f"#{match[1].lower()}", tuple(word for word in old if word), gone)


def _name(value: object) -> str:
    text = "".join(c if c.isprintable() else " " for c in str(value or ""))
    return " ".join(text.split())[:LONGEST_NAME]


def _rows(text: str, suffix: str) -> list[Any]:
    if suffix == ".json" or text.lstrip().startswith(("[", "{")):
        try:
            found = json.loads(text)
        except (ValueError, RecursionError) as error:
            raise InputError(f"this is not JSON ({error}); {_WANTED}") from None
        if isinstance(found, dict) and "colours" in found:
            found = found["colours"]
        elif isinstance(found, dict):
            found = [{"name": name, "colour": colour} for name, colour in found.items()]
        if not isinstance(found, list):
            raise InputError(f"the JSON is no list of colours; {_WANTED}")
        return found
    table = csv.DictReader(io.StringIO(text), skipinitialspace=True)
    if not {"name", "colour"} <= set(table.fieldnames or ()):
        raise InputError(f"the table has no columns name and colour; {_WANTED}")
    return list(table)
