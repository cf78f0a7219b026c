"""What a cleaned page leaves on the disk, and what is reported of it."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from inkclean import __version__
from inkclean.base.arrays import F32, Bool
from inkclean.base.errors import InputError, OutputError, UsageError
from inkclean.base.tiles import both
from inkclean.deliver.files import check_free, moves_record, placed_together
from inkclean.deliver.pictures import bitmap
from inkclean.deliver.resolution import colour_dpi, fitted
from inkclean.flats.lettering.edits import letter_edits_record, read_letter_edits
from inkclean.flats.lettering.values import Part
from inkclean.ink.edits import ink_edits_record, read_ink_edits
from inkclean.ink.values import Ink
from inkclean.ink.width import thin_line_mm, typical_line_mm
from inkclean.jobs.reports import BookLine, CleanReport, report_from, report_of, rounded
from inkclean.jobs.ticket import Other, Ticket, file_hash, json_text, read_ticket, ticket_text
from inkclean.settings import Settings

if TYPE_CHECKING:
    from inkclean.page import Page

ENDINGS = {
    "ink": ".ink.png",
    "svg": ".svg",
    "lines": ".lines.png",
    "pencil": ".pencil.png",
    "grey": ".grey.png",
    "lettering": ".lettering.png",
    "balloons": ".balloons.png",
    "art": ".art.png",
    "tiff": ".ink.tiff",
    "pdf": ".pdf",
    "proof": ".proof.png",
    "ticket": ".ticket.json",
}
_T = TypeVar("_T", bound=np.generic)
ALWAYS = ("ink", "svg", "ticket")
# What the ink is split into: the one kind brings the others, together they are the ink.
PARTS: dict[str, Part] = {"lettering": "text", "balloons": "balloons", "art": "art"}
# What is drawn of the ink alone, and what is made before its curves.
_OF_INK = ("ink", "tiff")
_BEFORE_CURVES = ("sheet", "capture", "ink", "photo")
ALSO = tuple(kind for kind in ENDINGS if kind not in ALWAYS)


@dataclass(frozen=True)
class Evening:
    """The typical line that a page gets for its book, and the one it has by itself, in mm."""

    line_mm: float
    natural_mm: float


@dataclass(frozen=True)
class Order:
    """What is to be made of a photo: the settings and the extra kinds of result.

    ``evening`` is how this page's ink is brought to the weight of its book.
    """

    settings: Settings
    also: tuple[str, ...] = ()
    evening: Evening | None = None

    @property
    def keep_pencil(self) -> bool:
        """Tell whether a result shows the underdrawing."""
        return bool({"pencil", "proof"} & set(self.also))

    @property
    def values(self) -> tuple[str, ...]:
        """What a page must make for the results, by the names of the chain's table."""
        made = ("sheet", "capture", "ink", "curves")
        more = ("strokes",) if self.settings.strokes else ()
        more = (*more, "photo") if "proof" in self.also else more
        return (*made, *more, "lettering") if PARTS.keys() & set(self.also) else (*made, *more)

    @property
    def kinds(self) -> tuple[str, ...]:
        """All kinds of result, in the order in which they are written."""
        return tuple(kind for kind in ENDINGS if kind in ALWAYS or kind in self.also)


@dataclass(frozen=True)
class Origin:
    """The file a page came from, its SHA-256, and which picture of it, from 1.

    ``passing`` says that the file stands there for the moment only: no ticket names its folder.
    ``others`` are more photos of the same page, with their SHA-256, ``newer`` those made later,
    in place of the others.
    """

    path: Path
    sha256: str
    page: int
    passing: bool = False
    others: tuple[tuple[Path, str], ...] = ()
    newer: tuple[tuple[Path, str], ...] = ()

    def others_from(self, results: Path) -> tuple[Other, ...]:
        """Return the other photos as a ticket among the results names them."""
        return tuple(
            Other(
                (Path(replace(self, path=path).folder_from(results)) / path.name).as_posix(),
                sha256,
                newer,
            )
            for group, newer in ((self.others, False), (self.newer, True))
            for path, sha256 in group
        )

    def same(self, ticket: Ticket) -> bool:
        """Tell whether a ticket is of the same photo, or the same photos."""
        mine = [(sha256, False) for _, sha256 in self.others]
        mine += [(sha256, True) for _, sha256 in self.newer]
        others = [(other.sha256, other.newer) for other in ticket.others]
        return ticket.sha256 == self.sha256 and ticket.page == self.page and others == mine

    def fits(self, ticket: Ticket) -> bool:
        """Tell whether what was done by hand lies on this page where it was done.

        Places on a page joined from several photos are none of its first photo's; a newer photo
        is laid over the older, and moves none.
        """
        joined = [other.sha256 for other in ticket.others if not other.newer]
        return not joined or joined == [sha256 for _, sha256 in self.others]

    def folder_from(self, results: Path) -> str:
        """Return the way from the folder of the results to the photo's; empty if they are one."""
        photo, results = self.path.parent.resolve(), results.resolve()
        if self.passing or photo == results:
            return ""
        try:
            return Path(os.path.relpath(photo, results)).as_posix()
        except ValueError:  # on another drive
            return photo.as_posix()


