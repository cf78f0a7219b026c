"""Pages whose colours in the book changed: their colour files are written anew, not split again."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from secrets import token_hex
from time import perf_counter
from typing import Any

import numpy as np

from inkclean.base.arrays import U8
from inkclean.base.errors import InputError, OutputError
from inkclean.deliver.book_file import read_book
from inkclean.deliver.files import moves_record, placed_together
from inkclean.deliver.flats_recolour import RECOLOURED, colouring_after, recolour_files
from inkclean.deliver.flats_record import colours_record, edits_record, read_edits
from inkclean.deliver.flats_set import ENDINGS, result_hash
from inkclean.deliver.layers.folder import into_place
from inkclean.flats.colour.book import BookColours
from inkclean.flats.colour.colours import Colouring
from inkclean.flats.colour.hints import Hints
from inkclean.jobs.batch import FileTask, Outcome, outcome_of
from inkclean.jobs.colours.palettes import palette_of, palette_record
from inkclean.jobs.flat_pages import order_hash_of
from inkclean.jobs.inputs import TICKET
from inkclean.jobs.reports import Report
from inkclean.jobs.ticket import Ticket, read_ticket, ticket_text

_FLATS = "flats"
_NEED_MB = 400.0  # of an A4 page at 300 dpi
_AS_LONG_AS_MP = 3.0


@dataclass(frozen=True)
class ColourChange:
    """A colour of the page, by its name and ``#rrggbb`` before and after."""

    name: str
    colour: str
    before: str
    colour_before: str


@dataclass(frozen=True, kw_only=True)
class RecolourReport(Report):
    """What became of a page: which of its colours changed; ``seconds`` it took."""

    changes: tuple[ColourChange, ...]
    refers: int
    seconds: float

    def json(self) -> dict[str, Any]:
        """Return the report as ``--json`` prints it."""
        return {
            **super().json(),
            "changes": [asdict(change) for change in self.changes],
            "refers": self.refers,
            "seconds": round(self.seconds, 3),
        }


@dataclass(frozen=True)
class RecolourJob(FileTask[Path | None]):
    """One ticket whose page is to follow the book's colours; the order is the file of them."""

    def run(self) -> Outcome:
        """Write the page's colours anew; a failure is told in the outcome, never raised."""
        return outcome_of(
            self.source,
            lambda log: log.reports.append(recolour_page(self.path, self.order, self.replace)),
        )

    def need_mb(self) -> float:
        """Return about the memory in MB that a page takes."""
        return _NEED_MB

    def megapixels(self) -> float:
        """Return about how many megapixels of photo would take as long to clean."""
        return _AS_LONG_AS_MP


def gather_tickets(paths: Sequence[Path]) -> list[Path]:
    """Return the tickets given, and those in folders that were.

    Raises:
        InputError: a folder has none, or something else is given.
    """
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            there = sorted(path.glob(f"*{TICKET}"))
            if not there:
                raise InputError(f"{path} has no ticket; run inkclean flats first")
            found += there
        elif path.name.endswith(TICKET):
            found.append(path)
        else:
            raise InputError(f"{path} is no ticket; give NAME{TICKET} or a folder of them")
    return list(dict.fromkeys(found))


def recolour_page(path: Path, palette: Path | None, replace_old: bool = False) -> RecolourReport:
    """Bring a page's colour files to the book's colours; the ticket goes along.

    Without ``palette`` the book's colours are those that the ticket names. A file that somebody
    changed since is not written over without ``replace_old``.

    Raises:
        InkcleanError: says in one line what stands in the way; all stays as it was.
    """
    begun = perf_counter()
    ticket = read_ticket(path)
    measured = ticket.measured.get(_FLATS)
    if not isinstance(measured, Mapping):
        raise InputError(f"{path} has no areas yet; run inkclean flats first")
    book_path = palette_of(palette, path, ticket.edits)
    if book_path is None:
        named = palette_record(None, path, ticket.edits).get("palette")
        if named is None:
            raise InputError(f"{path} names no file of the book's colours; give --palette")
        raise InputError(f"{path}: the book's colours, {named}, are not there; give --palette")
    book = read_book(book_path)
    before = _colouring(path, measured)
    names, colours, refers = _followed(before, book)
    after, row_of = colouring_after(before, names, colours, refers)
    changes = tuple(_changes(before, after, row_of.tolist()))
    outputs: dict[str, Path] = {}
    told = sum(map(bool, after.book))
    if changes or after.book != before.book:
        outputs = _write(path, ticket, before, after, row_of.tolist(), replace_old)
        _keep(path, ticket, book, book_path, after, outputs)
    return RecolourReport(
        input=str(path),
        outputs={kind: str(output) for kind, output in outputs.items()},
        done_before=not changes,
        changes=changes,
        refers=told,
        seconds=perf_counter() - begun,
    )


