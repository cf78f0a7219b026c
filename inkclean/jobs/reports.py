"""What is reported of a page: frozen values that become JSON where they leave the program."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from typing import TYPE_CHECKING, Any, TypeVar

from inkclean import __version__
from inkclean.deliver.press.report import PosterReport, PressReport
from inkclean.ink.checks import ink_checks
from inkclean.ink.values import InkColour

if TYPE_CHECKING:
    from inkclean.page import Page

_T = TypeVar("_T")


@dataclass(frozen=True, kw_only=True)
class Report:
    """The file a page came from, the files left, by kind, and whether they stood before."""

    input: str
    outputs: Mapping[str, str]
    done_before: bool = False

    def json(self) -> dict[str, Any]:
        """Return the report as ``--json`` prints it."""
        return {"input": self.input, "outputs": dict(self.outputs)}


@dataclass(frozen=True)
class SheetReport:
    """The sheet: its size, its scale, where it lay in the photo, and how sure that is."""

    width_mm: float
    height_mm: float
    px_per_mm: float
    corners_px: tuple[tuple[float, ...], ...]
    framed: str
    paper: str | None
    confidence: float
    to_check: str | None
    to_check_of: str | None  # the size, or the outline


@dataclass(frozen=True)
class CaptureReport:
    """How well the page was photographed."""

    sharpness: float
    thinnest_mm: float
    light_ratio: float
    clipped_share: float
    verdict: str
    advice: str


@dataclass(frozen=True)
class PencilReport:
    """The underdrawing that was removed."""

    found: bool
    colour: str | None
    colours: tuple[str, ...]
    share: float
    note: str


@dataclass(frozen=True)
class PlaceToCheck:
    """A place in the ink that a person should look at."""

    x_mm: float
    y_mm: float
    size_mm: float
    why: str


@dataclass(frozen=True)
class BookLine:
    """Widths of the page's typical line: as it is, by itself, and as the book asked, in mm."""

    line_mm: float | None
    natural_mm: float | None
    evened_mm: float | None


@dataclass(frozen=True)
class InkReport:
    """The ink; ``mended`` tells one set of edits by hand from another, ``book`` comes of --even.

    ``inks`` are those that the page is drawn in, if there are several.
    """

    share: float
    thinnest_mm: float | None
    specks_removed: int
    to_check: tuple[PlaceToCheck, ...]
    weight: float
    mended: str | None
    inks: tuple[InkColour, ...] = ()
    book: BookLine | None = None


@dataclass(frozen=True)
class CurvesReport:
    """How many curves there are."""

    shapes: int
    segments: int
    nodes: int


@dataclass(frozen=True, kw_only=True)
class CleanReport(Report):
    """What cleaning a page found and left; ``seconds`` are by stage."""

    sheet: SheetReport
    capture: CaptureReport
    pencil: PencilReport
    ink: InkReport
    curves: CurvesReport
    seconds: Mapping[str, float]
    version: str = __version__

    def json(self) -> dict[str, Any]:
        """Return the report as ``--json`` prints it, keys in a fixed order."""
        return {
            **super().json(),
            **self._found(),
            "seconds": dict(self.seconds),
            "version": self.version,
            "done_before": self.done_before,
        }

    def measured(self) -> dict[str, Any]:
        """Return what the ticket keeps of it."""
        return {**self._found(), "version": self.version, "done_before": False}

    def _found(self) -> dict[str, Any]:
        parts = ("sheet", "capture", "pencil", "ink", "curves")
        found = {part: asdict(getattr(self, part)) for part in parts}
        found["ink"] |= found["ink"].pop("book") or {}
        return found


