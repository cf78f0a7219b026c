"""The page's colours on the desk: as dabbed, the others as they were given first."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from inkclean.base.colour import as_hex
from inkclean.desk.edits import Dab
from inkclean.flats.colour.colours import Colouring
from inkclean.flats.colour.hints import Hints
from inkclean.flats.colour.palette import MUTED, unlike
from inkclean.flats.values import FIGURE, FlatEdits, Flats
from inkclean.page import Page


def hints_of(
    page: Page,
    dabs: tuple[Dab, ...],
    first: Path,
    names: Mapping[str, str],
    bound: Mapping[str, tuple[str, str]],
) -> Hints | None:
    """Return one dab an area: the latest by hand, else the colour the page was given first.

    The colours given first are kept in ``first``, so that a bridge laid later leaves the rest
    of the page as it was; ``names`` are those that colours (``#rrggbb``) were given by hand,
    ``bound`` the names and colours of the book that stand for some. None where nobody dabbed,
    named or bound, nor changed an area. Until the page is given the hints, it has none.
    """
    page.change(hints=None)
    by_hand = bool(dabs or names or bound)
    if not by_hand and page.asked.flat_edits == FlatEdits():
        first.write_text(json.dumps(_first(page)), "utf-8")
        return None
    try:
        before: list[Dab] = [tuple(row) for row in json.loads(first.read_text("utf-8"))]
    except (OSError, ValueError):
        before = _first(page)
        first.write_text(json.dumps(before), "utf-8")
    chosen: dict[int, Dab] = {}
    flats = page.flats()
    # the largest come first, so that swatches stay in their order when somebody dabs
    for dab in before:
        chosen.setdefault(_label_under(flats, *dab[:2]), dab)
    chosen.update((_label_under(flats, *dab[:2]), dab) for dab in dabs)
    chosen.pop(0, None)
    paper = {label for label, dab in chosen.items() if not dab[2]}
    chosen = {
        label: _called(dab, names, bound) for label, dab in chosen.items() if label not in paper
    }
    if not by_hand:
        _add_unlike(chosen, flats, before, paper)
    if not chosen:
        return None
    book = tuple(dab[4] if len(dab) == 5 else "" for dab in chosen.values())
    return Hints(
        np.array([dab[:2] for dab in chosen.values()], np.float64).reshape(-1, 2),
        np.arange(len(chosen), dtype=np.int32),
        np.array([list(bytes.fromhex(d[2][1:])) for d in chosen.values()], np.uint8).reshape(-1, 3),
        tuple(dab[3] for dab in chosen.values()),
        book=book if any(book) else (),
    )


def _label_under(flats: Flats, x: float, y: float) -> int:
    """Return the area at a place (mm), 0 for none."""
    height, width = flats.labels.shape
    column = min(max(int(x * flats.px_per_mm), 0), width - 1)
    row = min(max(int(y * flats.px_per_mm), 0), height - 1)
    return int(flats.labels[row, column])


def _add_unlike(
    chosen: dict[int, Dab], flats: Flats, first: list[Dab], paper: set[int] | None = None
) -> None:
    """Give areas that came by an edit a colour that none beside them has, in place.

    It is one of the page's, as given ``first``, if it can be. Where there is none, they get what
    lies along the least of their edge. Gutter and background are paper, but beside paper, and so
    is what was ``paper`` before. An area so thin that its own point lies in another gets none: a
    dab there would split the other.
    """
    names = dict(dab[2:4] for dab in first if dab[2])
    for other in MUTED:
        names.setdefault(hex_of(other), "")
    beside: dict[int, list[tuple[int, float]]] = defaultdict(list)
    for a, b, edge_mm in flats.neighbours[["a", "b", "edge_mm"]].tolist():
        beside[a].append((b, edge_mm))
        beside[b].append((a, edge_mm))
    paper = set(paper or ())
    kinds, size = flats.areas["kind"], flats.areas["size_mm2"]
    for label in (np.lexsort((-size, -kinds.astype(int))) + 1).tolist():
        if label in chosen or label in paper:
            continue
        if kinds[label - 1] != FIGURE and not any(near in paper for near, _ in beside[label]):
            paper.add(label)
            continue
        met = dict.fromkeys(names, 0.0)
        for near, edge_mm in beside[label]:
            if near in chosen:
                met[chosen[near][2]] += edge_mm
        best = min(names, key=lambda colour: met[colour])
        x, y = (float(flats.areas[name][label - 1]) for name in ("x_mm", "y_mm"))
        if _label_under(flats, x, y) == label:
            chosen[label] = x, y, best, names[best]


def _called(dab: Dab, names: Mapping[str, str], bound: Mapping[str, tuple[str, str]]) -> Dab:
    """Return a dab under the name, and in the colour, that its own colour stands for."""
    x, y, colour, name, *refers = dab
    if refers:
        return dab
    if colour in bound:
        called, now = bound[colour]
        return x, y, now, called, called
    return x, y, colour, names.get(colour, name)


def named(colouring: Colouring, names: Mapping[str, str]) -> Colouring:
    """Return the colours under the names that were given by hand, by ``#rrggbb``.

    The book's keep theirs.
    """
    book = colouring.book or ("",) * len(colouring.names)
    given = [
        name if refers else names.get(hex_of(colour), name)
        for colour, name, refers in zip(colouring.palette, colouring.names, book, strict=True)
    ]
    return replace(colouring, names=unlike(given))


def hex_of(colour: np.ndarray[tuple[int, ...], np.dtype[np.uint8]]) -> str:
    """Return an sRGB colour (3,) uint8 as ``#rrggbb``."""
    return as_hex(colour)


def _first(page: Page) -> list[Dab]:
    """Return a dab an area, of the colour that it gets when nobody gives any, "" for paper.

    The largest come first: of areas that an edit makes one, the largest gives the colour.
    """
    flats, colouring = page.flats(), page.colouring
    areas, rows = flats.areas, colouring.of_area[1:]
    return [
        (
            round(float(areas["x_mm"][k]), 3),
            round(float(areas["y_mm"][k]), 3),
            hex_of(colouring.palette[rows[k]]) if rows[k] else "",
            colouring.names[rows[k]] if rows[k] else "",
        )
        for k in np.argsort(-areas["size_mm2"], kind="stable").tolist()
    ]