def _colouring(path: Path, measured: Mapping[str, Any]) -> Colouring:
    """Return the page's colours as its ticket keeps them."""
    try:
        rows = measured["colours"]
        palette = [list(bytes.fromhex(row["colour"][1:])) for row in rows]
        of_area = [0, *(int(area["colour"]) for area in measured["areas"])]
        book = tuple(str(row.get("book", "")) for row in rows)
        names = tuple(str(row["name"]) for row in rows)
        if max(of_area) >= len(rows):
            raise ValueError
        colours = np.array(palette, np.uint8).reshape(-1, 3)
        return Colouring(colours, names, np.array(of_area, np.uint8), book)
    except (KeyError, TypeError, ValueError, AttributeError):
        raise InputError(f"{path} keeps no sound colours; run inkclean flats again") from None


def _followed(before: Colouring, book: BookColours) -> tuple[list[str], U8, list[str]]:
    """Return name, colour and reference of each row as the book has them now."""
    count = len(before.names)
    rows = Hints(
        np.zeros((count, 2)), np.arange(count, dtype=np.int32), before.palette, before.names
    )
    found = book.followed(replace(rows, book=before.book))
    names, refers = list(found.names), list(found.book)
    colours = found.colours.copy()
    names[0], refers[0], colours[0] = before.names[0], "", before.palette[0]
    return names, colours, refers


def _changes(before: Colouring, after: Colouring, row_of: Sequence[int]) -> Iterator[ColourChange]:
    from inkclean.base.colour import as_hex

    for row in before.used:
        to = row_of[row]
        old, new = as_hex(before.palette[row]), as_hex(after.palette[to])
        if (old, before.names[row]) != (new, after.names[to]):
            yield ColourChange(after.names[to], new, before.names[row], old)


def _write(
    path: Path,
    ticket: Ticket,
    before: Colouring,
    after: Colouring,
    row_of: Sequence[int],
    replace_old: bool,
) -> dict[str, Path]:
    name, folder = path.name.removesuffix(TICKET), path.parent
    files = {kind: folder / (name + ENDINGS[kind]) for kind in ("areas", *RECOLOURED)}
    there = {kind: file for kind, file in files.items() if file.exists()}
    if not there.keys() & set(RECOLOURED) - {"flats_proof"}:
        return {}  # the desk left a ticket and no colour files: it alone follows
    if "areas" not in there:
        raise InputError(f"{files['areas']} is not there; run inkclean flats again")
    untouched = True
    for kind, file in there.items():
        same = result_hash(file) == ticket.results.get(kind)
        untouched &= same
        if not replace_old and not same:
            raise OutputError(
                f"{file} was changed since it was written; move it away and run inkclean flats "
                "again, or add --replace to write over it"
            )
    sizes = [float(area["size_mm2"]) for area in ticket.measured[_FLATS]["areas"]]
    outputs = {kind: file for kind, file in there.items() if kind != "areas"}
    files = {kind: file for kind, file in outputs.items() if kind != "layers"}
    draft = folder / f".{name}{ENDINGS['layers']}.{token_hex(4)}.part"
    try:
        with placed_together(files, True, moves_record(folder, name)) as drafts:
            pairs = {kind: (files[kind], drafts[kind]) for kind in files}
            if "layers" in outputs:
                pairs["layers"] = outputs["layers"], draft
            recolour_files(before, after, row_of, sizes, there["areas"], pairs, untouched)
        if "layers" in outputs:
            into_place(draft, outputs["layers"])
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    return outputs


def _keep(
    path: Path,
    ticket: Ticket,
    book: BookColours,
    palette: Path,
    after: Colouring,
    outputs: Mapping[str, Path],
) -> None:
    """Note in the ticket what its colours are now."""
    from inkclean.deliver.files import placed

    edits, hints = read_edits(ticket.edits.get(_FLATS, {}))
    if hints is not None:
        hints = book.followed(hints)
    record = edits_record(edits, hints) | palette_record(palette, path, ticket.edits)
    measured = dict(ticket.measured[_FLATS])
    rows = after.of_area[1:].tolist()
    measured["colours"] = colours_record(after)
    measured["areas"] = [
        {**area, "colour": row} for area, row in zip(measured["areas"], rows, strict=True)
    ]
    results = {**ticket.results, **{kind: result_hash(file) for kind, file in outputs.items()}}
    ticket = replace(ticket, edits={**ticket.edits, _FLATS: record}, results=results)
    run = measured.get("run")
    if isinstance(run, Mapping) and isinstance(run.get("settings"), Mapping):
        found = {**run.get("found", {}), "colours": [after.names[row] for row in after.used]}
        order = order_hash_of(run["settings"], ticket)
        measured["run"] = {**run, "order": order, "found": found}
    ticket = replace(ticket, measured={**ticket.measured, _FLATS: measured})
    with placed(path, True) as draft:
        draft.write_text(ticket_text(ticket), "utf-8")