def report_of(
    page: Page,
    source: str,
    outputs: Mapping[str, str],
    mended: str | None,
    book: BookLine | None,
    thinnest_mm: float | None,
) -> CleanReport:
    """Return the report of a page; ``thinnest_mm`` is how wide its thinnest lines are.

    Lengths are rounded to 0.001 mm, places in the photo to 0.01 px, shares to six digits,
    seconds to the millisecond.
    """
    sheet, ink, capture, curves = page.sheet, page.ink, page.capture, page.curves
    frame = sheet.frame
    return CleanReport(
        input=source,
        outputs=outputs,
        sheet=SheetReport(
            width_mm=round(sheet.width_mm, 3),
            height_mm=round(sheet.height_mm, 3),
            px_per_mm=round(sheet.px_per_mm, 4),
            corners_px=tuple(tuple(round(float(v), 2) for v in row) for row in frame.corners_px),
            framed=frame.framed,
            paper=frame.paper,
            confidence=round(frame.confidence, 3),
            to_check=frame.doubt or None,
            to_check_of=frame.doubt_of if frame.doubt else None,
        ),
        capture=CaptureReport(
            sharpness=round(capture.sharpness, 3),
            thinnest_mm=round(capture.thinnest_mm, 3),
            light_ratio=round(capture.light_ratio, 3),
            clipped_share=round(capture.clipped_share, 6),
            verdict=capture.verdict,
            advice=capture.advice,
        ),
        pencil=PencilReport(
            found=ink.pencil.found,
            colour=ink.pencil.colours[0] if ink.pencil.colours else None,
            colours=tuple(ink.pencil.colours),
            share=round(ink.pencil.share, 6),
            note=ink.note,
        ),
        ink=InkReport(
            share=round(float((ink.coverage >= 0.5).mean()), 6),
            thinnest_mm=rounded(thinnest_mm),
            specks_removed=len(ink.removed),
            to_check=tuple(
                PlaceToCheck(round(c.x_mm, 2), round(c.y_mm, 2), round(c.size_mm, 2), c.why)
                for c in ink_checks(ink.removed, ink.doubts)
            ),
            weight=page.weight,
            mended=mended,
            inks=tuple(replace(each, share=round(each.share, 3)) for each in ink.inks),
            book=book,
        ),
        curves=CurvesReport(
            shapes=int(curves.shape.max(initial=-1)) + 1,
            segments=len(curves.cubics),
            nodes=len(curves.cubics),
        ),
        seconds={stage: round(spent, 3) for stage, spent in page.watch.seconds.items()},
    )


def report_from(
    measured: Mapping[str, Any], source: str, outputs: Mapping[str, str]
) -> CleanReport:
    """Return the report of a page that was done before, from what its ticket keeps.

    Raises:
        ValueError: the ticket keeps no such thing.
    """
    try:
        ink = dict(measured["ink"])
        ink["to_check"] = tuple(_read(PlaceToCheck, place) for place in ink["to_check"])
        ink["inks"] = tuple(_read(InkColour, each) for each in ink.get("inks", ()))
        ink["book"] = _read(BookLine, ink) if "line_mm" in ink else None
        return CleanReport(
            input=source,
            outputs=outputs,
            done_before=True,
            sheet=_read(SheetReport, {"to_check_of": "size", **measured["sheet"]}),
            capture=_read(CaptureReport, measured["capture"]),
            pencil=_read(PencilReport, measured["pencil"]),
            ink=_read(InkReport, ink),
            curves=_read(CurvesReport, measured["curves"]),
            seconds={},
        )
    except (KeyError, TypeError) as error:
        raise ValueError("this ticket keeps no report") from error


def _read(kind: type[_T], body: Mapping[str, Any]) -> _T:
    values = {item.name: body[item.name] for item in fields(kind)}  # type: ignore[arg-type]
    return kind(**values)


def rounded(value: float | None) -> float | None:
    """Return a length to 0.001 mm."""
    return None if value is None else round(value, 3)


@dataclass(frozen=True)
class FlatsFound:
    """How many areas, bridges over gaps (``to_check`` of them unsure) and panels a page has.

    ``ink_dpi`` and ``colour_dpi`` are the resolutions of the ink and of the colour files.
    """

    areas: int
    colours: tuple[str, ...]
    bridges: int
    to_check: int
    panels: int
    ink_dpi: float
    colour_dpi: float


def found_from(body: object) -> FlatsFound | None:
    """Return what a ticket keeps of the flats, None if that is no such thing."""
    if not isinstance(body, Mapping):
        return None
    try:
        found = _read(FlatsFound, body)
    except (KeyError, TypeError):
        return None
    return found if isinstance(found.colours, list | tuple) else None


@dataclass(frozen=True, kw_only=True)
class FlatsReport(Report):
    """What the flats of a page are; ``cleaned`` is of the clean results, where there are any.

    ``overrides`` says in words what was typed in place of what the page's ticket says.
    """

    flats: FlatsFound
    cleaned: CleanReport | None
    seconds: Mapping[str, float]
    overrides: tuple[str, ...] = ()

    def json(self) -> dict[str, Any]:
        """Return the report as ``--json`` prints it."""
        return {
            **({} if self.cleaned is None else self.cleaned.json()),
            **super().json(),
            "flats": asdict(self.flats),
            "seconds": dict(self.seconds),
            **_overrides(self.overrides),
            "done_before": self.done_before,
        }


@dataclass(frozen=True, kw_only=True)
class PrintReport(Report):
    """What was made for the press of a page, or of a poster; ``overrides`` as for the flats."""

    made: PressReport | PosterReport
    overrides: tuple[str, ...] = ()

    def json(self) -> dict[str, Any]:
        """Return the report as ``--json`` prints it."""
        return {**super().json(), **self.made.json(), **_overrides(self.overrides)}


def _overrides(said: tuple[str, ...]) -> dict[str, list[str]]:
    return {"overrides": list(said)} if said else {}