@dataclass(frozen=True)
class Target:
    """Where the results of one page go: ``folder / (name + ending)``."""

    folder: Path
    name: str
    replace: bool

    def path(self, kind: str) -> Path:
        """Return the path of one kind of result."""
        return self.folder / (self.name + ENDINGS[kind])

    def check(self, kinds: Sequence[str]) -> None:
        """Refuse, before any work is done, if a result already exists.

        Raises:
            OutputError: one of the files is there and may not be replaced.
        """
        for kind in kinds:
            check_free(self.path(kind), self.replace)


def parse_also(text: str) -> tuple[str, ...]:
    """Return the kinds named in a list like ``lines,grey``.

    Raises:
        UsageError: a kind is unknown.
    """
    kinds = [part.strip().lower() for part in text.split(",") if part.strip()]
    for kind in kinds:
        if kind not in ALSO:
            raise UsageError(f"--also '{kind}' is unknown; choose from {', '.join(ALSO)}")
    if "lettering" in kinds:
        kinds += PARTS
    return tuple(dict.fromkeys(kinds))


def done_before(order: Order, origin: Origin, target: Target) -> CleanReport | None:
    """Return the report of a page that is already finished and unchanged, else None.

    Finished means: its ticket was written by this version for the same photo and settings,
    and every result asked for is there as it was left.
    """
    try:
        ticket = read_ticket(target.path("ticket"))
        same = (
            ticket.version == __version__
            and origin.same(ticket)
            and ticket.settings == order.settings
            and _ink_of(ticket).get("mended") == _mended(ticket.edits)
            and (order.evening is None or _evened(ticket) == order.evening.line_mm)
        )
        kinds = [kind for kind in order.kinds if kind != "ticket"]
        if not same or any(
            kind not in ticket.results or file_hash(target.path(kind)) != ticket.results[kind]
            for kind in kinds
        ):
            return None
        outputs = {kind: str(target.path(kind)) for kind in order.kinds}
        return report_from(ticket.measured, str(origin.path), outputs)
    except (InputError, ValueError):
        return None


def edits_kept(origin: Origin, target: Target) -> Mapping[str, Any]:
    """Return the edits by hand in the ticket that stands for the same page; else none.

    Work by hand outlives the results: a page cleaned anew, with other settings or by a newer
    version, gets its edits again.

    Raises:
        OutputError: there are edits, of a page joined from this photo and others.
    """
    try:
        ticket = read_ticket(target.path("ticket"))
    except InputError:  # none, or no sound one: it is refused or replaced with the results
        return {}
    if (ticket.sha256, ticket.page) != (origin.sha256, origin.page):
        return {}
    if not origin.fits(ticket) and _any(ticket.edits):
        raise OutputError(
            f"{target.name} keeps work by hand on a page joined from several photos. "
            f"{origin.path.name} alone is not that page: take them all, or choose another folder"
        )
    return ticket.edits


def _any(record: Any) -> bool:
    """Tell whether a record of edits holds any."""
    return any(map(_any, record.values())) if isinstance(record, Mapping) else bool(record)


def by_hand(edits: Mapping[str, Any]) -> dict[str, Any]:
    """Return a ticket's edits of the ink and its lettering as a page is asked for them.

    Raises:
        InputError: a value is not what a ticket holds.
    """
    return {
        "ink_edits": read_ink_edits(edits.get("ink", {})),
        "letter_edits": read_letter_edits(edits.get("lettering", {})),
    }


def _evened(ticket: Ticket) -> Any:
    """Return the line in mm that a page was brought to for its book, None if it was not."""
    return _ink_of(ticket).get("evened_mm")


def _ink_of(ticket: Ticket) -> Mapping[str, Any]:
    ink = ticket.measured.get("ink")
    return ink if isinstance(ink, Mapping) else {}


def _mended(edits: Mapping[str, Any]) -> str | None:
    """Return a hash of the edits in the ink and its lettering; None if there are none."""
    made = by_hand(edits)
    record = ink_edits_record(made["ink_edits"]) | letter_edits_record(made["letter_edits"])
    if not any(record.values()):
        return None
    return hashlib.sha256(json_text(record).encode("utf-8")).hexdigest()


def write_results(
    page: Page,
    order: Order,
    origin: Origin,
    target: Target,
    edits: Mapping[str, Any] | None = None,
) -> CleanReport:
    """Make and write what was asked for, the ticket last, and return the report of the page.

    What the ink alone gives is drawn while its curves are found. ``edits`` are those made by
    hand, which the ticket keeps.

    Raises:
        InkcleanError: the page cannot be used, or a file is taken or cannot be written; what was
            written before stays.
    """
    settings = order.settings
    page.bring(*(value for value in order.values if value in _BEFORE_CURVES))
    paths = {kind: target.path(kind) for kind in order.kinds}
    ink, writers = page.ink, _writers(page, settings)
    with placed_together(paths, target.replace, moves_record(target.folder, target.name)) as drafts:

        def draw(kinds: Sequence[str]) -> None:
            for kind in kinds:
                writers[kind](drafts[kind])

        def draw_ink() -> float | None:
            draw([kind for kind in _OF_INK if kind in drafts])
            return thin_line_mm(ink.coverage, ink.px_per_mm)

        with page.watch.stage("write"):
            rest = [kind for kind in drafts if kind not in (*_OF_INK, "svg", "ticket")]
            _, thinnest_mm = both(lambda: page.bring(*order.values), draw_ink)
            both(lambda: draw(["svg"]), lambda: draw(rest))
        outputs = {kind: str(path) for kind, path in paths.items()}
        book = _book_line(page, order.evening) if settings.even else None
        mended = _mended(edits or {})
        report = report_of(page, str(origin.path), outputs, mended, book, thinnest_mm)
        ticket = Ticket(
            photo=origin.path.name,
            folder=origin.folder_from(target.folder),
            sha256=origin.sha256,
            page=origin.page,
            settings=settings,
            measured=report.measured(),
            edits=edits or {},
            results={kind: file_hash(draft) for kind, draft in drafts.items() if kind != "ticket"},
            others=origin.others_from(target.folder),
        )
        drafts["ticket"].write_text(ticket_text(ticket), "utf-8")
    return report


def _book_line(page: Page, evening: Evening | None) -> BookLine:
    line_mm = rounded(typical_line_mm(page.ink.coverage, page.ink.px_per_mm))
    if evening is None:
        return BookLine(line_mm, line_mm, None)
    return BookLine(line_mm, evening.natural_mm, evening.line_mm)


def _at_dpi(drawn: Callable[[F32, float, float], NDArray[_T]], ink: Ink, dpi: float) -> NDArray[_T]:
    """Return the ink as ``drawn`` draws it, of a size that colour pixels divide evenly."""
    picture = drawn(ink.coverage, ink.px_per_mm, dpi)
    return fitted(picture, ink.coverage.shape, ink.px_per_mm, dpi)


def _writers(page: Page, settings: Settings) -> dict[str, Callable[[Path], None]]:
    ink, sheet = page.ink, page.sheet
    coarse = colour_dpi(settings.dpi)

    @cache
    def cut() -> Bool:
        return _at_dpi(bitmap.cut_at, ink, settings.dpi)

    def svg(path: Path) -> None:
        from inkclean.deliver.vector.svg import write_strokes_svg, write_svg

        about = f"Ink of {page.name}, cleaned by inkclean {__version__}"
        if settings.strokes:
            write_strokes_svg(page.strokes, path, title=page.name, description=about)
        else:
            write_svg(page.curves, path, title=page.name, description=about)

    def pdf(path: Path) -> None:
        from inkclean.deliver.vector.pdf import write_pdf

        write_pdf(page.curves, path, title=page.name)

    def proof(path: Path) -> None:
        from inkclean.deliver.pictures.proof import write_proof

        write_proof(page.photo, sheet, ink, page.capture, path)

    def lines(path: Path) -> None:
        alpha = _at_dpi(bitmap.edge_alpha, ink, settings.dpi)
        bitmap.write_lines_png(alpha, settings.dpi, path)

    def part_of(kind: str) -> Callable[[Path], None]:
        def write(path: Path) -> None:
            alpha = _at_dpi(bitmap.edge_alpha, ink, settings.dpi)
            own = page.lettering.at_dpi(settings.dpi, alpha.shape)
            bitmap.write_lines_png(own.part(alpha, PARTS[kind]), settings.dpi, path)

        return write

    def pencil(path: Path) -> None:
        layer = ink.pencil.layer
        if layer is None:
            # no pencil found: bare paper is the honest picture of it
            layer = np.ones((*ink.coverage.shape, 3), np.float32)
        bitmap.write_picture_png(layer, sheet.px_per_mm, coarse, path)

    return {
        "ink": lambda path: bitmap.write_ink_png(cut(), settings.dpi, path),
        "tiff": lambda path: bitmap.write_ink_tiff(cut(), settings.dpi, path),
        "lines": lines,
        **{kind: part_of(kind) for kind in PARTS},
        "grey": lambda path: bitmap.write_grey_png(
            sheet.reflectance, sheet.noise, sheet.px_per_mm, coarse, path
        ),
        "pencil": pencil,
        "svg": svg,
        "pdf": pdf,
        "proof": proof,
    }
